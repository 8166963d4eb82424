"""Screens: what was not asked is never clear, findings raise and never lower, overrides cover only what was known."""

from __future__ import annotations

import datetime as dt
from types import MappingProxyType

import pytest

from endfeel.catalogue import Catalogue
from endfeel.catalogue.screens import Screen
from endfeel.visits.events import (
    BaseRecorded,
    ContextSet,
    Corrected,
    Event,
    FindingRecorded,
    ProblemAdded,
    ProblemMoved,
    ScreenAnswered,
    ScreenOverridden,
    StoredEvent,
    StoryTold,
    VisitOpened,
)
from endfeel.visits.problem import ProblemState
from endfeel.visits.safety import (
    chances_withheld,
    flags_of,
    precautions_from,
    screen_state,
    screen_views,
    screens_for,
    screens_open,
    trauma_recent,
)
from endfeel.visits.state import replay

NOW = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)
DRAFT = {"status": "draft"}
SOURCE = [{"citation": "invented for this test"}]
TRAUMA = Screen.model_validate(
    {
        "id": "knee-trauma-screen",
        "name": "Fracture",
        "plain": "A broken bone",
        "regions": ["knee"],
        "when": {"onset": "injury", "days_under": 42},
        "sends_for": "film-first",
        "precaution": "fracture-not-excluded",
        "withholds_until_done": True,
        "outside": [
            {"if": "age_under_18", "words": "Not studied in the young."},
            {"if": "osteoporosis", "words": "Not studied in fragile bone."},
            {"if": "intoxicated", "words": "Not studied in the drunk."},
            {"if": "days_over_7", "words": "Not studied after a week."},
        ],
        "clinician": "Film first.",
        "patient": "We take a picture first.",
        "sources": SOURCE,
        "item": [
            {"id": "steps", "ask": "Could you take four steps?"},
            {
                "id": "patella",
                "look": "Tender kneecap only",
                "fed_by": ["patellar-tenderness"],
                "shown_by": [{"item": "palpate-patella"}],
            },
        ],
        "review": DRAFT,
    }
)
MYELOPATHY = Screen.model_validate(
    {
        "id": "cord",
        "name": "Cord",
        "plain": "Pressure on the spinal cord",
        "regions": ["knee", "cervical"],
        "sends_for": "emergency",
        "precaution": "cord-signs",
        "flag_at": 2,
        "clinician": "Send today.",
        "patient": "You need to be seen today.",
        "sources": SOURCE,
        "item": [
            {"id": "gait", "ask": "Unsteady?"},
            {"id": "hands", "ask": "Clumsy hands?"},
            {"id": "clonus", "look": "Clonus", "counts": 2},
        ],
        "review": DRAFT,
    }
)
CHILD = TRAUMA.model_copy(
    update={"id": "growth-plate", "when": TRAUMA.when.model_validate({"age_max": 17}), "withholds_until_done": False}
)
CATALOGUE = Catalogue(
    regions=MappingProxyType({}),
    precautions=MappingProxyType({}),
    screens=MappingProxyType({s.id: s for s in (TRAUMA, MYELOPATHY)}),
    modalities=MappingProxyType({}),
)
INJURED = StoryTold(problem_id="p1", onset="injury", onset_date=dt.date(2026, 2, 27))


def problem(*events: Event, birth_year: int | None = 1990) -> ProblemState:
    whole = (
        VisitOpened(patient_code="K", birth_year=birth_year),
        ProblemAdded(problem_id="p1", region="knee", side="left"),
        *events,
    )
    return replay(
        StoredEvent(seq=i, visit_id="v", at=NOW, actor="A", client_id=f"c{i}", event=event)
        for i, event in enumerate(whole, start=1)
    ).problems["p1"]


def answer(item: str, said: str, screen: str = "knee-trauma-screen") -> ScreenAnswered:
    return ScreenAnswered.model_validate(
        {"problem_id": "p1", "screen_id": screen, "item_id": item, "answer": said}
    )


def state(*events: Event, screen: str = "knee-trauma-screen") -> str:
    views = {v.screen.id: v for v in screen_views(problem(*events), CATALOGUE, NOW)}
    return views[screen].state


POSITIVE = FindingRecorded(problem_id="p1", observable="patellar-tenderness", side="left", result="positive")


def test_what_was_not_asked_is_not_clear() -> None:
    assert state(INJURED) == "not-asked"
    assert state(INJURED, answer("steps", "no")) == "partly-asked"
    assert state(INJURED, answer("steps", "no"), answer("patella", "unsure")) == "partly-asked"
    assert state(INJURED, answer("steps", "unsure"), answer("patella", "unsure")) == "partly-asked"
    assert state(INJURED, answer("steps", "no"), answer("patella", "no")) == "asked-none-found"
    assert state(INJURED, answer("patella", "yes")) == "flag"


