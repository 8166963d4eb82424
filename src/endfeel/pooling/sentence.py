"""One plain sentence about a pooled pair: who was studied, and what a result is worth.

The words for likelihood ratios follow the customary steps 2, 5 and 10 (Jaeschke, Guyatt & Sackett, JAMA
1994;271:703-707); below 1 the sign points the other way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from endfeel.evidence import StudyRow

SMALL_STUDY = 100
LARGE_STUDY = 300

MOST = 0.8
MOST_WORDS = "in eight clinics of ten"
"""The range that the sentence speaks of; the figures beside it give 95 %."""

_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
_STEPS = ((2.0, "nearly useless"), (5.0, "weak"), (10.0, "moderate"))
_SETTINGS = {
    "primary": "primary-care",
    "secondary": "specialist-clinic",
    "tertiary": "specialist-clinic",
    "sports": "sports-clinic",
    "emergency": "emergency-department",
    "military": "military-clinic",
}


@dataclass(frozen=True)
class StudyUse:
    """One study behind a pooled figure: its row where described, people counted, whether only rates were printed."""

    study_id: str
    study: StudyRow | None
    people: int
    rates_only: bool


def strength(ratio: float) -> str:
    """How much a likelihood ratio moves, in words; for a ratio of a negative result pass its inverse.

    From "misleading" (clearly on the wrong side of 1) over "nearly useless", "weak" and "moderate" to "strong".
    """
    if ratio < 0.8:
        return "misleading"
    for limit, word in _STEPS:
        if ratio < limit:
            return word
    return "strong"


def who_was_studied(uses: Sequence[StudyUse]) -> str:
    """The studies in words: number, size, setting, and what weakens their design."""
    count = len(uses)
    if count == 0:
        return "no study, only what findings of its kind lead one to expect"
    sizes = [use.people for use in uses]
    middle = median(sizes)
    size = "large " if middle >= LARGE_STUDY else "mostly small " if middle < SMALL_STUDY else ""
    size = "small " if max(sizes) < SMALL_STUDY else size
    settings = {_SETTINGS.get(use.study.setting, "") if use.study else "" for use in uses}
    setting = next(iter(settings)) + " " if len(settings) == 1 and settings != {""} else ""
    words = f"{_number(count)} {size}{setting}" + ("study" if count == 1 else "studies")
    known = [use.study for use in uses if use.study is not None]
    notes = []
    for flagged, phrase in (
        (sum(s.proposes_test for s in known), "by the test's proposers"),
        (sum(s.sampling == "two-gate" for s in known), "with cases and controls recruited apart"),
        (sum(s.index_blind == "no" for s in known), "with unblinded examiners"),
        (sum(use.rates_only for use in uses), "known only by printed rates"),
    ):
        if flagged:
            notes.append(phrase if count == 1 else f"{'all' if flagged == count else _number(flagged)} {phrase}")
    return ", ".join([words, *notes])


def compose(who: str, worth: str) -> str:
    """The sentence: who was studied, and what a result is worth."""
    return f"{who[0].upper()}{who[1:]}; {worth}."


def worth_of_results(positive: tuple[float, float, float], negative: tuple[float, float, float]) -> str:
    """What each result is worth. positive, negative: mean likelihood ratio and its ends over MOST clinics."""
    mean, low, high = negative
    inverse = (1 / max(mean, 1e-9), 1 / max(high, 1e-9), 1 / max(low, 1e-9))
    return f"{_worth('a positive result', positive, MOST_WORDS)}; {_worth('a negative one', inverse, '')}"


def _worth(result: str, ratios: tuple[float, float, float], clinics: str) -> str:
    middle, least, most = (strength(r) for r in ratios)
    words = f"{result} is {middle} evidence" if middle in ("weak", "moderate", "strong") else f"{result} is {middle}"
    if least == middle == most:
        reach = ""
    elif least == middle:
        reach = f", at best {most}"
    elif most == middle:
        reach = f", at worst {least}"
    else:
        reach = f", anything from {least} to {most}"
    return words + reach + (f" {clinics}" if clinics else "")


def _number(count: int) -> str:
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)
