"""Work out a result from raw observations by the catalogue's criterion."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from endfeel.catalogue.entries import Finding, HandsOn, HistoryItem
from endfeel.catalogue.expression import Value, parse

Settled = Literal["negative", "positive", "unclear"]


def work_out(
    finding: Finding,
    observations: Mapping[str, Value],
    other_results: Mapping[str, str] | None = None,
    reading: str | None = None,
) -> Settled:
    """The result of a finding, or of one reading of it.

    observations: by observation id (`id.position` in a two-position test; `answer` for a history item).
    other_results: results of other findings by id, for criteria that depend on them.
    ValueError in one clear line where an observation is none that the finding has, or an answer none of its answers.
    """
    if isinstance(finding, HistoryItem):
        answer = observations.get("answer")
        if answer is None or answer == "":
            return "unclear"
        if answer not in finding.answers:
            raise ValueError(f"{finding.id}: {answer!r} is none of its answers ({'; '.join(finding.answers)})")
        return "positive" if answer in finding.positive else "negative" if answer in finding.negative else "unclear"
    if not isinstance(finding, HandsOn):
        return "unclear"
    _check(finding, observations)
    coarse = finding.readings.get(reading or "")
    if coarse and coarse.any_of and finding.rule(reading) is None:
        parts = [work_out(finding, observations, other_results, part) for part in coarse.any_of]
        return "positive" if "positive" in parts else "negative" if set(parts) == {"negative"} else "unclear"
    rule = finding.rule(reading)
    if rule is None:
        return "unclear"
    values: dict[str, Value] = {**(other_results or {}), **_positions_done(finding, observations), **observations}
    for result, expression in rule.expressions():
        if expression.holds(values):
            return result  # type: ignore[return-value]
    return rule.otherwise


def derive(item: HistoryItem, known: Mapping[str, Value]) -> Settled:
    """The result of a history item that follows from what is known (age, sex, days_since_injury, trauma)."""
    if item.derived is None:
        return "unclear"
    expression = parse(item.derived)
    if any(known.get(name) in (None, "") for name in expression.names):
        return "unclear"
    return "positive" if expression.holds(known) else "negative"


def _positions_done(finding: HandsOn, observations: Mapping[str, Value]) -> dict[str, Value]:
    if not finding.positions:
        return {}
    seen = {name.partition(".")[2] for name, value in observations.items() if value not in ("", None)}
    done: dict[str, Value] = {f"done.{p.id}": p.id in seen for p in finding.positions}
    return {**done, "done.both": all(done.values())}


def _check(finding: HandsOn, observations: Mapping[str, Value]) -> None:
    choices = {o.id: o.choose for o in finding.observe}
    names = finding.observation_names()
    for name, value in observations.items():
        if name not in names:
            raise ValueError(f"{finding.id}: no observation {name!r} (it has {', '.join(sorted(names))})")
        allowed = choices.get(name.split(".")[0])
        if allowed and value not in ("", None) and value not in allowed:
            raise ValueError(f"{finding.id}: {name} can not be {value!r} (one of {'; '.join(allowed)})")
