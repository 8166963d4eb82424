"""Published 2x2 tables, read and checked: rows in, an EvidenceBase out."""

from endfeel.evidence.base import EvidenceBase
from endfeel.evidence.faults import EvidenceError, Fault
from endfeel.evidence.load import load_evidence
from endfeel.evidence.rows import (
    AccuracyRow,
    CombinationRow,
    FindingRow,
    PrevalenceRow,
    RatesRow,
    StudyRow,
)

__all__ = [
    "AccuracyRow",
    "CombinationRow",
    "EvidenceBase",
    "EvidenceError",
    "Fault",
    "FindingRow",
    "PrevalenceRow",
    "RatesRow",
    "StudyRow",
    "load_evidence",
]
