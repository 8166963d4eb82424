"""This visit beside the last one: findings, ranges, strength, pain, activities, with measurement error where published.

A change is called one only where it reaches the published smallest change beyond measurement error; where none was read
the difference stands by itself and the document says so.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from endfeel.catalogue import Catalogue
from endfeel.catalogue.base_examination import ReliableChange
from endfeel.documents.names import Names
from endfeel.documents.note import CAUTIONS, who_line
from endfeel.documents.said_history import is_history
from endfeel.documents.sections import flat, rule_under
from endfeel.documents.wording import RESULTS, day, listed, number, side_and_region, side_words
from endfeel.evidence import EvidenceBase, load_evidence
from endfeel.visits.events import Side
from endfeel.visits.problem import ProblemState
from endfeel.visits.state import VisitState

Kind = Literal["comparable sign", "range", "strength", "pain", "activity", "measure"]
KIND_TITLES: Mapping[Kind, str] = {
    "activity": "Activities, 0 can not to 10 as before",
    "comparable sign": "Comparable signs, pain 0 to 10",
    "pain": "Pain with tests, 0 to 10",
    "range": "Range",
    "strength": "Strength, grade 0 to 5 unless a unit is given",
    "measure": "Other measures",
}
NO_ERROR = "measurement error not known"


class ComparisonError(ValueError):
    """The visits can't be compared; the message is one line."""


@dataclass(frozen=True)
class Compared:
    """One number at both visits. before, now: None where it was not measured. error: smallest change beyond error."""

    kind: Kind
    what: str
    side: str
    unit: str
    before: float | None
    now: float | None
    error: float | None
    source: str
    words: str

    @property
    def change(self) -> float | None:
        """Now less before; None where one is missing."""
        return None if self.before is None or self.now is None else self.now - self.before


@dataclass(frozen=True)
class ResultChange:
    """A finding's result at both visits; empty where it was not done."""

    what: str
    before: str
    now: str


@dataclass(frozen=True)
class Comparison:
    """Two visits side by side. sources: citations of the measurement errors used. remarks: what to bear in mind."""

    title: str
    who: str
    before_on: str
    now_on: str
    rows: tuple[Compared, ...]
    results: tuple[ResultChange, ...]
    sources: tuple[str, ...]
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]
    code: str
    visit_ids: tuple[str, str]

    def of_kind(self, kind: Kind) -> tuple[Compared, ...]:
        """Rows of one kind."""
        return tuple(row for row in self.rows if row.kind == kind)


def comparison(
    before: VisitState,
    now: VisitState,
    catalogue: Catalogue,
    problem_id: str,
    *,
    evidence: EvidenceBase | None = None,
    zone: dt.tzinfo = dt.UTC,
) -> Comparison:
    """A problem of this visit beside the same region and side at an earlier one.

    ComparisonError where the earlier visit has no such problem, is of another patient or is the later one. KeyError
    where this visit has no such problem.
    """
    problem = now.problems[problem_id]
    earlier = _same(problem, before, now)
    names = Names(catalogue, evidence or load_evidence(), problem.region)
    rows = (*_activities(earlier, problem), *_pains(earlier, problem, names), *_measured(earlier, problem, names))
    return Comparison(
        title=f"{side_and_region(problem.side, problem.region)}: last time and now",
        who=who_line(now, now.last_at.date()),
        before_on=day(before.opened_at.astimezone(zone)),
        now_on=day(now.opened_at.astimezone(zone)),
        rows=tuple(rows),
        results=_results(earlier, problem, names),
        sources=tuple(dict.fromkeys(row.source for row in rows if row.source)),
        remarks=_remarks(before, now, rows),
        cautions=CAUTIONS[:1],
        code=now.opened.patient_code,
        visit_ids=(before.visit_id, now.visit_id),
    )


def comparison_text(comparison: Comparison) -> str:
    """The comparison as plain text."""
    out = [rule_under(comparison.title, "="), comparison.who]
    out.append(f"Last time: {comparison.before_on}. Now: {comparison.now_on}.")
    for kind, title in KIND_TITLES.items():
        rows = comparison.of_kind(kind)
        if rows:
            out += ["", rule_under(title, "-")]
            out += [f"  {_name(r)}: {shown(r.before, r.unit)}, now {shown(r.now, r.unit)}; {r.words}" for r in rows]
    if comparison.results:
        out += ["", rule_under("Results of findings", "-")]
        out += [f"  {r.what}: {r.before or 'not done'}, now {r.now or 'not done'}" for r in comparison.results]
    if comparison.sources:
        out += ["", rule_under("Measurement error read in", "-"), *(f"  {s}" for s in comparison.sources)]
    return "\n".join([*out, "", *comparison.remarks, *comparison.cautions]) + "\n"


def shown(value: float | None, unit: str) -> str:
    """A number with its unit, or that it was not measured."""
    if value is None:
        return "not measured"
    return f"grade {number(value)}" if unit == "grade" else f"{number(value)} {unit}".strip()


