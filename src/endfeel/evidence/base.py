"""The evidence as one frozen value: studies, accuracy lines, rates, findings, prevalences, combinations."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from endfeel.evidence.rows import AccuracyRow, CombinationRow, FindingRow, PrevalenceRow, RatesRow, StudyRow

REGIONS = ("shoulder", "elbow-wrist-hand", "cervical", "lumbar-pelvis", "hip", "knee", "ankle-foot")


@dataclass(frozen=True)
class EvidenceBase:
    """All tables, checked.

    studies by study_id; findings by (region, finding_id), since a few findings serve two regions.
    fingerprint: SHA-256 over the bytes of all tables, in a fixed order; it names what was pooled.
    """

    studies: Mapping[str, StudyRow]
    accuracy: tuple[AccuracyRow, ...]
    rates: tuple[RatesRow, ...]
    findings: Mapping[tuple[str, str], FindingRow]
    prevalence: tuple[PrevalenceRow, ...]
    combinations: tuple[CombinationRow, ...]
    fingerprint: str

    def regions(self) -> tuple[str, ...]:
        """Regions that have findings, in the order of the body from the shoulder down."""
        present = {region for region, _ in self.findings}
        return tuple(r for r in REGIONS if r in present) + tuple(sorted(present - set(REGIONS)))

    def findings_of(self, region: str) -> tuple[FindingRow, ...]:
        """The findings of a region, as the table orders them."""
        return tuple(row for (where, _), row in self.findings.items() if where == region)

    def observables(self, region: str | None = None) -> tuple[str, ...]:
        """Observables with at least one accuracy or rates line, in table order."""
        return tuple(dict.fromkeys(r.observable_id for r in self._readings() if region in (None, r.region)))

    def pairs(self, region: str | None = None) -> tuple[tuple[str, str], ...]:
        """(observable, condition) pairs with at least one line, in table order."""
        wanted = (r for r in self._readings() if region in (None, r.region))
        return tuple(dict.fromkeys((r.observable_id, r.condition_id) for r in wanted))

    def accuracy_of(self, observable: str, condition: str) -> tuple[AccuracyRow, ...]:
        """The accuracy lines of one pair."""
        return tuple(r for r in self.accuracy if (r.observable_id, r.condition_id) == (observable, condition))

    def rates_of(self, observable: str, condition: str) -> tuple[RatesRow, ...]:
        """The rates lines of one pair."""
        return tuple(r for r in self.rates if (r.observable_id, r.condition_id) == (observable, condition))

    def region_of_condition(self, condition: str) -> str:
        """The region whose tables name the condition; KeyError with one clear line where none does."""
        rows: tuple[AccuracyRow | RatesRow | PrevalenceRow | CombinationRow, ...]
        rows = (*self.accuracy, *self.rates, *self.prevalence, *self.combinations)
        for row in rows:
            if row.condition_id == condition:
                return row.region
        raise KeyError(f"condition {condition!r} is in no evidence table")

    def finding(self, observable: str, region: str | None = None) -> FindingRow:
        """The finding of an observable (its part before the colon), in the region where one is given.

        KeyError with one clear line where there is none.
        """
        finding_id = observable.split(":")[0]
        for (where, identifier), row in self.findings.items():
            if identifier == finding_id and region in (None, where):
                return row
        raise KeyError(f"finding {finding_id!r} is not in findings.csv" + (f" of {region}" if region else ""))

    def _readings(self) -> tuple[AccuracyRow | RatesRow, ...]:
        return (*self.accuracy, *self.rates)
