"""What a scan shows by chance, in one line: how many people without symptoms have the same, at the patient's age.

Public: Chanced, Source, chanced, chanced_for, SCANS.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from endfeel.belief.context import YOUNGEST
from endfeel.catalogue import RegionCatalogue
from endfeel.documents.wording import capital, chance_words, listed
from endfeel.evidence.incidental import Fit, IncidentalRow, fitting, load_incidental
from endfeel.visits.problem import ProblemState

MOST = 2
"""Sights told for one scan; the table's order decides which."""

SCANS = {
    "mri": "MRI", "ultrasound": "ultrasound", "ct": "CT", "radiograph": "X-ray", "mr-arthrography": "MRI with dye",
}  # fmt: skip

_PERSONS = ("people", "men", "women")


@dataclass(frozen=True)
class Source:
    """Where a figure was read."""

    citation: str
    url: str
    counted: str


@dataclass(frozen=True)
class Chanced:
    """One sight. words: for the clinician, without its source. plain: the same for the patient."""

    words: str
    plain: str
    sources: tuple[Source, ...]

    @property
    def cited(self) -> str:
        """The words with the citations in brackets, for paper."""
        return f"{self.words.rstrip('.')} ({'; '.join(s.citation for s in self.sources)})."


def chanced(
    rows: Iterable[IncidentalRow],
    region: str,
    modality: str | None,
    conditions: Iterable[str],
    age: int | None,
    sex: str | None = None,
) -> tuple[Chanced, ...] | None:
    """What a scan shows by chance in people like the patient, at most two sights.

    None where the modality is no scan; empty where no source was read for it in this region, or under 16, since
    those who were counted are adults.
    """
    if modality not in SCANS:
        return None
    if age is not None and age < YOUNGEST:
        return ()
    found = fitting(rows, region, modality, conditions, age, sex)
    return tuple(_said(fit, modality, age) for fit in found[:MOST])


def chanced_for(
    problem: ProblemState, region: RegionCatalogue, care_group: str | None, modality: str | None, on: dt.date
) -> tuple[Chanced, ...] | None:
    """What a scan for one kind of care shows by chance in people like the patient; as `chanced`."""
    conditions = [c.id for c in region.conditions.values() if c.care_group == care_group]
    return chanced(load_incidental(), problem.region, modality, conditions, problem.age(on), problem.person.sex)


def _said(fit: Fit, modality: str, age: int | None) -> Chanced:
    first = fit.rows[0]
    who, scan = _who(first.population, _ages(fit, age)), listed([SCANS[m] for m in first.modality])
    scan = scan.replace(" and ", " or ")
    words, plain = f"{_share(fit)} {who} have {first.seen} on {scan}.", f"{_share(fit)} {who} have {first.plain}."
    if fit.high == 0:
        words, plain = f"In {who}, {first.seen} was not seen on {scan}.", f"In {who}, {first.plain} was not seen."
    sources = tuple(dict.fromkeys(Source(r.citation, r.source_url, r.counted) for r in fit.rows))
    return Chanced(words, plain, sources)


def _share(fit: Fit) -> str:
    if round(100 * fit.low) == round(100 * fit.high):
        return capital(chance_words(fit.high))
    return f"Between {round(100 * fit.low)} and {round(100 * fit.high)} in 100"


def _who(population: str, ages: str) -> str:
    """ "people aged 50 to 59 without shoulder symptoms", "knees of people under 40 without symptoms"."""
    if not ages:
        return f"{population} (ages not given)"
    first, _, rest = population.partition(" ")
    return f"{first} {ages} {rest}" if first in _PERSONS else f"{first} of people {ages} {rest}"


def _ages(fit: Fit, age: int | None) -> str:
    """The ages that the figures are of; empty where none was printed."""
    windows = list(dict.fromkeys(w for w in (_window(row) for row in fit.rows) if w))
    if fit.place in ("near", "between"):
        said = " or ".join([windows[0], *(w.removeprefix("aged ") for w in windows[1:])])
        return f"{said} (for {age} nothing was read)"
    if len(windows) < 2:
        return "".join(windows)
    lows, highs = [row.age_low for row in fit.rows], [row.age_high for row in fit.rows]
    if None not in lows and None not in highs:
        return f"aged {min(x for x in lows if x is not None):g} to {max(x for x in highs if x is not None):g}"
    return "of different ages" if age is None else "of that age"


def _window(row: IncidentalRow) -> str:
    low, high = row.age_low, row.age_high
    if low is not None and high is not None:
        return f"aged {low:g} to {high:g}"
    if low is not None:
        return f"aged {low:g} or over"
    return f"under {high + 1:g}" if high is not None else ""
