"""Safety, outside belief: what the screens of the catalogue say about a problem. Pure functions, no chances.

A screen is `not-asked`, `partly-asked`, `asked-none-found` or `flag`. An answer of "unsure" does not settle an item.
Findings, base items, neighbours and what was said of the person can raise a screen, never lower it; some only have an
item asked again (`Shown.asks`). Taking back a recording takes its own reason away and no other. Who is outside the
people that a rule was studied in can be flagged by it and is never cleared by it.

An `outside` line of a screen holds where its `if` is known to hold: `age_under_N`, `age_over_N` (years), `days_over_N`
(since the injury), or a precaution id that was answered yes. Anything else, and what is not known, is shown as a
reminder and decides nothing. A line about the person keeps withholding what the screen withholds, until somebody gives
a reason to go on; an injury that is merely older does not.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from endfeel.catalogue import Catalogue
from endfeel.catalogue.screens import Outside, Screen, ScreenItem, SendsFor, Shown
from endfeel.visits.events import Answer, ContextSet, Onset
from endfeel.visits.problem import BaseItem, Override, ProblemState, Recorded

State = Literal["not-asked", "partly-asked", "asked-none-found", "flag"]

RECENT_DAYS = 42  # six weeks: how long an injury counts as fresh
YOUNGEST = 16  # below it there are no chances: the studies are of adults
URGENCY: tuple[SendsFor, ...] = ("emergency", "same-day", "urgent", "film-first")
TOO_LITTLE = "asked, too little to send by itself"
TOLD_BOTH = "The story said an injury and then none, so this is asked until it is answered."
STATE_WORDS: Mapping[State, str] = {
    "not-asked": "not asked",
    "partly-asked": "partly asked",
    "asked-none-found": "asked, none found",
    "flag": "flag",
}


@dataclass(frozen=True)
class Flag:
    """A screen that is raised: what it sends for, the words, and what raised it."""

    screen: Screen
    sends_for: SendsFor
    words: str
    raised_by: tuple[str, ...]


@dataclass(frozen=True)
class ItemView:
    """An item of a screen: the answer (None: not asked), and ids of what raises it.

    raised_at: number of the latest event that raises it, 0 where none does. ask_again: ids of what was recorded since
    the answer and has the item asked after it.
    """

    item: ScreenItem
    answer: Answer | None
    raised_by: tuple[str, ...]
    raised_at: int = 0
    ask_again: tuple[str, ...] = ()

    @property
    def counts(self) -> bool:
        """Whether it speaks for the screen."""
        return self.answer == "yes" or bool(self.raised_by)

    @property
    def settled(self) -> bool:
        """Answered yes or no and nothing recorded since that has it asked again, or raised."""
        return self.counts or (self.answer == "no" and not self.ask_again)


@dataclass(frozen=True)
class ScreenView:
    """A screen for one problem.

    one_way: why it can't clear this person, in words. reminders: outside lines that may apply, not known.
    kept: why it stays although the story as it now stands would not ask for it; empty where it would.
    override: the typed reason that covers it, if one does. withholds: its precaution holds now.
    """

    screen: Screen
    state: State
    items: tuple[ItemView, ...]
    one_way: tuple[str, ...]
    reminders: tuple[str, ...]
    override: Override | None
    withholds: bool
    kept: str = ""

    @property
    def sends_for(self) -> SendsFor:
        """What it sends for: the screen's own, or more haste where an item that counts asks for it."""
        asked = (v.item.sends_for for v in self.items if v.counts and v.item.sends_for is not None)
        return min((self.screen.sends_for, *asked), key=URGENCY.index)

    @property
    def flag(self) -> Flag | None:
        """The flag, also where it was overridden."""
        if self.state != "flag":
            return None
        by = tuple(dict.fromkeys(v.item.ask or v.item.look for v in self.items if v.counts))
        return Flag(self.screen, self.sends_for, self.screen.clinician, by)

    @property
    def not_asked(self) -> tuple[ScreenItem, ...]:
        """Items without an answer and not raised."""
        return tuple(v.item for v in self.items if v.answer is None and not v.raised_by)

    @property
    def to_ask(self) -> tuple[ScreenItem, ...]:
        """Items that were not asked, or are to be asked again."""
        return tuple(v.item for v in self.items if not v.raised_by and (v.answer is None or v.ask_again))

    @property
    def words(self) -> str:
        """The state in words; none found is said only where nothing counts at all."""
        if self.state == "asked-none-found" and any(v.counts for v in self.items):
            return TOO_LITTLE
        return STATE_WORDS[self.state]


