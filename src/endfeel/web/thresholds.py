"""Thresholds between the actions, in one phrase.

Public: threshold_words.
"""

from __future__ import annotations

from endfeel.planning.costs import Costs
from endfeel.web import words


def threshold_words(costs: Costs, care_group: str) -> str:
    """“set aside below 1 in 20, start care above 7 in 10, look further between”."""
    found = costs.thresholds(care_group)
    if found.low < found.high:
        return f"set aside below {bare(found.low)}, start care above {bare(found.high)}, look further between"
    return f"start care above {bare(found.high)}, else set aside; no looking further for this alone"


def bare(p: float) -> str:
    """A chance in words without “about”."""
    return words.chance(min(1.0, max(0.0, p))).removeprefix("about ")