def test_a_finding_raises_and_never_lowers() -> None:
    clear = (INJURED, answer("steps", "no"), answer("patella", "no"))
    assert state(*clear, POSITIVE) == "flag"
    assert state(INJURED, POSITIVE.model_copy(update={"observable": "patellar-tenderness:edge"})) == "flag"
    found = BaseRecorded(problem_id="p1", item_id="palpate-patella", side="right", state="something-found")
    assert state(*clear, found) == "flag"
    negative = POSITIVE.model_copy(update={"result": "negative"})
    assert state(INJURED, answer("patella", "yes"), negative) == "flag"
    assert state(INJURED, negative) == "not-asked"
    assert state(INJURED, found.model_copy(update={"state": "nothing-found"})) == "not-asked"


def test_items_count_towards_the_number_that_flags() -> None:
    def cord(*said: tuple[str, str]) -> str:
        return screen_state(MYELOPATHY, dict(said))  # type: ignore[arg-type]

    assert cord(("gait", "yes")) == "partly-asked"
    assert cord(("gait", "yes"), ("hands", "yes")) == "flag"
    assert cord(("clonus", "yes")) == "flag"
    assert cord(("gait", "yes"), ("hands", "no"), ("clonus", "no")) == "asked-none-found"


def test_which_screens_are_asked() -> None:
    def ids(**known: object) -> list[str]:
        return [s.id for s in screens_for(CATALOGUE, "knee", **known)]  # type: ignore[arg-type]

    assert ids() == ["cord", "knee-trauma-screen"], "what is not known takes no screen away; the most urgent is first"
    assert ids(onset="gradual") == ["cord"]
    assert ids(onset="sudden-no-injury") == ["cord"]
    assert ids(onset="injury", days_since_injury=41) == ["cord", "knee-trauma-screen"]
    assert ids(onset="injury", days_since_injury=42) == ["cord"]
    assert [s.id for s in screens_for(CATALOGUE, "cervical")] == ["cord"]
    young = Catalogue(CATALOGUE.regions, CATALOGUE.precautions, MappingProxyType({"g": CHILD}), CATALOGUE.modalities)
    assert [len(screens_for(young, "knee", age)) for age in (17, 18, None, (17, 18), (18, 19))] == [1, 0, 1, 1, 0]


def test_an_answered_screen_stays_when_it_no_longer_has_to_be_asked() -> None:
    assert state(INJURED, answer("patella", "yes"), StoryTold(problem_id="p1", onset="gradual")) == "flag"


def test_precautions_hold_until_the_screen_is_done_and_while_it_is_flagged() -> None:
    def held(*events: Event) -> frozenset[str]:
        return precautions_from(problem(*events), CATALOGUE, NOW)

    assert held(INJURED) == {"fracture-not-excluded"}
    done = (INJURED, answer("steps", "no"), answer("patella", "no"))
    assert held(*done) == frozenset()
    assert held(*done, answer("patella", "yes")) == {"fracture-not-excluded"}
    assert held(*done, ContextSet(problem_id="p1", precautions={"pregnancy": "yes", "diabetes": "no"})) == {"pregnancy"}
    assert held(StoryTold(problem_id="p1", onset="gradual")) == frozenset()


@pytest.mark.parametrize(
    ("more", "one_way", "held"),
    [
        (ContextSet(problem_id="p1", age=17), ["Not studied in the young."], True),
        (ContextSet(problem_id="p1", age=18), [], False),
        (ContextSet(problem_id="p1", precautions={"osteoporosis": "yes"}), ["Not studied in fragile bone."], True),
        (ContextSet(problem_id="p1", precautions={"osteoporosis": "no"}), [], False),
    ],
)
def test_outside_its_people_a_rule_sends_and_never_spares(more: Event, one_way: list[str], held: bool) -> None:
    person = problem(INJURED, answer("steps", "no"), answer("patella", "no"), more)
    (view,) = [v for v in screen_views(person, CATALOGUE, NOW) if v.screen.id == "knee-trauma-screen"]
    assert view.state == "asked-none-found"
    assert list(view.one_way) == one_way
    assert "Not studied in the drunk." in view.reminders
    assert ("fracture-not-excluded" in precautions_from(person, CATALOGUE, NOW)) == held


def test_an_older_injury_is_said_but_withholds_nothing_more() -> None:
    person = problem(INJURED, answer("steps", "no"), answer("patella", "no"))
    later = NOW + dt.timedelta(days=6)
    (view,) = [v for v in screen_views(person, CATALOGUE, later) if v.screen.id == "knee-trauma-screen"]
    assert view.one_way == ("Not studied after a week.",)
    assert precautions_from(person, CATALOGUE, later) == frozenset()