def screens_for(
    catalogue: Catalogue,
    region: str,
    age: tuple[int, int] | int | None = None,
    onset: Onset | None = None,
    days_since_injury: int | None = None,
    sex: str | None = None,
) -> tuple[Screen, ...]:
    """The screens to ask in a region, most urgent first. What is not known never takes a screen away.

    age: years, or youngest and oldest that fit what is known.
    """
    between = (age, age) if isinstance(age, int) else age
    wanted = [s for s in catalogue.screens.values() if region in s.regions]
    asked = [s for s in wanted if _is_asked(s, between, onset, days_since_injury, sex)]
    return tuple(sorted(asked, key=lambda s: URGENCY.index(s.sends_for)))


def screen_state(
    screen: Screen, answers: Mapping[str, Answer], raised: Mapping[str, int] | frozenset[str] = frozenset()
) -> State:
    """The state from answers by item id, and the ids of what was recorded: findings positive, base items found,
    precautions answered yes. A measured value or both sides can't be told here and are taken to hold."""
    return _state(screen, _items(screen, answers, raised))


def screen_views(problem: ProblemState, catalogue: Catalogue, now: dt.datetime) -> tuple[ScreenView, ...]:
    """Every screen to ask for a problem, and every one that was answered although it no longer has to be asked."""
    today = now.date()
    onset = _onset(problem)
    days = problem.days_since_onset(today) if problem.story.onset == "injury" or onset is None else None
    age = problem.age_between(today)
    asked = screens_for(catalogue, problem.region, age, onset, days, problem.person.sex)
    answered = [
        catalogue.screens[s] for s in problem.screens if s in catalogue.screens and catalogue.screens[s] not in asked
    ]
    raised = positive_findings(problem)
    as_told = screens_for(catalogue, problem.region, age, problem.story.onset, days, problem.person.sex)
    kept = {s.id: TOLD_BOTH for s in asked if s not in as_told}
    views = [_view(s, problem, raised, age, days, kept.get(s.id, "")) for s in (*asked, *answered)]
    return tuple(sorted(views, key=lambda v: URGENCY.index(v.sends_for)))


def flags_of(problem: ProblemState, catalogue: Catalogue, now: dt.datetime) -> tuple[Flag, ...]:
    """All flags, most urgent first."""
    return tuple(flag for view in screen_views(problem, catalogue, now) if (flag := view.flag) is not None)


def precautions_from(problem: ProblemState, catalogue: Catalogue, now: dt.datetime) -> frozenset[str]:
    """Precautions that hold: answered yes, or set by a screen that is flagged or has to be complete first."""
    said = {name for name, answer in (problem.context.precautions or {}).items() if answer == "yes"}
    views = screen_views(problem, catalogue, now)
    return frozenset(said | {v.screen.precaution for v in views if v.withholds and v.screen.precaution})


def screens_open(problem: ProblemState, catalogue: Catalogue, now: dt.datetime) -> bool:
    """Whether a screen that withholds until it is done is neither complete nor overridden."""
    return any(
        view.screen.withholds_until_done and view.state in ("not-asked", "partly-asked") and view.override is None
        for view in screen_views(problem, catalogue, now)
    )


