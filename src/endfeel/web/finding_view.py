"""One finding opened: how it is done, what was seen, what it is worth and on which studies that rests.

Public: FindingPage, finding_page, FoundLine, find, recorded_event, criterion_words.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import get_args

from endfeel.catalogue.entries import Finding, HandsOn, HistoryItem, LookFurther
from endfeel.catalogue.result import work_out
from endfeel.pooling.summary import Interval
from endfeel.visits.events import FindingRecorded, MadeWorse, Result, Side
from endfeel.visits.problem import ProblemState, Recorded
from endfeel.visits.state import VisitState
from endfeel.web import words
from endfeel.web.bench_view import NOT_DONE, result_words
from endfeel.web.desk import Desk
from endfeel.web.forms import Sent
from endfeel.web.look_view import POSITIONS
from endfeel.web.positions_view import PositionQuestion, asked, both_seen, with_positions
from endfeel.web.refused import Refused
from endfeel.web.visit_head import Head, head

OBSERVED = "o:"
CONFIDENCE = ((1, "Guess"), (2, "Unsure"), (3, "Fairly sure"), (4, "Sure"), (5, "Certain"))
MOST_FOUND = 12


@dataclass(frozen=True)
class Fact:
    """One part of how it is done: a label and its lines."""

    label: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Caution:
    """When it is not to be done, and what instead; holds: it is so in this patient."""

    name: str
    instead: str
    holds: bool


@dataclass(frozen=True)
class ObservationField:
    """One thing to note, as a form field; given: what was noted."""

    name: str
    label: str
    choices: tuple[str, ...]
    scale: bool
    unit: str
    given: str


@dataclass(frozen=True)
class Source:
    """What the finding is worth for one condition, and the way to the studies."""

    condition: str
    name: str
    sentence: str
    positive: str
    negative: str
    studies: str
    href: str


@dataclass(frozen=True)
class RecordedView:
    """What stands recorded."""

    seq: int
    result: str
    words: str
    side: str
    by: str
    at: str
    pain: float | None
    symptoms_before: float | None
    own_pain: bool | None
    guarding: bool
    confidence: int | None
    not_done_because: str
    blind: bool


@dataclass(frozen=True)
class FindingPage:
    """The page of one finding in one visit."""

    head: Head
    observable: str
    name: str
    also_called: str
    purpose: str
    question: str | None
    answers: tuple[str, ...]
    kind: str
    position: str
    minutes: float
    provocation: int
    withheld: str | None
    facts: tuple[Fact, ...]
    more_facts: tuple[Fact, ...]
    cautions: tuple[Caution, ...]
    observations: tuple[ObservationField, ...]
    criterion: str
    both: tuple[PositionQuestion, ...]
    noted: Mapping[str, str]
    sources: tuple[Source, ...]
    drawing: str | None
    recorded: RecordedView | None
    sides: tuple[tuple[Side, str], ...]
    side: str
    not_done: tuple[str, ...]
    confidence: tuple[tuple[int, str], ...]
    review: str
    record: str
    answer: str
    undo: str
    worse: str
    criterion_post: str
    client_id: str
    undo_id: str
    back: str


@dataclass(frozen=True)
class FoundLine:
    """One finding that a search found."""

    observable: str
    name: str
    words: str
    href: str


def finding_page(
    desk: Desk, state: VisitState, problem: ProblemState, observable: str, now: dt.datetime
) -> FindingPage:
    """The page; Refused(404) where the region has no such observable."""
    row = desk.row(problem.region, observable)
    finding = _finding(desk, problem, observable)
    base = f"/visits/{state.visit_id}/{problem.problem_id}"
    recorded = desk.recorded(problem, observable)
    situation = desk.situation(problem, now)
    question = finding if isinstance(finding, HistoryItem) else None
    given: Mapping[str, object] = recorded.event.observations if recorded else {}
    both = asked(finding, observable)
    return FindingPage(
        head=head(desk, state, problem, "bench", now),
        observable=observable,
        name=desk.name(problem.region, observable),
        also_called=", ".join(row.also_called),
        purpose=question.why if question else getattr(finding, "purpose", ""),
        question=question.ask if question else None,
        answers=question.answers if question else (),
        kind=row.kind,
        position=POSITIONS[row.patient_position],
        minutes=row.minutes,
        provocation=row.provocation,
        withheld=desk.why_withheld(problem, observable, situation),
        facts=_facts(desk, problem, finding) if isinstance(finding, HandsOn) else (),
        more_facts=_more_facts(desk, problem, finding) if isinstance(finding, HandsOn) else (),
        cautions=_cautions(desk, finding, situation.precautions) if isinstance(finding, HandsOn) else (),
        observations=_observations(finding, given, both) if isinstance(finding, HandsOn) else (),
        criterion=criterion_words(desk, problem, observable, given) if given and not question else "",
        both=both,
        noted={q.name: _noted(given[q.name]) for q in both if q.name in given},
        sources=_sources(desk, problem, observable),
        drawing=desk.drawing(problem.region, observable),
        recorded=_recorded(recorded) if recorded else None,
        sides=(("left", "Left"), ("right", "Right"), ("both", "Both")) if problem.side != "none" else (),
        side=recorded.side if recorded else problem.side,
        not_done=NOT_DONE,
        confidence=CONFIDENCE,
        review=finding.review.status,
        record=f"{base}/record",
        answer=f"{base}/answer",
        undo=f"{base}/undo",
        worse=f"{base}/worse",
        criterion_post=f"{base}/criterion",
        client_id=str(uuid.uuid4()),
        undo_id=str(uuid.uuid4()),
        back=f"{base}/bench",
    )


def find(desk: Desk, state: VisitState, problem: ProblemState, query: str) -> tuple[FoundLine, ...]:
    """Findings whose name, or another name of theirs, holds every word of the query; at least two letters."""
    wanted = query.casefold().split()
    if len(query.strip()) < 2:
        return ()
    base = f"/visits/{state.visit_id}/{problem.problem_id}"
    region = desk.catalogue.region(problem.region)
    meant = desk.meant(problem)
    out = []
    for finding in region.findings.values():
        if isinstance(finding, LookFurther):
            continue
        for observable in finding.observables():
            row = desk.row(problem.region, observable)
            name = desk.name(problem.region, observable)
            text = f"{name} {' '.join(row.also_called)}".casefold()
            if all(w in text for w in wanted):
                recorded = desk.recorded(problem, observable)
                said = result_words(recorded) if recorded else ("" if observable in meant else "no study here")
                starts = not name.casefold().startswith(wanted[0])
                out.append((starts, name, FoundLine(observable, name, said, f"{base}/findings/{observable}")))
    return tuple(line for _, _, line in sorted(out, key=lambda o: o[:2])[:MOST_FOUND])


def recorded_event(desk: Desk, problem: ProblemState, sent: Sent) -> FindingRecorded:
    """A posted result as an event. Without a result it is worked out from what was seen."""
    observable = sent.needed("observable", "The finding")
    finding = _finding(desk, problem, observable)
    if not isinstance(finding, HandsOn):
        raise Refused(400, f"“{observable[:60]}” is not recorded with a result; answer its question instead.")
    seen = observed(finding, sent)
    result: str | None = sent.choice("result", "The result", get_args(Result))
    if result is None:
        if not seen:
            raise Refused(400, "Neither a result nor anything seen was sent; tap one of the four results.")
        result = _worked_out(finding, observable, problem, seen)
    side = sent.choice("side", "The side", get_args(Side)) or problem.side
    confidence = sent.whole("confidence", "How sure", 1, 5)
    return FindingRecorded(
        problem_id=problem.problem_id,
        observable=observable,
        side=side,  # type: ignore[arg-type]
        result=result,  # type: ignore[arg-type]
        observations=seen,
        confidence=confidence,
        blind_to=("imaging",) if sent.text("blind") else (),
        symptoms_before=sent.number("symptoms_before", "Symptoms before", 0, 10),
        pain=sent.number("pain", "Pain", 0, 10),
        own_pain={"yes": True, "no": False}.get(sent.choice("own_pain", "Own pain", ("yes", "no")) or ""),
        guarding=True if sent.text("guarding") else None,
        not_done_because=sent.text("not_done_because"),
    )


def made_worse(problem: ProblemState, sent: Sent) -> MadeWorse:
    """A rise of symptoms as posted."""
    before = sent.number("before", "Before the test", 0, 10)
    after = sent.number("after", "After the test", 0, 10)
    if before is None or after is None:
        raise Refused(400, "Before and after are both needed, each from 0 to 10.")
    return MadeWorse(
        problem_id=problem.problem_id,
        finding_id=(sent.text("observable") or "").partition(":")[0] or None,
        before=before,
        after=after,
        settled_in_minutes=sent.number("settled", "Minutes to settle", 0, 100_000),
    )


def observed(finding: HandsOn, sent: Sent) -> dict[str, bool | int | float | str]:
    """What was seen, by observation id, checked against the catalogue."""
    seen: dict[str, bool | int | float | str] = {}
    kinds = {o.id: o for o in finding.observe}
    for field in sent.fields:
        if not field.startswith(OBSERVED):
            continue
        name = field[len(OBSERVED) :]
        entry = kinds.get(name.split(".")[0])
        value = sent.text(field)
        if entry is None or name not in finding.observation_names():
            raise Refused(400, f"{finding.id} has no observation “{name[:40]}”.")
        if value is None:
            continue
        if entry.choose:
            if value not in entry.choose:
                raise Refused(400, f"{name}: “{value[:40]}” is none of {'; '.join(entry.choose)}.")
            seen[name] = value
        else:
            number = sent.number(field, name, *((0, 10) if entry.scale else (-1000, 1000)))
            if number is not None:
                seen[name] = number
    return seen


def criterion_words(desk: Desk, problem: ProblemState, observable: str, seen: Mapping[str, object]) -> str:
    """What the catalogue's criterion makes of what was seen; nothing where nothing was."""
    finding = _finding(desk, problem, observable)
    if not isinstance(finding, HandsOn) or not seen:
        return ""
    said = f"By the studies’ criterion: {_worked_out(finding, observable, problem, seen)}."
    return said if both_seen(finding, observable, seen) else f"{said} One position is still missing."