def test_an_override_covers_what_was_not_asked_but_no_flag() -> None:
    override = ScreenOverridden(problem_id="p1", reason="seen in emergency, film clear")
    assert screens_open(problem(INJURED), CATALOGUE, NOW)
    assert not screens_open(problem(INJURED, override), CATALOGUE, NOW)
    assert precautions_from(problem(INJURED, override), CATALOGUE, NOW) == frozenset()
    flagged = problem(INJURED, answer("patella", "yes"), override)
    assert precautions_from(flagged, CATALOGUE, NOW) == {"fracture-not-excluded"}


def test_an_override_by_name_covers_a_flag_as_it_stood() -> None:
    override = ScreenOverridden(problem_id="p1", reason="film today: no fracture", screen_id="knee-trauma-screen")
    covered = problem(INJURED, answer("patella", "yes"), override)
    assert precautions_from(covered, CATALOGUE, NOW) == frozenset()
    assert [f.screen.id for f in flags_of(covered, CATALOGUE, NOW)] == ["knee-trauma-screen"], "it stays in sight"
    for later in (answer("steps", "yes"), POSITIVE):
        again = problem(INJURED, answer("patella", "yes"), override, later)
        assert precautions_from(again, CATALOGUE, NOW) == {"fracture-not-excluded"}


def test_moving_the_problem_reopens_its_screen() -> None:
    done = (INJURED, answer("steps", "no"), answer("patella", "no"))
    assert not screens_open(problem(*done), CATALOGUE, NOW)
    moved = problem(*done, ProblemMoved(problem_id="p1", side="right", reason="other knee"))
    assert screens_open(moved, CATALOGUE, NOW)


def test_flags_say_what_raised_them() -> None:
    (flag,) = flags_of(problem(INJURED, POSITIVE), CATALOGUE, NOW)
    assert (flag.sends_for, flag.words, flag.raised_by) == ("film-first", "Film first.", ("Tender kneecap only",))


def test_fresh_trauma_is_assumed_until_told() -> None:
    assert trauma_recent(problem(), NOW)
    assert trauma_recent(problem(StoryTold(problem_id="p1", onset="injury")), NOW)
    assert trauma_recent(problem(INJURED), NOW)
    assert not trauma_recent(problem(INJURED), NOW + dt.timedelta(days=60))
    assert not trauma_recent(problem(StoryTold(problem_id="p1", onset="gradual")), NOW)


def test_no_chances_under_sixteen() -> None:
    today = NOW.date()
    assert chances_withheld(problem(birth_year=None), today) is None
    assert chances_withheld(problem(birth_year=2009), today) is None
    assert "may be under 16" in str(chances_withheld(problem(birth_year=2010), today))
    assert "there are no chances" in str(chances_withheld(problem(birth_year=2011), today))
    assert chances_withheld(problem(ContextSet(problem_id="p1", age=16), birth_year=2010), today) is None


def test_an_injury_that_is_then_told_as_gradual_stays_asked_about() -> None:
    gradual = StoryTold(problem_id="p1", onset="gradual")
    both = problem(INJURED, gradual)
    (view,) = [v for v in screen_views(both, CATALOGUE, NOW) if v.screen.id == "knee-trauma-screen"]
    assert (view.state, view.withholds) == ("not-asked", True)
    assert "an injury and then none" in view.kept
    assert screens_open(both, CATALOGUE, NOW) and trauma_recent(both, NOW)
    done = problem(INJURED, gradual, answer("steps", "no"), answer("patella", "no"))
    assert not screens_open(done, CATALOGUE, NOW)
    later = NOW + dt.timedelta(days=60)
    assert not trauma_recent(both, later), "both tellings agree that it is old"
    taken_back = problem(INJURED, gradual, Corrected(of=3))
    assert [v.screen.id for v in screen_views(taken_back, CATALOGUE, NOW)] == ["cord"]
    (as_told,) = [v for v in screen_views(problem(INJURED), CATALOGUE, NOW) if v.screen.id == "knee-trauma-screen"]
    assert as_told.kept == ""


def test_none_found_is_said_only_where_nothing_counts() -> None:
    def words(*said: str) -> str:
        answers = (answer(i, "yes" if i in said else "no", "cord") for i in ("gait", "hands", "clonus"))
        views = {v.screen.id: v for v in screen_views(problem(*answers), CATALOGUE, NOW)}
        return views["cord"].words

    assert words() == "asked, none found"
    assert words("gait") == "asked, too little to send by itself"
    assert words("gait", "hands") == "flag"
