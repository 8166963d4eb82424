"""Replay: the state of a visit from its events, and nothing else.

Order is by number, never by the clock. Corrections are applied first (endfeel.visits.corrections), so a replaced event
counts at the place of the one it replaces. Contradictory answers keep the last and are listed.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from endfeel.visits import events as ev
from endfeel.visits.corrections import Standing, standing
from endfeel.visits.events import Side, StoredEvent
from endfeel.visits.problem import (
    SWAPPED,
    Answered,
    BaseItem,
    Contradiction,
    Decision,
    Made,
    Moved,
    Override,
    Person,
    ProblemState,
    Recorded,
)


class ReplayError(ValueError):
    """The events are no visit; the message is one line."""


@dataclass(frozen=True)
class Notice:
    """Something about the record that a reader should know, by event number."""

    seq: int
    words: str


@dataclass(frozen=True)
class Consent:
    """A consent as last given."""

    made: Made
    event: ev.ConsentGiven


@dataclass(frozen=True)
class VisitState:
    """A visit as it stands. `seq` is the number of its last event; times are what the clock said (UTC).

    problems: those that stand, in the order added. withdrawn_problems: taken back, with all that was recorded for them.
    history: every event in order, with what it now says.
    """

    visit_id: str
    seq: int
    opened: ev.VisitOpened
    opened_at: dt.datetime
    last_at: dt.datetime
    closed: bool
    closed_at: dt.datetime | None
    summary: str | None
    reopenings: tuple[tuple[Made, str], ...]
    marks: tuple[ev.Mark, ...]
    consents: Mapping[str, Consent]
    finding_consents: Mapping[str, Consent]
    withdrawn_scopes: frozenset[str]
    withdrawn_findings: frozenset[str]
    treatments: tuple[ev.TreatmentRecorded, ...]
    problems: Mapping[str, ProblemState]
    withdrawn_problems: Mapping[str, ProblemState]
    contradictions: tuple[Contradiction, ...]
    notices: tuple[Notice, ...]
    history: tuple[Standing, ...]

    @property
    def status(self) -> str:
        """`open` or `closed`."""
        return "closed" if self.closed else "open"


def replay(events: Iterable[StoredEvent]) -> VisitState:
    """The state after the given events of one visit.

    Raises ReplayError where there are none, they are of several visits, a number stands twice or the visit was not
    opened.
    """
    ordered = sorted(events, key=lambda stored: stored.seq)
    _check(ordered)
    now = standing(ordered)
    draft = _Draft(now, _opening(now))
    for entry in now:
        draft.take(entry)
    return draft.state()


@dataclass
class _Problem:
    id: str
    region: str
    side: Side
    added: Made
    stands: bool
    story: dict[str, tuple[int, Any]] = field(default_factory=dict)
    context: dict[str, Any] = field(default_factory=dict)
    precautions: dict[str, tuple[int, str]] = field(default_factory=dict)
    minutes_set_at: dt.datetime | None = None
    answers: dict[tuple[str, str], Answered] = field(default_factory=dict)
    asked_elsewhere: list[Answered] = field(default_factory=list)
    overrides: list[Override] = field(default_factory=list)
    base: dict[tuple[str, Side], BaseItem] = field(default_factory=dict)
    cards: list[ev.CardCleared] = field(default_factory=list)
    findings: dict[tuple[str, Side], Recorded] = field(default_factory=dict)
    made_worse: list[ev.MadeWorse] = field(default_factory=list)
    decisions: list[Decision] = field(default_factory=list)
    advice: list[ev.AdviceGiven] = field(default_factory=list)
    outcomes: list[ev.OutcomeRecorded] = field(default_factory=list)
    treatments: list[ev.TreatmentRecorded] = field(default_factory=list)
    measures: dict[tuple[str, Side], ev.MeasureRecorded] = field(default_factory=dict)
    moved: list[Moved] = field(default_factory=list)
    contradictions: list[Contradiction] = field(default_factory=list)
    history: list[Standing] = field(default_factory=list)

    def contradict(self, what: str, earlier: tuple[int, Any], later: tuple[int, Any]) -> None:
        if earlier[1] != later[1]:
            pair = Contradiction(earlier[0], later[0], self.id, what, _shown(earlier[1]), _shown(later[1]))
            self.contradictions.append(pair)


class _Draft:
    """The state under construction; every method takes one standing event."""

    def __init__(self, history: tuple[Standing, ...], opened: ev.VisitOpened) -> None:
        self.history = history
        self.by_seq = {entry.seq: entry for entry in history}
        self.opened = opened
        self.age: int | None = None
        self.closed_at: dt.datetime | None = None
        self.summary: str | None = None
        self.reopenings: list[tuple[Made, str]] = []
        self.marks: tuple[ev.Mark, ...] = ()
        self.consents: dict[str, Consent] = {}
        self.finding_consents: dict[str, Consent] = {}
        self.withdrawn_scopes: set[str] = set()
        self.withdrawn_findings: set[str] = set()
        self.treatments: list[ev.TreatmentRecorded] = []
        self.problems: dict[str, _Problem] = {}
        self.notices: list[Notice] = []
        self.latest = history[0].stored.at
        self.actions: dict[type, Callable[[Made, Any, _Problem], None]] = {
            ev.ProblemMoved: self.moved,
            ev.StoryTold: self.story,
            ev.ContextSet: self.context,
            ev.ScreenAnswered: self.answered,
            ev.ScreenOverridden: self.overridden,
            ev.BaseRecorded: self.base,
            ev.CardCleared: self.card,
            ev.FindingRecorded: self.finding,
            ev.MadeWorse: lambda made, event, problem: problem.made_worse.append(event),
            ev.Decided: lambda made, event, problem: problem.decisions.append(Decision(made, event)),
            ev.AdviceGiven: lambda made, event, problem: problem.advice.append(event),
            ev.OutcomeRecorded: lambda made, event, problem: problem.outcomes.append(event),
            ev.MeasureRecorded: self.measure,
        }

    def take(self, entry: Standing) -> None:
        self.clock(entry)
        stored = entry.stored
        made = Made(stored.seq, stored.at, stored.actor)
        if isinstance(stored.event, ev.ProblemAdded):
            self.added(made, stored.event, entry)
        problem = self.problem_of(entry)
        if problem is not None:
            problem.history.append(entry)
        event = entry.event
        if event is None:
            return
        if self.closed_at is not None and not isinstance(event, (ev.Closed, ev.Reopened, ev.OutcomeRecorded)):
            self.notices.append(Notice(stored.seq, f"{event.type} was recorded after the visit was closed"))
        if isinstance(event, (ev.VisitOpened, ev.ProblemAdded, ev.Corrected)):
            return
        if type(event) in self.actions:
            if problem is None:
                self.notices.append(Notice(stored.seq, f"{event.type} names a problem that this visit does not have"))
            else:
                self.actions[type(event)](made, event, problem)
            return
        self.whole_visit(made, event, problem)

    def problem_of(self, entry: Standing) -> _Problem | None:
        event = entry.event or entry.stored.event
        while isinstance(event, ev.Corrected) and event.of in self.by_seq and event.of < entry.seq:
            event = self.by_seq[event.of].stored.event
        return self.problems.get(getattr(event, "problem_id", None) or "")

    def clock(self, entry: Standing) -> None:
        if entry.stored.at < self.latest:
            self.notices.append(Notice(entry.seq, "the clock went back before this event; the order is by number"))
        self.latest = max(self.latest, entry.stored.at)

    def added(self, made: Made, stored: ev.ProblemAdded, entry: Standing) -> None:
        event = entry.event if isinstance(entry.event, ev.ProblemAdded) else stored
        stands = entry.event is not None
        if event.problem_id in self.problems:
            self.notices.append(Notice(made.seq, f"problem {event.problem_id} was added twice; the first counts"))
            return
        self.problems[event.problem_id] = _Problem(event.problem_id, event.region, event.side, made, stands)

    def whole_visit(self, made: Made, event: ev.Event, problem: _Problem | None) -> None:
        if isinstance(event, ev.WhereMarked):
            self.marks = event.marks
        elif isinstance(event, ev.ConsentGiven):
            given = Consent(made, event)
            if event.finding_id is None:
                self.consents[event.scope] = given
                self.withdrawn_scopes.discard(event.scope)
            else:
                self.finding_consents[event.finding_id] = given
                self.withdrawn_findings.discard(event.finding_id)
        elif isinstance(event, ev.ConsentWithdrawn):
            if event.finding_id is None:
                self.consents.pop(event.scope, None)
                self.withdrawn_scopes.add(event.scope)
            else:
                self.finding_consents.pop(event.finding_id, None)
                self.withdrawn_findings.add(event.finding_id)
        elif isinstance(event, ev.TreatmentRecorded):
            self.treatments.append(event)
            if problem is not None:
                problem.treatments.append(event)
        elif isinstance(event, ev.Closed):
            self.closed_at, self.summary = made.at, event.summary
        elif isinstance(event, ev.Reopened):
            self.closed_at = None
            self.reopenings.append((made, event.reason))

    def moved(self, made: Made, event: ev.ProblemMoved, problem: _Problem) -> None:
        before, after = problem.side, event.side
        problem.side = after
        problem.moved.append(Moved(made, before, after, event.reason, event.recordings_move))
        if before == after:
            return
        if event.recordings_move:
            _relabel(problem, before, after)
            return
        # What was found stays raised; what was cleared was cleared on the other side.
        for key, answered in list(problem.answers.items()):
            if answered.answer != "yes" and answered.side not in (after, "both", "none"):
                problem.asked_elsewhere.append(problem.answers.pop(key))
        back = [a for a in problem.asked_elsewhere if a.side == after]
        for answered in back:
            problem.asked_elsewhere.remove(answered)
            problem.answers.setdefault((answered.screen_id, answered.item_id), answered)
        if before in ("left", "right"):
            problem.overrides.clear()

    def story(self, made: Made, event: ev.StoryTold, problem: _Problem) -> None:
        for name in ev.StoryTold.model_fields:
            value = getattr(event, name)
            if name in ("type", "problem_id") or value is None:
                continue
            if name in problem.story and name in ("onset", "onset_date", "could_go_on"):
                problem.contradict(f"story: {name}", problem.story[name], (made.seq, value))
            problem.story[name] = (made.seq, value)

    def context(self, made: Made, event: ev.ContextSet, problem: _Problem) -> None:
        for name in ev.ContextSet.model_fields:
            value = getattr(event, name)
            if name in ("type", "problem_id", "precautions") or value is None:
                continue
            problem.context[name] = value
        self.age = self.age if event.age is None else event.age
        if event.minutes is not None:
            problem.minutes_set_at = made.at
        for precaution, answer in (event.precautions or {}).items():
            if precaution in problem.precautions:
                earlier = problem.precautions[precaution]
                problem.contradict(f"precaution: {precaution}", earlier, (made.seq, answer))
            problem.precautions[precaution] = (made.seq, answer)

    def answered(self, made: Made, event: ev.ScreenAnswered, problem: _Problem) -> None:
        key = (event.screen_id, event.item_id)
        if key in problem.answers:
            earlier = problem.answers[key]
            what = f"screen: {event.screen_id}: {event.item_id}"
            problem.contradict(what, (earlier.made.seq, earlier.answer), (made.seq, event.answer))
        problem.answers[key] = Answered(made, event.screen_id, event.item_id, event.answer, problem.side)

    def overridden(self, made: Made, event: ev.ScreenOverridden, problem: _Problem) -> None:
        problem.overrides.append(Override(made, event.reason, event.screen_id))

    def base(self, made: Made, event: ev.BaseRecorded, problem: _Problem) -> None:
        key = (event.item_id, event.side)
        earlier = problem.base.get(key)
        if earlier is not None and earlier.event is not None:
            what = f"base: {event.item_id}, {event.side}"
            problem.contradict(what, (earlier.made.seq, earlier.state), (made.seq, event.state))
        problem.base[key] = BaseItem(made, event.state, event.side, event)
        cleared = problem.base.get((event.item_id, "both"))
        if event.side != "both" and cleared is not None and cleared.event is None:
            del problem.base[(event.item_id, "both")]
            if event.side in ("left", "right"):
                other = SWAPPED[event.side]
                problem.base.setdefault((event.item_id, other), BaseItem(cleared.made, cleared.state, other, None))

    def card(self, made: Made, event: ev.CardCleared, problem: _Problem) -> None:
        problem.cards.append(event)
        recorded: dict[str, set[Side]] = {}
        for item, side in problem.base:
            recorded.setdefault(item, set()).add(side)
        for item in event.items:
            sides = recorded.get(item, set())
            rest: tuple[Side, ...] = ("both",)
            if sides:
                rest = tuple(SWAPPED[s] for s in sides if SWAPPED[s] not in sides)
            for side in rest:
                problem.base[(item, side)] = BaseItem(made, "nothing-found", side, None)

    def finding(self, made: Made, event: ev.FindingRecorded, problem: _Problem) -> None:
        key = (event.observable, event.side)
        if key in problem.findings:
            earlier = problem.findings[key]
            what = f"finding: {event.observable}, {event.side}"
            problem.contradict(what, (earlier.made.seq, earlier.event.result), (made.seq, event.result))
        problem.findings[key] = Recorded(made, event, event.side)

    def measure(self, made: Made, event: ev.MeasureRecorded, problem: _Problem) -> None:
        problem.measures[(event.measure, event.side)] = event

    def state(self) -> VisitState:
        first, last = self.history[0].stored, self.history[-1].stored
        problems = {p.id: self.frozen(p) for p in self.problems.values()}
        stands = {p.id for p in self.problems.values() if p.stands}
        listed = [c for p in problems.values() if p.problem_id in stands for c in p.contradictions]
        return VisitState(
            visit_id=first.visit_id,
            seq=last.seq,
            opened=self.opened,
            opened_at=first.at,
            last_at=self.latest,
            closed=self.closed_at is not None,
            closed_at=self.closed_at,
            summary=self.summary,
            reopenings=tuple(self.reopenings),
            marks=self.marks,
            consents=MappingProxyType(self.consents),
            finding_consents=MappingProxyType(self.finding_consents),
            withdrawn_scopes=frozenset(self.withdrawn_scopes),
            withdrawn_findings=frozenset(self.withdrawn_findings),
            treatments=tuple(self.treatments),
            problems=MappingProxyType({k: p for k, p in problems.items() if k in stands}),
            withdrawn_problems=MappingProxyType({k: p for k, p in problems.items() if k not in stands}),
            contradictions=tuple(sorted(listed, key=lambda c: c.seq_later)),
            notices=tuple(self.notices),
            history=self.history,
        )

    def frozen(self, p: _Problem) -> ProblemState:
        # One person: an age told for another problem serves this one.
        context = {"age": self.age, **p.context}
        return ProblemState(
            problem_id=p.id,
            region=p.region,
            side=p.side,
            added=p.added,
            person=Person(self.opened.birth_year, self.opened.sex),
            visit_setting=self.opened.setting,
            story=ev.StoryTold(problem_id=p.id, **{name: value for name, (_, value) in p.story.items()}),
            story_told=bool(p.story),
            context=ev.ContextSet.model_construct(
                problem_id=p.id, precautions={k: v for k, (_, v) in p.precautions.items()}, **context
            ),
            minutes_set_at=p.minutes_set_at,
            answers=MappingProxyType(p.answers),
            asked_elsewhere=tuple(p.asked_elsewhere),
            overrides=tuple(p.overrides),
            base=MappingProxyType(p.base),
            cards_cleared=tuple(p.cards),
            findings=MappingProxyType(p.findings),
            made_worse=tuple(p.made_worse),
            decisions=tuple(p.decisions),
            advice=tuple(p.advice),
            outcomes=tuple(p.outcomes),
            treatments=tuple(p.treatments),
            measures=MappingProxyType(p.measures),
            moved=tuple(p.moved),
            contradictions=tuple(p.contradictions),
            withdrawn_findings=frozenset(self.withdrawn_findings),
            withdrawn_scopes=frozenset(self.withdrawn_scopes),
            history=tuple(p.history),
            edition=self.opened.edition,
        )


def _check(events: list[StoredEvent]) -> None:
    if not events:
        raise ReplayError("a visit has at least one event")
    if len({stored.visit_id for stored in events}) > 1:
        raise ReplayError("these events belong to several visits")
    if len({stored.seq for stored in events}) < len(events):
        raise ReplayError(f"visit {events[0].visit_id}: an event number stands twice")


def _opening(history: tuple[Standing, ...]) -> ev.VisitOpened:
    first = history[0].event
    if not isinstance(first, ev.VisitOpened):
        raise ReplayError(f"visit {history[0].stored.visit_id}: the first event must be visit-opened")
    return first


def _relabel(problem: _Problem, before: Side, after: Side) -> None:
    both_sided = before in ("left", "right") and after == SWAPPED[before]
    names: dict[Side, Side] = {before: after, after: before} if both_sided else {before: after}

    def new(side: Side) -> Side:
        return names.get(side, side)

    # Where two meet on one side, the later one counts.
    problem.findings = {
        (o, new(s)): Recorded(r.made, r.event, new(s))
        for (o, s), r in sorted(problem.findings.items(), key=lambda item: item[1].made.seq)
    }
    problem.base = {(i, new(s)): BaseItem(b.made, b.state, new(s), b.event) for (i, s), b in problem.base.items()}
    problem.measures = {(m, new(s)): e for (m, s), e in problem.measures.items()}
    problem.answers = {
        key: Answered(a.made, a.screen_id, a.item_id, a.answer, new(a.side)) for key, a in problem.answers.items()
    }


def _shown(value: object) -> str:
    return value.isoformat() if isinstance(value, dt.date) else str(value)