def recorded_before(view: ScreenView, problem: ProblemState, catalogue: Catalogue) -> tuple[Recorded, ...]:
    """Findings that were recorded before a screen was raised and that it now withholds: kept, and to be said."""
    held = view.screen.precaution
    if not (view.state == "flag" and view.withholds and held):
        return ()
    answered = [problem.answers[view.screen.id, i.item.id].made.seq for i in view.items if i.answer == "yes"]
    raised = max([*answered, *(i.raised_at for i in view.items)], default=0)
    region = catalogue.regions.get(problem.region)
    entries = region.findings if region else {}
    return tuple(
        r
        for r in problem.findings.values()
        if r.made.seq < raised and held in getattr(entries.get(r.observable.split(":")[0]), "never_if", {})
    )


def trauma_recent(problem: ProblemState, now: dt.datetime) -> bool:
    """Injured within six weeks; also where the day, or how it began at all, was not told or was told both ways."""
    onset, days = _onset(problem), problem.days_since_onset(now.date())
    if onset is None:
        return problem.story.onset is None or days is None or days <= RECENT_DAYS
    return onset == "injury" and (days is None or days <= RECENT_DAYS)


def chances_withheld(problem: ProblemState, on: dt.date) -> str | None:
    """Why this person gets no chances, in one sentence; None where they may have them."""
    between = problem.age_between(on)
    if between is None or between[0] >= YOUNGEST:
        return None
    if between[1] < YOUNGEST:
        return f"Under {YOUNGEST} there are no chances: the studies are of adults. Safety and the record go on."
    return f"By the year of birth this person may be under {YOUNGEST}: give the age to see chances."


def positive_findings(problem: ProblemState) -> dict[str, int]:
    """Observables that are positive, and their findings, with the number of the latest event that says so.

    On any side: a sign on the side that was meant for comparison is still a sign.
    """
    raised: dict[str, int] = {}
    for (observable, _), recorded in problem.findings.items():
        if recorded.result == "positive":
            for name in (observable, observable.split(":")[0]):
                raised[name] = max(raised.get(name, 0), recorded.made.seq)
    return raised


def shown_at(mark: Shown, problem: ProblemState) -> tuple[int, bool] | None:
    """The number of the latest event by which a mark holds, and whether it only has the item asked; None: it does not.

    On any side, like positive_findings, unless the mark wants both.
    """
    if mark.unless is not None and problem.story.onset == mark.unless:
        return None
    if mark.person:
        said = _said_at(mark.person, problem)
        return None if said is None else (said, mark.asks)
    found = {side: base for (item_id, side), base in problem.base.items() if item_id == mark.item and _fits(mark, base)}
    if not found or (mark.sides == "both" and "both" not in found and not {"left", "right"} <= found.keys()):
        return None
    hidden = mark.pain_asks and all(base.event is not None and base.event.painful for base in found.values())
    return max(base.made.seq for base in found.values()), mark.asks or hidden


def _onset(problem: ProblemState) -> Onset | None:
    """How it began; None where it was not told, or was told as an injury and not as one."""
    told = [c for c in problem.contradictions if c.what == "story: onset"]
    both = any("injury" in (c.earlier, c.later) for c in told)
    return None if both and problem.story.onset != "injury" else problem.story.onset


def _view(
    screen: Screen,
    problem: ProblemState,
    raised: Mapping[str, int],
    age: tuple[int, int] | None,
    days: int | None,
    kept: str,
) -> ScreenView:
    items = tuple(_seen(screen, item, problem, raised) for item in screen.item)
    state = _state(screen, items)
    known = [(line, _holds(line, problem, age, days)) for line in screen.outside]
    about_person = any(holds and not line.when.startswith("days") for line, holds in known)
    settled = state == "asked-none-found" and not about_person
    override = None if settled else _override(screen, state, items, problem)
    waits = screen.withholds_until_done and not settled
    withholds = override is None and (state == "flag" or waits)
    return ScreenView(
        screen=screen,
        state=state,
        items=items,
        one_way=tuple(line.words for line, holds in known if holds),
        reminders=tuple(line.words for line, holds in known if holds is None),
        override=override,
        withholds=withholds,
        kept=kept,
    )


