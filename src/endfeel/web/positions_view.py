"""A test that compares two positions, asked for in two taps: what each position showed; the criterion gives the result.

Public: PositionAnswer, PositionQuestion, asked, both_seen, with_positions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from endfeel.catalogue.entries import Finding, HandsOn, Observation
from endfeel.catalogue.expression import Value
from endfeel.catalogue.result import work_out

_DONE = "done."


@dataclass(frozen=True)
class PositionAnswer:
    """One answer. settles: the first position alone decides, by the criterion."""

    value: str
    settles: bool


@dataclass(frozen=True)
class PositionQuestion:
    """One of the questions, in the order of doing the test. name: the observation's id; scale: answers are 0 to 10."""

    name: str
    label: str
    scale: bool
    answers: tuple[PositionAnswer, ...]


def asked(finding: Finding | None, observable: str) -> tuple[PositionQuestion, ...]:
    """What has to be answered for the criterion to have both positions; nothing where a test has one position only.

    These are the observations that the criterion names. Where it names only a comparison, the first position is asked
    for before it, so that nobody compares with what was not looked at.
    """
    if not isinstance(finding, HandsOn) or not finding.positions:
        return ()
    reading = observable.partition(":")[2] or None
    rule = finding.rule(reading)
    if rule is None:
        return ()
    used = {name for _, expression in rule.expressions() for name in expression.names}
    fields = [field for field in _fields(finding) if field[0] in used]
    if len(fields) == 1 and "." not in fields[0][0]:
        apart = [field for field in _fields(finding) if "." in field[0]]
        fields = sorted(apart, key=lambda field: field[1].id != reading)[:1] + fields
    return tuple(_question(finding, reading, at == 0, *field) for at, field in enumerate(fields))


def both_seen(finding: Finding | None, observable: str, seen: Mapping[str, object]) -> bool:
    """Whether everything that is asked for was answered, or one answer settled it; True where nothing is asked."""
    questions = asked(finding, observable)
    given = {q.name: _said(seen[q.name]) for q in questions if seen.get(q.name) not in (None, "")}
    settled = any(a.settles and given.get(q.name) == a.value for q in questions for a in q.answers)
    return settled or len(given) == len(questions)


def with_positions(finding: Finding, observable: str, seen: Mapping[str, Value]) -> Mapping[str, Value]:
    """What was seen, and, once all is answered, that both positions were done: a comparison was made with both."""
    questions = asked(finding, observable)
    if questions and all(seen.get(q.name) not in (None, "") for q in questions):
        return {**seen, _DONE + "both": True}
    return seen


def _fields(finding: HandsOn) -> list[tuple[str, Observation, str]]:
    """Every observation as (name, entry, words of its position), in table order."""
    out = []
    for entry in finding.observe:
        if entry.per:
            out += [(f"{entry.id}.{p.id}", entry, p.name or p.id.replace("-", " ")) for p in finding.positions]
        else:
            out.append((entry.id, entry, ""))
    return out


def _question(
    finding: HandsOn, reading: str | None, first: bool, name: str, entry: Observation, where: str
) -> PositionQuestion:
    plain = "pain level" if entry.id == "level" else entry.id.replace("_", " ").replace("-", " ")
    label = entry.ask or plain.capitalize()
    values = entry.choose or tuple(map(str, range(11)))

    def settles(value: str) -> bool:
        seen = {name: value if entry.choose else float(value)}
        return first and work_out(finding, seen, None, reading) != "unclear"

    answers = tuple(PositionAnswer(value, settles(value)) for value in values)
    return PositionQuestion(name, f"{label}, {where}" if where else label, not entry.choose, answers)


def _said(value: object) -> str:
    return f"{value:g}" if isinstance(value, (int, float)) and not isinstance(value, bool) else str(value)
