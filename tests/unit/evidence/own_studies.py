"""Invented studies of a clinic for the tests of the overlay: they lie over the shipped tables."""

from __future__ import annotations

from endfeel.evidence import AccuracyRow, RatesRow, StudyRow
from endfeel.evidence.overlay import OwnStudy

READ = {"source_url": "https://example.org/own", "source_kind": "paper-table", "read_at": "Table 2"}


def study_row(study_id: str = "ref-own-2025", region: str = "knee", **fields: object) -> StudyRow:
    """One invented study."""
    given: dict[str, object] = {
        "region": region, "study_id": study_id, "citation": "Own series, not published", "year": 2025,
        "setting": "primary", "sampling": "consecutive", "reference_standard": "mri", "index_blind": "yes",
        "reference_blind": "yes", "proposes_test": "no",
    }  # fmt: skip
    return StudyRow.model_validate({**given, **fields})


def counts(
    tp: int = 30, fp: int = 5, fn: int = 6, tn: int = 70, *, study_id: str = "ref-own-2025", region: str = "knee",
    observable: str = "lachman", condition: str = "acl-tear", **fields: object,
) -> AccuracyRow:  # fmt: skip
    """One invented accuracy line."""
    given: dict[str, object] = {
        "region": region, "study_id": study_id, "finding_id": observable.split(":")[0], "observable_id": observable,
        "condition_id": condition, "criterion": "no firm stop", "tp": tp, "fp": fp, "fn": fn, "tn": tn,
        "basis": "counts", **READ,
    }  # fmt: skip
    return AccuracyRow.model_validate({**given, **fields})


def rates(sens: float, spec: float, total: int, study_id: str = "ref-own-2025", **fields: object) -> RatesRow:
    """One invented rates line."""
    given: dict[str, object] = {
        "region": "knee", "study_id": study_id, "citation": "Own series", "year": 2025, "finding_id": "lachman",
        "observable_id": "lachman", "condition_id": "acl-tear", "criterion": "no firm stop", "sens_printed": sens,
        "spec_printed": spec, "n_total": total, "reference_standard": "mri", **READ,
    }  # fmt: skip
    return RatesRow.model_validate({**given, **fields})


def own(*lines: AccuracyRow, study_id: str = "ref-own-2025", **fields: object) -> OwnStudy:
    """One invented study with its lines."""
    return OwnStudy(study_id, study_row(study_id, **fields), lines or (counts(study_id=study_id),))
