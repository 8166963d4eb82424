"""What was looked at, measured and tested, as lines of a note."""

from __future__ import annotations

from endfeel.documents.figures import ProblemFigures, SkippedFigure
from endfeel.documents.names import Names
from endfeel.documents.said_history import is_history
from endfeel.documents.sections import Line, Weight
from endfeel.documents.wording import POSITIONS, RESULTS, capital, clean, day, listed, number, plural, side_words
from endfeel.visits.events import BaseRecorded, Observed
from endfeel.visits.look_again import look_again
from endfeel.visits.problem import BaseItem, ProblemState, Recorded

_STATES = {"nothing-found": "nothing found", "something-found": "something found"}
_SKIPPED = {
    "would-not-change": "Would not have changed what is done",
    "withheld": "Withheld",
    "not-today": "Not today",
}


def base_lines(problem: ProblemState, names: Names) -> tuple[Line, ...]:
    """Neighbours and base examination, card by card; what was not looked at is named."""
    region = names.region
    known: set[str] = set()
    lines: list[Line] = []
    if region is not None:
        lines.append(Line(label="Neighbours", weight="heading"))
        unchecked = []
        for neighbour in region.neighbours:
            known.add(neighbour.id)
            found = _base_of(problem, neighbour.id)
            lines += [_base_line(item, neighbour.name) for item in found]
            if not found:
                unchecked.append(neighbour.name)
        if unchecked:
            lines.append(Line("; ".join(unchecked), "Not checked", weight="dashed"))
        for card in region.cards:
            lines.append(Line(label=card.title, weight="heading"))
            missed, cleared = [], []
            for entry in card.item:
                known.add(entry.id)
                found = _base_of(problem, entry.id)
                lines += [_base_line(item, entry.name, entry.measure) for item in found if item.event]
                cleared += [_sided(entry.name, side_words(item.side)) for item in found if item.event is None]
                if not found:
                    missed.append(entry.name)
            if cleared:
                lines.append(Line("; ".join(cleared), "Rest of the card, looked at together", "nothing found"))
            if missed:
                whole = len(missed) == len(card.item)
                words = "nothing on this card" if whole else "; ".join(missed)
                lines.append(Line(words, "Not looked at", weight="dashed"))
    stray = [item for (item_id, _), item in problem.base.items() if item_id not in known]
    if stray:
        lines.append(Line(label="Also looked at", weight="heading"))
        ids = {id(item): item_id for (item_id, _), item in problem.base.items()}
        lines += [_base_line(item, names.base_item(ids[id(item)])) for item in stray]
    if problem.measures:
        lines.append(Line(label="Measures", weight="heading"))
        for (measure, side), event in problem.measures.items():
            value = f"{number(event.value)} {event.unit}".strip()
            lines.append(Line("", _sided(names.base_item(measure), side_words(side)), value))
    return tuple(lines)


def finding_lines(problem: ProblemState, names: Names) -> tuple[Line, ...]:
    """Findings with a result, positive or negative, by position, in the order done."""
    done = [r for r in _findings(problem, names) if r.result in ("positive", "negative")]
    if not done:
        return (Line("no finding has a result", weight="dashed"),)
    lines: list[Line] = []
    for position, title in POSITIONS.items():
        here = [r for r in done if _position(r, names) == position]
        if here:
            lines.append(Line(label=title, weight="heading"))
            lines += [finding_line(r, names) for r in here]
    return tuple(lines)


def unclear_lines(problem: ProblemState, names: Names) -> tuple[Line, ...]:
    """Findings that could not be read, and when to look again."""
    due = look_again(problem, names.catalogue)
    again = {a.observable: f"look again between {day(a.first)} and {day(a.last)}" for a in due}
    return tuple(
        finding_line(r, names, again.get(r.observable, "")) for r in _findings(problem, names) if r.result == "unclear"
    )


