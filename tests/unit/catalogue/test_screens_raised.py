"""Every mark of the shipped screens: what is recorded elsewhere raises its item or has it asked again, no more."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import pytest

from endfeel.catalogue import load_catalogue
from endfeel.catalogue.screens import Screen, ScreenItem, Shown
from endfeel.visits.events import (
    BaseRecorded,
    ContextSet,
    Corrected,
    Event,
    ProblemAdded,
    ScreenAnswered,
    ScreenOverridden,
    StoredEvent,
    StoryTold,
    VisitOpened,
)
from endfeel.visits.problem import ProblemState
from endfeel.visits.safety import ItemView, ScreenView, flags_of, screen_views
from endfeel.visits.state import replay
from endfeel.web.look_view import END_FEELS

CATALOGUE = load_catalogue()
NOW = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)
DAY = dt.date(2026, 2, 28)


def marks() -> Iterator[tuple[Screen, ScreenItem, Shown, str]]:
    """Every mark in every region of its screen where it can be recorded."""
    for screen in CATALOGUE.screens.values():
        for item in screen.item:
            for mark in item.shown_by:
                for region in screen.regions:
                    known = CATALOGUE.regions[region]
                    if mark.person or known.item(mark.item) or mark.item in {n.id for n in known.neighbours}:
                        yield screen, item, mark, region


every_mark = pytest.mark.parametrize(
    ("screen", "item", "mark", "region"),
    [pytest.param(*m, id=f"{m[3]}-{m[0].id}-{m[1].id}-{n}-{m[2].id}") for n, m in enumerate(marks())],
)


def problem(region: str, *events: Event, age: int = 40, onset: str = "injury") -> ProblemState:
    whole = (
        VisitOpened(patient_code="K"),
        ProblemAdded(problem_id="p1", region=region, side="left"),
        StoryTold.model_validate({"problem_id": "p1", "onset": onset, "onset_date": DAY}),
        ContextSet(problem_id="p1", age=age),
        *events,
    )
    return replay(
        StoredEvent(seq=i, visit_id="v", at=NOW, actor="A", client_id=f"c{i}", event=event)
        for i, event in enumerate(whole, start=1)
    ).problems["p1"]


def answers(screen: Screen, said: str = "no") -> tuple[Event, ...]:
    return tuple(
        ScreenAnswered.model_validate({"problem_id": "p1", "screen_id": screen.id, "item_id": i.id, "answer": said})
        for i in screen.item
    )


def recorded(mark: Shown, region: str) -> tuple[Event, ...]:
    """What a clinician records for the mark to hold."""
    if mark.person:
        return (ContextSet(problem_id="p1", precautions={mark.person: "yes"}),)
    item = CATALOGUE.regions[region].item(mark.item)
    wanted = ("left", "right") if mark.sides == "both" else ("right",) if item and item.sides else ("none",)
    return tuple(
        BaseRecorded.model_validate(
            {
                "problem_id": "p1",
                "item_id": mark.item,
                "side": side,
                "state": "something-found",
                "value": mark.at_most,
                "end_feel": mark.feels or None,
            }
        )
        for side in wanted
    )


def asked(screen: Screen) -> dict[str, object]:
    """A person and a story for whom the screen is asked."""
    when = screen.when
    age = when.age_max if when.age_max is not None else max(40, when.age_min or 0)
    return {"age": age, "onset": "gradual" if when.onset == "gradual" else "injury"}


def seen(region: str, screen: Screen, *events: Event) -> ScreenView:
    person = problem(region, *events, **asked(screen))  # type: ignore[arg-type]
    (view,) = [v for v in screen_views(person, CATALOGUE, NOW) if v.screen.id == screen.id]
    return view


def item_of(view: ScreenView, item: ScreenItem) -> ItemView:
    return next(v for v in view.items if v.item.id == item.id)


@every_mark
def test_a_mark_raises_or_asks_again_and_taking_it_back_takes_only_its_own_reason(
    screen: Screen, item: ScreenItem, mark: Shown, region: str
) -> None:
    clear = answers(screen)
    assert seen(region, screen, *clear).state == "asked-none-found"
    found = recorded(mark, region)
    view = seen(region, screen, *clear, *found)
    counted = sum(v.item.counts for v in view.items if v.counts)
    if mark.asks:
        assert mark.id in item_of(view, item).ask_again
        assert view.state == ("flag" if counted >= screen.flag_at else "partly-asked")
        again = seen(region, screen, *clear, *found, *answers(screen))
        assert item_of(again, item).ask_again == ()
        assert item_of(again, item).answer == "no"
    else:
        assert mark.id in item_of(view, item).raised_by
        assert item_of(view, item).counts
        assert (view.state == "flag") == (counted >= screen.flag_at)
        later = seen(region, screen, *clear, *found, *answers(screen))
        assert item_of(later, item).counts, "a later no does not lower what was found"
    first = 5 + len(clear)
    back = tuple(Corrected(of=first + n) for n in range(len(found)))
    assert seen(region, screen, *clear, *found, *back).state == "asked-none-found"
    yes = ScreenAnswered(problem_id="p1", screen_id=screen.id, item_id=item.id, answer="yes")
    both = seen(region, screen, *clear, *found, yes, *back)
    assert item_of(both, item).answer == "yes" and item_of(both, item).counts, "the answer is a reason of its own"


@every_mark
def test_nothing_found_is_no_mark(screen: Screen, item: ScreenItem, mark: Shown, region: str) -> None:
    if mark.person:
        none: tuple[Event, ...] = (ContextSet(problem_id="p1", precautions={mark.person: "no"}),)
    else:
        none = tuple(
            e.model_copy(
                update={"state": "nothing-found", "end_feel": None, "value": None if e.value is None else e.value + 1}
            )
            for e in recorded(mark, region)
            if isinstance(e, BaseRecorded)
        )
    view = seen(region, screen, *answers(screen), *none)
    assert view.state == "asked-none-found"
    assert not item_of(view, item).raised_by and not item_of(view, item).ask_again


def test_end_feels_are_those_that_can_be_chosen() -> None:
    assert {mark.feels for _, _, mark, _ in marks() if mark.feels} <= set(END_FEELS)


def test_weakness_with_pain_has_it_asked_and_does_not_flag() -> None:
    def weak(painful: bool | None, value: float | None = 3) -> ScreenView:
        power = BaseRecorded(
            problem_id="p1", item_id="power-foot", side="left", state="something-found", value=value, painful=painful
        )
        screen = CATALOGUE.screens["new-weakness"]
        return seen("ankle-foot", screen, *answers(screen), power)

    assert weak(None).state == "flag"
    assert weak(True).state == "partly-asked"
    assert weak(None, 4).state == "asked-none-found"


def test_a_lag_flags_after_one_moment_but_not_where_it_came_slowly() -> None:
    lag = BaseRecorded(problem_id="p1", item_id="lifts-straight-leg", side="left", state="something-found")
    for onset, raised in (("injury", True), ("sudden-no-injury", True), ("gradual", False)):
        flags = {f.screen.id for f in flags_of(problem("knee", lag, onset=onset), CATALOGUE, NOW)}
        assert ("extensor-mechanism" in flags) == raised, onset


def test_an_item_can_ask_for_more_haste_than_its_screen() -> None:
    def sends(*items: str) -> list[str]:
        said = (
            ScreenAnswered(problem_id="p1", screen_id="deep-vein-thrombosis", item_id=i, answer="yes") for i in items
        )
        return [f.sends_for for f in flags_of(problem("knee", *said), CATALOGUE, NOW)]

    assert sends("one-leg-swollen") == ["same-day"]
    assert sends("one-leg-swollen", "breath") == ["emergency"]


def test_going_on_covers_what_was_found_until_something_new_is() -> None:
    pulse = BaseRecorded(problem_id="p1", item_id="foot-pulses", side="left", state="something-found")
    went_on = ScreenOverridden(problem_id="p1", screen_id="knee-dislocation", reason="scan of the artery today: open")
    screen = CATALOGUE.screens["knee-dislocation"]
    assert seen("knee", screen, pulse, went_on).override is not None
    assert seen("knee", screen, pulse, went_on, pulse.model_copy(update={"side": "right"})).override is None
