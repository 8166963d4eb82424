"""Words that only pages need, and those of the documents under the names that the templates use.

Public: chance, chance_range, chance_line, region, side_and_region, day, day_count, ratio, percent, plural, capital.
"""

from __future__ import annotations

from datetime import date

from endfeel.documents.wording import REGION_NAMES, capital, chance_line, day, plural, side_and_region
from endfeel.documents.wording import chance_words as chance
from endfeel.documents.wording import range_words as chance_range

__all__ = [
    "capital",
    "chance",
    "chance_line",
    "chance_range",
    "day",
    "day_count",
    "percent",
    "plural",
    "ratio",
    "region",
    "side_and_region",
]


def region(region_id: str) -> str:
    """A region's name for a reader: “Low back, pelvis”."""
    return capital(REGION_NAMES.get(region_id, region_id.replace("-", " ")))


def day_count(since: date, today: date) -> str:
    """How long ago in the words of a note: “today”, “day 3”, “week 5”, “4 months”. Day 0 is the day itself."""
    days = (today - since).days
    if days <= 0:
        return "today"
    if days < 21:
        return f"day {days}"
    if days < 84:
        return f"week {days // 7}"
    if days < 730:
        return f"{round(days / 30.4)} months"
    return f"{days // 365} years"


def ratio(value: float) -> str:
    """A likelihood ratio with the figures that it deserves: 0.05, 0.4, 2.3, 12, over 100."""
    if value >= 100:
        return "over 100"
    if value >= 10:
        return f"{value:.0f}"
    return f"{value:.1f}" if value >= 0.95 else f"{value:.2f}".rstrip("0").rstrip(".") or "0"


def percent(value: float) -> str:
    """A fraction as per cent, “87 %”."""
    return f"{100 * value:.0f} %"
