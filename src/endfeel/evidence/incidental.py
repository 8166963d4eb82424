"""How often scans show something in people without symptoms: the rows of incidental.csv, and which fit a person.

Public: IncidentalRow, Fit, load_incidental, fitting.

The table lies beside the pooled ones and is none of them: nothing is pooled from it, and the fingerprint of the
evidence does not hang on it. docs/evidence-protocol.md says what each column means.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from endfeel.evidence.base import REGIONS
from endfeel.evidence.faults import EvidenceError, Fault
from endfeel.evidence.load import SHIPPED, read_table
from endfeel.evidence.rows import OptionalCount, OptionalFraction, OptionalNumber, Row, SlugList, Text

NAME = "incidental.csv"
TOLERANCE = 0.0151
WIDE = 40.0
"""Years of age, ours: a count over a wider window says little about one age and gives way to a narrower one."""

FAR = 15.0
"""Years, ours: what was counted further than this from the patient's age, on one side only, says nothing of it."""

Scan = Literal["mri", "ultrasound", "ct", "radiograph", "mr-arthrography"]
Place = Literal["at", "between", "all-ages", "near"]


def _scans(value: object) -> object:
    return tuple(part.strip() for part in value.split(";") if part.strip()) if isinstance(value, str) else value


def _blank(value: object) -> object:
    return None if isinstance(value, str) and not value.strip() else value


class IncidentalRow(Row):
    """One printed share (or count) of people without symptoms in whom a scan shows something.

    share is a fraction. age_low, age_high: whole years, both inside; None where open or not printed. sex: of the people
    counted, None for both. conditions: what the same sight would be taken for in a patient.
    """

    modality: Annotated[tuple[Scan, ...], BeforeValidator(_scans)]
    seen: Text
    plain: Text
    conditions: SlugList = ()
    age_low: OptionalNumber = None
    age_high: OptionalNumber = None
    sex: Annotated[Literal["female", "male"] | None, BeforeValidator(_blank)] = None
    share_printed: OptionalFraction = None
    n_with: OptionalCount = None
    n_total: OptionalCount = None
    population: Text
    counted: Text
    citation: Text
    doi: Annotated[Annotated[str, Field(pattern=r"^10\.")] | None, BeforeValidator(_blank)] = None
    pmid: Annotated[Annotated[str, Field(pattern=r"^\d+$")] | None, BeforeValidator(_blank)] = None
    source_url: Text
    source_kind: Literal["paper-table", "paper-text", "abstract", "review-table", "review-text"]
    read_at: Text

    @model_validator(mode="after")
    def _coherent(self) -> IncidentalRow:
        if not self.modality:
            raise ValueError("modality is empty; name the scan")
        if self.age_low is not None and self.age_high is not None and self.age_low > self.age_high:
            raise ValueError(f"age_low {self.age_low:g} is above age_high {self.age_high:g}")
        if self.n_with is not None:
            if not self.n_total:
                raise ValueError("n_with stands without n_total")
            if self.n_with > self.n_total:
                raise ValueError(f"n_with {self.n_with} is more than n_total {self.n_total}")
            counted = self.n_with / self.n_total
            if self.share_printed is not None and abs(counted - self.share_printed) > TOLERANCE:
                raise ValueError(f"share_printed {self.share_printed}, the counts give {counted:.3f}")
        elif self.share_printed is None:
            raise ValueError("neither share_printed nor n_with is given")
        return self

    @property
    def share(self) -> float:
        """The share as printed, else from the counts; 0 to 1."""
        if self.share_printed is not None:
            return self.share_printed
        return (self.n_with or 0) / (self.n_total or 1)

    @property
    def years(self) -> float | None:
        """Width of the printed ages in years: 0 for an open window (under 40), None where no age was printed."""
        if self.age_low is None and self.age_high is None:
            return None
        return self.age_high - self.age_low if self.age_low is not None and self.age_high is not None else 0.0

    def covers(self, age: float) -> bool:
        """Whether an age in whole years lies inside the printed window."""
        return (self.age_low is None or age >= self.age_low) and (self.age_high is None or age <= self.age_high)


