"""One frozen model per table of docs/evidence-protocol.md: columns, types, allowed words.

Empty cells become None; `;` lists become tuples. `region` and `line` say where a row stands.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

Setting = Literal["primary", "secondary", "tertiary", "sports", "emergency", "military", "mixed"]
Sampling = Literal["consecutive", "random", "convenience", "two-gate", "unclear"]
ReferenceStandard = Literal[
    "arthroscopy", "surgery", "mri", "mr-arthrography", "ct", "ultrasound", "radiograph", "diagnostic-injection",
    "electrodiagnostic", "clinical-follow-up", "composite", "other",
]
Blinding = Literal["yes", "no", "unclear"]
Basis = Literal["counts", "derived", "solved", "approx"]
SourceKind = Literal["paper-table", "paper-text", "abstract", "review-table"]
FindingKind = Literal[
    "history", "observation", "palpation", "range-of-motion", "strength", "laxity", "provocation", "neurodynamic",
    "neurological", "functional", "imaging", "laboratory",
]
Position = Literal["standing", "sitting", "supine", "side-lying", "prone", "walking", "any"]
Counting = Literal["main-diagnosis", "on-reference", "on-imaging", "injection-relief", "clinical-label"]
Selector = Literal[
    "suspected", "imaging-referred", "surgery", "injection-block", "positive-finding", "negative-finding",
    "decision-rule", "other-injury", "other-disease", "volunteers", "acute-trauma", "sport", "specialist-referral",
    "none",
]

LARGEST_COUNT = 2**53


def _blank(value: Any) -> Any:
    return None if isinstance(value, str) and not value.strip() else value


def _listed(value: Any) -> Any:
    return tuple(part.strip() for part in value.split(";") if part.strip()) if isinstance(value, str) else value


def _yes(value: Any) -> Any:
    return {"yes": True, "no": False}.get(value, value) if isinstance(value, str) else value


Slug = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")]
StudyId = Annotated[str, Field(pattern=r"^(pmid-\d+|doi-10\..+|ref-[a-z0-9-]+)$")]
Text = Annotated[str, Field(min_length=1)]
Words = Annotated[str | None, BeforeValidator(_blank)]
Count = Annotated[int, Field(ge=0, le=LARGEST_COUNT)]
OptionalCount = Annotated[Annotated[int, Field(ge=0, le=LARGEST_COUNT)] | None, BeforeValidator(_blank)]
Fraction = Annotated[float, Field(ge=0, le=1)]
OptionalFraction = Annotated[Annotated[float, Field(ge=0, le=1)] | None, BeforeValidator(_blank)]
OptionalNumber = Annotated[Annotated[float, Field(ge=0)] | None, BeforeValidator(_blank)]
SlugList = Annotated[tuple[str, ...], BeforeValidator(_listed)]
YesNo = Annotated[bool, BeforeValidator(_yes)]


class Row(BaseModel):
    """What every row has: the region it belongs to and its line in the file (the header is line 1)."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    region: str
    line: int = 0


class StudyRow(Row):
    """One published study."""

    study_id: StudyId
    citation: Text
    year: Annotated[int, Field(ge=1850, le=2100)]
    doi: Annotated[Annotated[str, Field(pattern=r"^10\.")] | None, BeforeValidator(_blank)] = None
    pmid: Annotated[Annotated[str, Field(pattern=r"^\d+$")] | None, BeforeValidator(_blank)] = None
    country: Words = None
    setting: Setting
    sampling: Sampling
    reference_standard: ReferenceStandard
    index_blind: Blinding
    reference_blind: Blinding
    proposes_test: YesNo
    n_total: OptionalCount = None
    age_mean: OptionalNumber = None


class _Read(Row):
    source_url: Text
    source_kind: SourceKind
    read_at: Text


