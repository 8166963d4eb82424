"""Irritability from three taps: how little brings it on, how bad it gets, how long it takes to settle.

The rule is ours: that these three decide how much may be provoked is common teaching, the cut-offs are a stated
assumption. It errs towards higher: an answer not given counts as the middle one.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from endfeel.planning.situation import Irritability
from endfeel.visits.events import HowBad, HowLittle, HowLong
from endfeel.visits.problem import ProblemState

FRESH_DAYS = 3  # 72 hours, by the calendar because only the day of the injury is known

RULE = (
    "High if two of three are at their worst, or within 72 hours of an injury. "
    "Low if at least two are at their mildest and none is at its worst. Else moderate, also where nothing was answered."
)

LITTLE_WORDS: Mapping[HowLittle, str] = {
    "little": "a little is enough to bring it on",
    "some": "some activity brings it on",
    "much": "it takes a lot to bring it on",
}
BAD_WORDS: Mapping[HowBad, str] = {
    "mild": "it gets mild",
    "moderate": "it gets moderate",
    "severe": "it gets severe",
}
LONG_WORDS: Mapping[HowLong, str] = {
    "minutes": "it settles within minutes",
    "an-hour": "it settles within an hour or so",
    "hours": "it takes hours or longer to settle",
}
_POINTS: Mapping[str, int] = {
    "much": 0, "some": 1, "little": 2, "mild": 0, "moderate": 1, "severe": 2, "minutes": 0, "an-hour": 1, "hours": 2,
}  # fmt: skip


@dataclass(frozen=True)
class Judged:
    """The level, why in one line, and the rule."""

    level: Irritability
    words: str
    rule: str = RULE


def judge(
    how_little: HowLittle | None,
    how_bad: HowBad | None,
    how_long: HowLong | None,
    days_since_injury: int | None = None,
) -> Judged:
    """The level by the rule. days_since_injury: None where there was no injury or its day is not known."""
    said = [
        *([LITTLE_WORDS[how_little]] if how_little else []),
        *([BAD_WORDS[how_bad]] if how_bad else []),
        *([LONG_WORDS[how_long]] if how_long else []),
    ]
    reason = "; ".join(said) or "not asked, taken as moderate"
    if days_since_injury is not None and days_since_injury <= FRESH_DAYS:
        return Judged("high", f"injured within 72 hours; {reason}" if said else "injured within 72 hours")
    points = [1 if answer is None else _POINTS[answer] for answer in (how_little, how_bad, how_long)]
    if points.count(2) >= 2:
        return Judged("high", reason)
    if points.count(0) >= 2 and 2 not in points:
        return Judged("low", reason)
    return Judged("moderate", reason)


def irritability_of(problem: ProblemState, on: dt.date) -> Judged:
    """The level of a problem on a day."""
    context = problem.context
    days = problem.days_since_onset(on) if problem.story.onset == "injury" else None
    return judge(context.how_little, context.how_bad, context.how_long, days)