@dataclass(frozen=True)
class Fit:
    """What was read of one sight in one kind of people for one person.

    place: "at" where the rows are of that age; "between" where nothing was read at that age, and the rows are the
    nearest below and above; "all-ages" where they are of wide windows or of no printed age, or the age is not known;
    "near" where all that was read is of younger or of older people, and the rows are the nearest, at most FAR away.
    """

    rows: tuple[IncidentalRow, ...]
    place: Place

    @property
    def seen(self) -> str:
        """What was seen."""
        return self.rows[0].seen

    @property
    def low(self) -> float:
        """The smallest share."""
        return min(row.share for row in self.rows)

    @property
    def high(self) -> float:
        """The largest share."""
        return max(row.share for row in self.rows)


def load_incidental(directory: Path | None = None) -> tuple[IncidentalRow, ...]:
    """The rows of incidental.csv in a folder, none where it has no such file; the shipped table where none is given.

    Raises EvidenceError with every fault found: a bad table never half-loads.
    """
    return _shipped() if directory is None else _load(Path(directory))


def fitting(
    rows: Iterable[IncidentalRow],
    region: str,
    modality: str,
    conditions: Iterable[str],
    age: int | None,
    sex: str | None = None,
) -> tuple[Fit, ...]:
    """What a scan shows in people without symptoms who are as old as the patient: what is of that age or between, then
    what is of all ages, each in the table's order; what is only near where there is nothing else.

    conditions: what the scan is asked about; sights that would be taken for one of them, else those that the table
    files under no condition. age in years, None where it is not known: then over all ages. A row of one sex serves that
    sex, and everybody whose sex is not known.
    """
    asked = frozenset(conditions)
    here = [
        row for row in rows
        if row.region == region and modality in row.modality and (row.sex is None or sex not in ("female", "male")
                                                                  or row.sex == sex)
    ]  # fmt: skip
    about = [row for row in here if asked & set(row.conditions)] or [row for row in here if not row.conditions]
    sights: dict[tuple[str, str], list[IncidentalRow]] = {}
    for row in about:
        sights.setdefault((row.seen, row.population), []).append(row)
    fits = [_fit(group, age) for group in sights.values()]
    best = [fit for places in (("at", "between"), ("all-ages",)) for fit in fits if fit.place in places]
    return tuple(best or (fit for fit in fits if fit.rows))


def _fit(rows: Sequence[IncidentalRow], age: int | None) -> Fit:
    aged = tuple(row for row in rows if row.years is not None)
    ageless = tuple(row for row in rows if row.years is None)
    if age is None:
        return Fit(aged or ageless, "all-ages")
    inside = tuple(row for row in aged if row.covers(age))
    narrow = tuple(row for row in inside if (row.years or 0.0) <= WIDE)
    if narrow:
        return Fit(narrow, "at")
    if inside:
        return Fit(inside, "all-ages")
    below = [row for row in aged if row.age_high is not None and row.age_high < age]
    above = [row for row in aged if row.age_low is not None and row.age_low > age]
    nearest_below = max((row.age_high or 0.0 for row in below), default=None)
    nearest_above = min((row.age_low or 0.0 for row in above), default=None)
    near = [row for row in below if row.age_high == nearest_below]
    near += [row for row in above if row.age_low == nearest_above]
    if below and above:
        return Fit(tuple(near), "between")
    if ageless:
        return Fit(ageless, "all-ages")
    away = min(abs(age - limit) for limit in (nearest_below, nearest_above) if limit is not None)
    return Fit(tuple(near) if away <= FAR else (), "near")


@cache
def _shipped() -> tuple[IncidentalRow, ...]:
    return _load(SHIPPED)


def _load(directory: Path) -> tuple[IncidentalRow, ...]:
    path = directory / NAME
    if not path.exists():
        return ()
    faults: list[Fault] = []
    rows = read_table(path, IncidentalRow, None, NAME, faults)
    first: dict[tuple[object, ...], IncidentalRow] = {}
    for row in rows:
        if row.region not in REGIONS:
            faults.append(Fault(NAME, row.line, "region", f"{row.region!r}", f"give one of {', '.join(REGIONS)}"))
        who = (row.population, row.age_low, row.age_high, row.sex)
        key = (row.region, row.modality, row.seen, *who, row.citation, row.read_at)
        if key in first:
            what = f"the same line stands in line {first[key].line} too"
            faults.append(Fault(NAME, row.line, "", what, "keep one of the two"))
        first.setdefault(key, row)
    if faults:
        raise EvidenceError(tuple(faults))
    return tuple(rows)