class _Reading(_Read):
    study_id: StudyId
    finding_id: Slug
    observable_id: Text
    condition_id: Slug

    @model_validator(mode="after")
    def _observable_belongs_to_finding(self) -> _Reading:
        if self.observable_id.split(":")[0] != self.finding_id:
            raise ValueError(f"observable_id {self.observable_id!r} does not begin with its finding_id")
        return self


class AccuracyRow(_Reading):
    """One study, one observable, one condition: the four counts."""

    condition_detail: Words = None
    criterion: Text
    tp: Count
    fp: Count
    fn: Count
    tn: Count
    sens_printed: OptionalFraction = None
    spec_printed: OptionalFraction = None
    basis: Basis

    @property
    def diseased(self) -> int:
        """People with the condition."""
        return self.tp + self.fn

    @property
    def healthy(self) -> int:
        """People without the condition."""
        return self.fp + self.tn


class RatesRow(_Reading):
    """One study, one observable, one condition: printed rates and the total, but not the split."""

    citation: Text
    year: Annotated[int, Field(ge=1850, le=2100)]
    criterion: Text
    sens_printed: Fraction
    spec_printed: Fraction
    n_total: Annotated[int, Field(ge=2, le=LARGEST_COUNT)]
    prevalence_printed: OptionalFraction = None
    reference_standard: ReferenceStandard


class FindingRow(Row):
    """One history item, sign or test."""

    finding_id: Slug
    name: Text
    also_called: SlugList = ()
    kind: FindingKind
    patient_position: Position
    loads: SlugList
    provocation: Annotated[int, Field(ge=0, le=3)]
    minutes: Annotated[float, Field(gt=0)]
    kappa: Annotated[Annotated[float, Field(ge=-1, le=1)] | None, BeforeValidator(_blank)] = None
    kappa_n: OptionalCount = None
    kappa_source_url: Words = None


class PrevalenceRow(Row):
    """How often a condition was found among stated people."""

    condition_id: Slug
    setting: Setting
    population: Text
    selected_by: Annotated[tuple[Selector, ...], BeforeValidator(_listed)]
    counting: Counting
    age_low: OptionalNumber = None
    age_high: OptionalNumber = None
    n_with: Count
    n_total: Annotated[int, Field(ge=1, le=LARGEST_COUNT)]
    study_id: Words = None
    source_url: Text

    @model_validator(mode="after")
    def _part_of_whole(self) -> PrevalenceRow:
        if self.n_with > self.n_total:
            raise ValueError(f"n_with {self.n_with} is more than n_total {self.n_total}")
        return self


class CombinationRow(Row):
    """A published result of several findings read together."""

    study_id: StudyId
    citation: Text
    condition_id: Slug
    finding_ids: SlugList = ()
    at_least: OptionalCount = None
    rule: Text
    tp: OptionalCount = None
    fp: OptionalCount = None
    fn: OptionalCount = None
    tn: OptionalCount = None
    sens_printed: OptionalFraction = None
    spec_printed: OptionalFraction = None
    lr_pos_printed: OptionalNumber = None
    lr_neg_printed: OptionalNumber = None
    prevalence_printed: Words = None
    individual_rows: YesNo
    source_url: Text
    read_at: Text

    @property
    def with_condition(self) -> tuple[int, int] | None:
        """(with the condition, all) where prevalence_printed gives two whole numbers ("36 of 71", "70/689")."""
        found = re.match(r"^\s*(\d+)\s*(?:of|/)\s*(\d+)", self.prevalence_printed or "")
        return (int(found[1]), int(found[2])) if found else None

    @property
    def prevalence(self) -> float | None:
        """Fraction with the condition, from any of the forms a source prints it in; None where none was printed."""
        if self.with_condition:
            return self.with_condition[0] / self.with_condition[1]
        found = re.match(r"^\s*(\d*\.?\d+)\s*(per ?cent|%)?", self.prevalence_printed or "")
        if not found:
            return None
        value = float(found[1]) / (100 if found[2] else 1)
        return value if 0 <= value <= 1 else None