def not_done_lines(problem: ProblemState, names: Names, figures: ProblemFigures | None) -> tuple[Line, ...]:
    """Findings that were not done, and why: said at the visit, withheld, or because they would not change anything."""
    lines = []
    said = {}
    for recorded in (r for r in problem.findings.values() if r.result == "not-done"):
        because = clean(recorded.event.not_done_because or "") or "reason not given"
        side = side_words(recorded.side)
        said[recorded.observable] = True
        lines.append(Line(because, _sided(names.observable(recorded.observable), side), "not done", "dashed"))
    for finding_id in sorted(problem.withdrawn_findings):
        lines.append(Line("consent was taken back", names.finding(finding_id), "not done", "dashed"))
    for scope in sorted(problem.withdrawn_scopes):
        label = f"Everything under consent to {_SCOPES[scope]}"
        lines.append(Line("consent was taken back", label, "not done", "dashed"))
    done = {r.observable for r in problem.findings.values()} | set(said)
    skipped = [s for s in (figures.skipped if figures else ()) if s.observable not in done]
    for key, title in _SKIPPED.items():
        lines += _grouped(title, [s for s in skipped if s.because == key], names, key)
    for worse in problem.made_worse:
        what = names.observable(worse.finding_id) if worse.finding_id else "the examination"
        settled = worse.settled_in_minutes
        after = "not told when it settled" if settled is None else f"settled in {number(settled)} minutes"
        words = f"symptoms {number(worse.before)} before, {number(worse.after)} after (0 to 10); {after}"
        lines.append(Line(words, f"Made worse by {what}", weight="strong"))
    return tuple(lines)


def finding_line(recorded: Recorded, names: Names, more: str = "") -> Line:
    """One finding: what, side, result, grade, what was seen, under which conditions."""
    event = recorded.event
    told: list[str] = []
    if event.result == "negative" and recorded.result == "unclear":
        told.append("recorded as negative, but the patient guarded: it counts as unclear")
    elif event.guarding:
        told.append("the patient guarded")
    told += [
        _seen(names.observation(event.observable, name), value, names.unit(event.observable, name))
        for name, value in event.observations.items()
    ]
    if event.pain is not None:
        told.append(f"pain {number(event.pain)} of 10")
    if event.own_pain is not None:
        told.append("it is the patient's own pain" if event.own_pain else "it is not the patient's own pain")
    if event.symptoms_before is not None:
        told.append(f"symptoms before it {number(event.symptoms_before)} of 10")
    if event.confidence is not None:
        told.append(f"confidence {event.confidence} of 5")
    if event.blind_to:
        told.append(f"blind to {listed(list(event.blind_to))}")
    if event.rater:
        told.append(f"by {event.rater}" + (f", {clean(event.experience)}" if event.experience else ""))
    if more:
        told.append(more)
    label = _sided(names.observable(event.observable), side_words(recorded.side))
    weight: Weight = "dashed" if recorded.result in ("unclear", "not-done") else "plain"
    return Line("; ".join(told), label, RESULTS[recorded.result], weight)


_SCOPES = {"visit": "the visit", "intimate": "intimate tests", "provoking": "strongly provoking tests"}


def _findings(problem: ProblemState, names: Names) -> list[Recorded]:
    found = (r for r in problem.findings.values() if not is_history(names, r.observable))
    return sorted(found, key=lambda r: r.made.seq)


def _position(recorded: Recorded, names: Names) -> str:
    row = names.row(recorded.observable)
    return row.patient_position if row else "any"


def _base_of(problem: ProblemState, item_id: str) -> list[BaseItem]:
    return [item for (found, _), item in problem.base.items() if found == item_id]


def _base_line(item: BaseItem, name: str, measure: str = "") -> Line:
    words = _base_words(item.event, measure) if item.event else "looked at with the rest of a card"
    return Line(words, _sided(name, side_words(item.side)), _STATES[item.state])


def _base_words(event: BaseRecorded, measure: str) -> str:
    told = []
    if event.value is not None:
        unit = event.unit or measure
        value = number(event.value)
        told.append(f"grade {value}" if unit.startswith("grade") else f"{value} {unit}".strip())
    if event.painful is not None:
        told.append("painful" if event.painful else "not painful")
    if event.weak is not None:
        told.append("weak" if event.weak else "strong")
    if event.end_feel:
        told.append(f"end feel {clean(event.end_feel)}")
    if event.limits:
        told.append(f"limited by {clean(event.limits)}")
    if event.text:
        told.append(clean(event.text))
    return "; ".join(told)


def _grouped(title: str, skipped: list[SkippedFigure], names: Names, key: str) -> list[Line]:
    by_reason: dict[str, list[str]] = {}
    for figure in skipped:
        by_reason.setdefault(figure.words, []).append(names.observable(figure.observable))
    lines = []
    for reason, found in by_reason.items():
        because = "" if key != "withheld" else f"{capital(reason)}: "
        lines.append(Line(because + "; ".join(found), title, plural(len(found), "test"), "dashed"))
    return lines


def _seen(what: str, value: Observed, unit: str) -> str:
    if isinstance(value, bool):
        said = "yes" if value else "no"
    else:
        said = number(value) if isinstance(value, float) else str(value)
    return clean(f"{what}: {said} {unit}".strip())


def _sided(name: str, side: str) -> str:
    return f"{name}, {side}" if side else name
