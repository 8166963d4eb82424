"""Invented evidence for the pooling tests: findings, studies and lines made from a few figures."""

from __future__ import annotations

from collections.abc import Sequence
from types import MappingProxyType

from endfeel.evidence import AccuracyRow, EvidenceBase, FindingRow, RatesRow, StudyRow

SOURCE = {"source_url": "https://example.org", "source_kind": "paper-table", "read_at": "nowhere"}


def study(number: int, **fields: object) -> StudyRow:
    """One invented study, consecutive and unremarkable unless fields say otherwise."""
    given: dict[str, object] = {
        "region": "knee", "study_id": f"ref-invented-{number}", "citation": "Invented.", "year": 2020,
        "setting": "secondary", "sampling": "consecutive", "reference_standard": "mri", "index_blind": "yes",
        "reference_blind": "yes", "proposes_test": False,
    }  # fmt: skip
    return StudyRow.model_validate({**given, **fields})


def line(
    number: int, tp: int, fp: int, fn: int, tn: int, finding: str = "knee-pull", condition: str = "band-tear",
    basis: str = "counts", criterion: str = "gives way",
) -> AccuracyRow:  # fmt: skip
    """One invented accuracy line of study `number`."""
    return AccuracyRow.model_validate(
        {
            "region": "knee", "study_id": f"ref-invented-{number}", "finding_id": finding.split(":")[0],
            "observable_id": finding, "condition_id": condition, "criterion": criterion, "tp": tp, "fp": fp, "fn": fn,
            "tn": tn, "basis": basis, "line": number + 1, **SOURCE,
        }
    )  # fmt: skip


def rates(
    number: int, sensitivity: float, specificity: float, total: int, finding: str = "knee-pull",
    condition: str = "band-tear", prevalence: float | None = None,
) -> RatesRow:  # fmt: skip
    """One invented rates line of study `number`."""
    return RatesRow.model_validate(
        {
            "region": "knee", "study_id": f"ref-invented-{number}", "citation": "Invented.", "year": 2020,
            "finding_id": finding.split(":")[0], "observable_id": finding, "condition_id": condition,
            "criterion": "gives way", "sens_printed": sensitivity, "spec_printed": specificity, "n_total": total,
            "prevalence_printed": prevalence, "reference_standard": "mri", "line": number + 1, **SOURCE,
        }
    )  # fmt: skip


def evidence(
    accuracy: Sequence[AccuracyRow], printed: Sequence[RatesRow] = (), studies: Sequence[StudyRow] = ()
) -> EvidenceBase:
    """Evidence of these lines; studies not given are unremarkable."""
    described = {s.study_id: s for s in studies}
    for row in accuracy:
        described.setdefault(row.study_id, study(int(row.study_id.rsplit("-", 1)[1])))
    kinds = {"knee-pull": "laxity", "knee-press": "provocation", "knee-look": "observation"}
    findings = {
        ("knee", name): FindingRow.model_validate(
            {
                "region": "knee", "finding_id": name, "name": name, "kind": kind, "patient_position": "supine",
                "loads": "band", "provocation": 1, "minutes": 1,
            }
        )
        for name, kind in kinds.items()
    }  # fmt: skip
    return EvidenceBase(
        studies=MappingProxyType(described), accuracy=tuple(accuracy), rates=tuple(printed),
        findings=MappingProxyType(findings), prevalence=(), combinations=(), fingerprint="invented",
    )  # fmt: skip