def _worked_out(finding: HandsOn, observable: str, problem: ProblemState, seen: Mapping[str, object]) -> str:
    others = {o.replace(":", "."): r for o, r in problem.results().items()}
    try:
        known = with_positions(finding, observable, seen)  # type: ignore[arg-type]
        return work_out(finding, known, others, observable.partition(":")[2] or None)
    except ValueError as error:
        raise Refused(400, f"{error}.") from None


def _finding(desk: Desk, problem: ProblemState, observable: str) -> Finding:
    found = desk.catalogue.region(problem.region).findings.get(observable.partition(":")[0])
    if found is None or observable not in found.observables():
        raise Refused(404, f"There is no finding “{observable[:60]}” in this region.")
    return found


def _facts(desk: Desk, problem: ProblemState, finding: HandsOn) -> tuple[Fact, ...]:
    """How it is done, in the order of doing it."""
    positions = tuple(
        f"{p.name or p.id.replace('-', ' ')}{': ' + p.contact if p.contact else ''}" for p in finding.positions
    )
    return _told(
        ("First", tuple(_named(desk, problem, i) for i in finding.first)),
        ("Say", (f"“{finding.say}”",) if finding.say else ()),
        ("Patient", (finding.patient,)),
        ("Hands", (finding.examiner,)),
        ("Movement", (finding.move,)),
        ("Positions", positions),
        ("Dose", (finding.dose,) if finding.dose else ()),
        (
            "Not if",
            tuple(f"{desk.catalogue.precautions[p].name}: {instead}" for p, instead in finding.never_if.items()),
        ),
        ("Stop if", finding.stop_if),
        ("Does not count", finding.counts_not),
        ("Easy to go wrong", finding.faults),
    )


