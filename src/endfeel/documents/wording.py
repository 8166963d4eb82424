"""Chances, days, sides and results in the words of a document.

A chance is a count out of ten between about 1 in 14 and 19 in 20, and one in many outside of that: a count is read
faster than a percentage and does not look more exact than it is.
"""

from __future__ import annotations

import datetime as dt
import re

from endfeel.catalogue.conditions import Modality, Urgency
from endfeel.catalogue.screens import SendsFor
from endfeel.visits.events import Action, Result, Side

REGION_NAMES = {
    "cervical": "neck",
    "shoulder": "shoulder",
    "elbow-wrist-hand": "elbow, wrist, hand",
    "lumbar-pelvis": "low back, pelvis",
    "hip": "hip",
    "knee": "knee",
    "ankle-foot": "ankle, foot",
}
POSITIONS = {
    "any": "In any position",
    "standing": "Standing",
    "walking": "Walking",
    "sitting": "Sitting",
    "supine": "Lying face up",
    "side-lying": "Lying on the side",
    "prone": "Lying face down",
}
SETTINGS = {
    "primary": "primary care",
    "secondary": "secondary care",
    "tertiary": "tertiary care",
    "sports": "sports clinic",
    "emergency": "emergency department",
    "military": "military clinic",
    "mixed": "clinics of several kinds",
}
RESULTS: dict[Result, str] = {
    "negative": "negative",
    "positive": "positive",
    "unclear": "unclear",
    "not-done": "not done",
}
ACTIONS: dict[Action, str] = {
    "send-now": "send now",
    "look-further": "look further",
    "start-care": "start care and look again",
    "set-aside": "set aside for now",
}
SENDS_FOR: dict[SendsFor, str] = {
    "emergency": "emergency",
    "same-day": "same day",
    "urgent": "urgent",
    "film-first": "film first",
}
URGENCIES: dict[Urgency, str] = {
    "emergency": "emergency",
    "same-day": "same day",
    "urgent": "urgent",
    "soon": "soon",
    "routine": "routine",
}
_ONE_IN = (1000, 500, 200, 100, 50, 30, 20, 15)


def chance_words(p: float) -> str:
    """A chance (0 to 1): "about 6 in 10", "about 1 in 50", "less than 1 in 1000"."""
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


def range_words(low: float, high: float, p: float) -> str:
    """The range of a chance: "3 to 8" where the chance itself is said in tenths, else with its own denominator.

    A range too narrow for tenths is said in hundredths.
    """
    lowest, highest = round(low * 10), round(high * 10)
    if high < 0.095 or lowest == highest:
        least, most = round(low * 100), max(1, round(high * 100))
        return f"{least} to {most} in 100" if least < most else f"{most} in 100"
    return f"{lowest} to {highest}" if 0.07 <= p <= 0.95 else f"{lowest} to {highest} in 10"


def chance_line(p: float, low: float, high: float) -> str:
    """Chance and range in one: "about 6 in 10 (3 to 8)"."""
    return f"{chance_words(p)} ({range_words(low, high, p)})"


def percent(p: float) -> str:
    """A chance as a number for a record: "59 %", "0.4 %"."""
    hundred = 100 * p
    return f"{hundred:.1f} %" if hundred < 1 or hundred > 99 else f"{hundred:.0f} %"


def percent_line(p: float, low: float, high: float) -> str:
    """A chance and its range as numbers: "59 % (31 % to 80 %)"."""
    return f"{percent(p)} ({percent(low)} to {percent(high)})"


def side_and_region(side: Side, region: str) -> str:
    """ "Right knee", "Neck", "Hip, both sides"."""
    name = REGION_NAMES.get(region, region.replace("-", " "))
    if side in ("left", "right"):
        return f"{side.capitalize()} {name}"
    return capital(name) + (", both sides" if side == "both" else "")


def side_words(side: Side) -> str:
    """ "left", "both sides"; empty where a finding has no side."""
    return {"both": "both sides", "none": ""}.get(side, side)


def day(value: dt.date | dt.datetime) -> str:
    """A date for a reader: "4 March 2026"."""
    return f"{value.day} {_MONTHS[value.month - 1]} {value.year}"


def moment(value: dt.datetime, zone: dt.tzinfo = dt.UTC) -> str:
    """A moment in a time zone: "4 March 2026, 14:05 UTC"."""
    local = value.astimezone(zone)
    return f"{day(local)}, {local:%H:%M} {local.tzname() or ''}".rstrip()


def capital(words: str) -> str:
    """The first letter as a capital, the rest as it is."""
    return words[:1].upper() + words[1:]


def lower(words: str) -> str:
    """The first letter small, unless the word is one of initials."""
    return words if words[:2].isupper() else words[:1].lower() + words[1:]


def name_of_id(identifier: str) -> str:
    """An id as words, for what has no name of its own."""
    return identifier.replace("-", " ").replace("_", " ")


def plural(n: int, one: str, many: str | None = None) -> str:
    """ "1 finding", "3 findings"."""
    return f"{n} {one if n == 1 else (many or one + 's')}"


def number(value: float) -> str:
    """A measured number without needless digits."""
    return f"{value:g}"


def listed(words: list[str] | tuple[str, ...]) -> str:
    """Several things in a row: "a, b and c"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def modality_name(modality: Modality | None, identifier: str) -> str:
    """A way of looking further, by its name where the catalogue has it."""
    return modality.name if modality else name_of_id(identifier)


def clean(text: str) -> str:
    """Text that any reader can show: one kind of line break, no tabs, no control or half characters."""
    lined = re.sub(r"\r\n?|[\x0b\x0c\x85\u2028\u2029]", "\n", text).replace("\t", "    ")
    return _UNSEEN.sub("\N{REPLACEMENT CHARACTER}", lined)


# Controls, lone halves of surrogate pairs, and code points that are no characters.
_UNSEEN = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")
_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def _nearest(many: float) -> int:
    return min(_ONE_IN, key=lambda n: abs(n - many) / n)