def _items(
    screen: Screen, answers: Mapping[str, Answer], raised: Mapping[str, int] | frozenset[str]
) -> tuple[ItemView, ...]:
    return tuple(
        ItemView(
            i,
            answers.get(i.id),
            tuple(name for name in (*i.fed_by, *(m.id for m in i.shown_by if not m.asks)) if name in raised),
        )
        for i in screen.item
    )


def _seen(screen: Screen, item: ScreenItem, problem: ProblemState, raised: Mapping[str, int]) -> ItemView:
    answered = problem.answers.get((screen.id, item.id))
    by = {name: raised[name] for name in item.fed_by if name in raised}
    again = []
    for mark in item.shown_by:
        shown = shown_at(mark, problem)
        if shown is None:
            continue
        at, asks = shown
        if not asks:
            by[mark.id] = max(at, by.get(mark.id, 0))
        elif answered is None or answered.made.seq < at:
            again.append(mark.id)
    return ItemView(
        item=item,
        answer=answered.answer if answered else None,
        raised_by=tuple(by),
        raised_at=max(by.values(), default=0),
        ask_again=tuple(dict.fromkeys(again)),
    )


def _fits(mark: Shown, base: BaseItem) -> bool:
    event = base.event
    if mark.at_most is not None:
        return event is not None and event.value is not None and event.value <= mark.at_most
    if mark.feels:
        return event is not None and event.end_feel == mark.feels
    return base.state == "something-found"


def _said_at(precaution: str, problem: ProblemState) -> int | None:
    if (problem.context.precautions or {}).get(precaution) != "yes":
        return None
    said = (
        entry.seq
        for entry in problem.history
        if isinstance(entry.event, ContextSet) and (entry.event.precautions or {}).get(precaution) == "yes"
    )
    return max(said, default=None)


def _state(screen: Screen, items: tuple[ItemView, ...]) -> State:
    if sum(v.item.counts for v in items if v.counts) >= screen.flag_at:
        return "flag"
    if all(v.answer is None and not v.raised_by for v in items):
        return "not-asked"
    return "asked-none-found" if all(v.settled for v in items) else "partly-asked"


def _override(
    screen: Screen,
    state: State,
    items: tuple[ItemView, ...],
    problem: ProblemState,
) -> Override | None:
    named = [o for o in problem.overrides if o.screen_id == screen.id]
    if state != "flag":
        covers = [*named, *(o for o in problem.overrides if o.screen_id is None)]
        return max(covers, key=lambda o: o.made.seq, default=None)
    # A flag is covered only as it stood: whatever spoke for it later raises it again.
    latest = 0
    for view in items:
        if view.answer == "yes":
            latest = max(latest, problem.answers[(screen.id, view.item.id)].made.seq)
        latest = max(latest, view.raised_at)
    return next((o for o in reversed(named) if o.made.seq > latest), None)


def _holds(line: Outside, problem: ProblemState, age: tuple[int, int] | None, days: int | None) -> bool | None:
    matched = re.fullmatch(r"(age_under|age_over|days_over)_(\d+)", line.when.replace("-", "_"))
    if matched:
        limit = int(matched[2])
        if matched[1] == "days_over":
            return None if days is None else days > limit
        if age is None:
            return None
        return age[0] < limit if matched[1] == "age_under" else age[1] > limit
    answer = (problem.context.precautions or {}).get(line.when.replace("_", "-"))
    return None if answer is None else answer == "yes"


def _is_asked(
    screen: Screen, age: tuple[int, int] | None, onset: Onset | None, days: int | None, sex: str | None
) -> bool:
    when = screen.when
    if when.onset is not None and onset is not None and (when.onset == "injury") != (onset == "injury"):
        return False
    if when.days_under is not None and days is not None and days >= when.days_under:
        return False
    if when.age_min is not None and age is not None and age[1] < when.age_min:
        return False
    if when.age_max is not None and age is not None and age[0] > when.age_max:
        return False
    return when.sex is None or sex not in ("female", "male") or sex == when.sex