def change_words(before: float | None, now: float | None, error: ReliableChange | None, unit: str = "") -> str:
    """What may be said of a difference: beyond error, within it, or that the error is not known."""
    if before is None or now is None:
        return "no pair to compare"
    change = round(now - before, 6)
    sign = "+" if change > 0 else "\N{MINUS SIGN}"
    bare = unit in ("grade", "of 10")
    said = f"{sign}{number(abs(change))} {'' if bare else unit}".strip() if change else "no difference"
    if error is None or error.unit != unit:
        return f"{said}; {NO_ERROR}"
    limit = f"{number(error.value)} {error.unit}"
    if abs(change) >= error.value:
        return f"{said}: a change, beyond measurement error ({limit})"
    return f"{said}: within measurement error ({limit})"


def _name(row: Compared) -> str:
    return f"{row.what}, {row.side}" if row.side else row.what


def _same(problem: ProblemState, before: VisitState, now: VisitState) -> ProblemState:
    if before.opened.patient_code != now.opened.patient_code:
        raise ComparisonError(
            f"visit {before.visit_id} is of another patient code than visit {now.visit_id}: choose a visit of the same"
        )
    if before.opened_at > now.opened_at:
        raise ComparisonError(f"visit {before.visit_id} is later than visit {now.visit_id}: give the earlier one first")
    for earlier in before.problems.values():
        if (earlier.region, earlier.side) == (problem.region, problem.side):
            return earlier
    where = side_and_region(problem.side, problem.region)
    raise ComparisonError(f"visit {before.visit_id} has no problem “{where}”: choose a visit that has")


def _activities(before: ProblemState, now: ProblemState) -> Iterable[Compared]:
    was = {_key(a.name): a for a in before.story.activities or ()}
    is_now = {_key(a.name): a for a in now.story.activities or ()}
    for key in dict.fromkeys((*is_now, *was)):
        first, second = was.get(key), is_now.get(key)
        name = flat((second or first).name)  # type: ignore[union-attr]
        yield _compared("activity", name, "", "of 10", first.score if first else None, second.score if second else None)


def _pains(before: ProblemState, now: ProblemState, names: Names) -> Iterable[Compared]:
    for key in dict.fromkeys((*now.findings, *before.findings)):
        was, is_now = before.findings.get(key), now.findings.get(key)
        pains = (was.event.pain if was else None, is_now.event.pain if is_now else None)
        if pains == (None, None):
            continue
        own = any(r is not None and r.event.own_pain for r in (was, is_now))
        kind: Kind = "comparable sign" if own else "pain"
        yield _compared(kind, names.observable(key[0]), side_words(key[1]), "of 10", *pains)


def _measured(before: ProblemState, now: ProblemState, names: Names) -> Iterable[Compared]:
    values: dict[tuple[str, Side, str], list[float | None]] = {}
    for place, problem in enumerate((before, now)):
        for item, side, unit, value in _numbers(problem, names):
            values.setdefault((item, side, unit), [None, None])[place] = value
    for (item, side, unit), (was, is_now) in values.items():
        entry = names.region.item(item) if names.region else None
        kind: Kind = "measure"
        if entry is not None and (entry.kind in ("resisted", "power") or unit == "grade"):
            kind = "strength"
        elif unit == "degrees":
            kind = "range"
        error = entry.reliable_change if entry else None
        yield _compared(kind, names.base_item(item), side_words(side), unit, was, is_now, error)


def _numbers(problem: ProblemState, names: Names) -> Iterable[tuple[str, Side, str, float]]:
    for (item, side), found in problem.base.items():
        if found.event is not None and found.event.value is not None:
            entry = names.region.item(item) if names.region else None
            unit = found.event.unit or (entry.measure if entry else "")
            yield item, side, "grade" if unit.startswith("grade") else unit, found.event.value
    for (measure, side), event in problem.measures.items():
        yield measure, side, event.unit, event.value


def _compared(
    kind: Kind,
    what: str,
    side: str,
    unit: str,
    before: float | None,
    now: float | None,
    error: ReliableChange | None = None,
) -> Compared:
    fits = error if error is not None and error.unit == unit else None
    words = change_words(before, now, error, unit)
    return Compared(
        kind, what, side, unit, before, now, fits.value if fits else None, fits.source if fits else "", words
    )


def _results(before: ProblemState, now: ProblemState, names: Names) -> tuple[ResultChange, ...]:
    found = []
    for key in dict.fromkeys((*now.findings, *before.findings)):
        if is_history(names, key[0]):
            continue
        was, is_now = before.findings.get(key), now.findings.get(key)
        side = side_words(key[1])
        what = f"{names.observable(key[0])}, {side}" if side else names.observable(key[0])
        found.append(ResultChange(what, RESULTS[was.result] if was else "", RESULTS[is_now.result] if is_now else ""))
    return tuple(found)


def _remarks(before: VisitState, now: VisitState, rows: Iterable[Compared]) -> tuple[str, ...]:
    remarks = []
    people = [{flat(e.stored.actor) for e in state.history} for state in (before, now)]
    if people[0] != people[1]:
        remarks.append(
            f"Examined by {listed(sorted(people[0]))} last time and by {listed(sorted(people[1]))} now: "
            "two people differ by more than one does."
        )
    if any(row.error is None and row.change is not None for row in rows):
        remarks.append(
            "Where the measurement error is not known, no source was read: a difference is then a hint, not a change."
        )
    return tuple(remarks)


def _key(name: str) -> str:
    return flat(name).casefold()