def _more_facts(desk: Desk, problem: ProblemState, finding: HandsOn) -> tuple[Fact, ...]:
    """How it was studied, and what stands beside it."""

    def names(ids: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(_named(desk, problem, i) for i in ids)

    again = finding.look_again
    days = " to ".join(map(str, again.on_day)) if again else ""
    return _told(
        ("As studied", tuple(t for t in (finding.studied_as.note, finding.our_reading) if t)),
        ("Left out", tuple(f"{desk.citation(s)}: {why}" for s, why in finding.studied_as.left_out.items())),
        ("Loads the same", names(finding.relatives.same_load)),
        ("Lighter", names(finding.relatives.lighter)),
        ("Stronger", names(finding.relatives.stronger)),
        (
            "Look again",
            (f"If {again.when} within {again.injury_days_under} days of an injury: day {days}.",) if again else (),
        ),
    )


def _told(*facts: tuple[str, tuple[str, ...]]) -> tuple[Fact, ...]:
    return tuple(Fact(label, lines) for label, lines in facts if lines)


def _named(desk: Desk, problem: ProblemState, name: str) -> str:
    region = desk.catalogue.region(problem.region)
    item = region.item(name)
    if item is not None:
        return item.name
    neighbour = next((n.name for n in region.neighbours if n.id == name), None)
    if neighbour is not None:
        return neighbour
    screen = desk.catalogue.screens.get(name)
    if screen is not None:
        return f"Safety: {screen.name}"
    row = desk.evidence.findings.get((problem.region, name.partition(":")[0]))
    return region.observable_name(name, row.name) if row else name.replace("-", " ")


def _cautions(desk: Desk, finding: HandsOn, precautions: frozenset[str]) -> tuple[Caution, ...]:
    return tuple(
        Caution(desk.catalogue.precautions[p].name, instead, p in precautions)
        for p, instead in finding.never_if.items()
    )


def _observations(
    finding: HandsOn, given: Mapping[str, object], both: tuple[PositionQuestion, ...]
) -> tuple[ObservationField, ...]:
    """What else can be noted: what both positions showed is asked for where the result is."""
    apart = {q.name for q in both}
    out = []
    for entry in finding.observe:
        label = entry.ask or entry.id.replace("_", " ").replace("-", " ").capitalize()
        places = (
            [(f".{p.id}", p.name or p.id.replace("-", " ")) for p in finding.positions] if entry.per else [("", "")]
        )
        for suffix, where in places:
            name = entry.id + suffix
            if name in apart:
                continue
            out.append(
                ObservationField(
                    OBSERVED + name,
                    f"{label}, {where}" if where else label,
                    entry.choose,
                    bool(entry.scale),
                    entry.unit,
                    _noted(given.get(name, "")),
                )
            )
    return tuple(out)


def _noted(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _sources(desk: Desk, problem: ProblemState, observable: str) -> tuple[Source, ...]:
    region = desk.catalogue.region(problem.region)
    out = []
    for name, condition in desk.evidence.pairs(problem.region):
        if name != observable:
            continue
        entry = region.conditions.get(condition)
        found = desk.pooled(observable, condition)
        if found is None:
            continue
        out.append(
            Source(
                condition,
                entry.plain if entry else condition.replace("-", " "),
                found.sentence,
                _ratio(found.lr_positive),
                _ratio(found.lr_negative),
                f"{words.plural(found.k, 'study', 'studies')}, {found.n} people",
                f"/evidence/{problem.region}/{observable}/{condition}",
            )
        )
    return tuple(out)


def _ratio(interval: Interval) -> str:
    return f"{words.ratio(interval.mean)} ({words.ratio(interval.low)} to {words.ratio(interval.high)})"


def _recorded(recorded: Recorded) -> RecordedView:
    event = recorded.event
    return RecordedView(
        recorded.made.seq, recorded.result, result_words(recorded), recorded.side, recorded.made.actor,
        f"{recorded.made.at.astimezone():%H:%M}", event.pain, event.symptoms_before, event.own_pain,
        bool(event.guarding),
        event.confidence, event.not_done_because or "", "imaging" in event.blind_to,
    )  # fmt: skip
