"""Chances, days and sides in words, the same on every page.

Public: chance, chance_range, chance_line, region, side_and_region, day_count, day, ratio, percent, plural.

A chance is given as a count out of ten between 1 in 20 and 19 in 20, and as one in many outside of that, because at
the table a count is read faster than a percentage and does not look more exact than it is.
"""

from __future__ import annotations

from datetime import date, datetime

_ONE_IN = (1000, 500, 200, 100, 50, 30, 20)


def chance(p: float) -> str:
    """A chance as words: “about 6 in 10”, “about 1 in 50”, “less than 1 in 1000”."""
    if not 0.0 <= p <= 1.0:
        raise ValueError(f"a chance lies between 0 and 1, not {p}")
    if p < 1 / 1000:
        return "less than 1 in 1000"
    if p > 1 - 1 / 1000:
        return "more than 999 in 1000"
    if p < 0.07:
        return f"about 1 in {_nearest(1 / p)}"
    if p > 0.95:
        many = _nearest(1 / (1 - p))
        return f"about {many - 1} in {many}"
    return f"about {max(1, min(9, round(p * 10)))} in 10"


def chance_range(low: float, high: float, p: float) -> str:
    """The range of a chance, “3 to 8” where the chance itself is said in tenths, else with its own denominator."""
    if high < 0.095:
        return f"{round(low * 100)} to {max(1, round(high * 100))} in 100"
    lowest, highest = round(low * 10), round(high * 10)
    tenths = f"{lowest} to {highest}" if lowest < highest else f"{lowest}"
    return tenths if 0.07 <= p <= 0.95 else f"{tenths} in 10"


def chance_line(p: float, low: float, high: float) -> str:
    """Chance and range in one: “about 6 in 10 (3 to 8)”."""
    return f"{chance(p)} ({chance_range(low, high, p)})"


_REGIONS = {
    "cervical": "Neck",
    "shoulder": "Shoulder",
    "elbow-wrist-hand": "Elbow, wrist, hand",
    "lumbar-pelvis": "Low back, pelvis",
    "hip": "Hip",
    "knee": "Knee",
    "ankle-foot": "Ankle, foot",
}


def region(name: str) -> str:
    """A region's name for a reader: “Low back, pelvis”."""
    return _REGIONS.get(name, name.replace("-", " ").capitalize())


def side_and_region(side: str, region_id: str) -> str:
    """“Right knee”, “Neck”, “Hip, both sides”."""
    name = region(region_id)
    if side in ("left", "right"):
        return f"{side.capitalize()} {name[0].lower()}{name[1:]}"
    return f"{name}, both sides" if side == "both" else name


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


def day(value: date | datetime) -> str:
    """A date for a reader, “4 March 2026”."""
    return f"{value.day} {value:%B %Y}"


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


def plural(n: int, one: str, many: str | None = None) -> str:
    """“1 finding”, “3 findings”."""
    return f"{n} {one if n == 1 else (many or one + 's')}"


def _nearest(many: float) -> int:
    return min(_ONE_IN, key=lambda n: abs(n - many) / n)
