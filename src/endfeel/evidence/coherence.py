"""Checks that span lines and tables: references, doubles, counts against printed rates."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from endfeel.evidence.faults import Fault
from endfeel.evidence.rows import AccuracyRow, FindingRow, RatesRow, Row, StudyRow

# How far the counts may lie from the printed rate: rounding of two-digit rates, and of worked-out counts.
TOLERANCE = {"counts": 0.0151, "derived": 0.0101, "solved": 0.0101, "approx": 0.0201}


def incoherent(
    studies: Sequence[StudyRow],
    findings: Sequence[FindingRow],
    accuracy: Sequence[AccuracyRow],
    rates: Sequence[RatesRow],
) -> list[Fault]:
    """Every fault that only shows when lines are seen together."""
    faults = _doubles(studies, "studies.csv", lambda r: (r.study_id,))
    faults += _doubles(findings, "findings.csv", lambda r: (r.region, r.finding_id))
    faults += _doubles(
        accuracy,
        "accuracy.csv",
        lambda r: (r.study_id, r.observable_id, r.condition_id, r.criterion, r.condition_detail),
    )
    by_id = {s.study_id: s for s in studies}
    known = {(f.region, f.finding_id) for f in findings}
    for row in accuracy:
        faults += _accuracy_faults(row, by_id.get(row.study_id), known)
    counted = {(r.study_id, r.observable_id, r.condition_id) for r in accuracy}
    for rate in rates:
        name = f"{rate.region}/rates.csv"
        if (rate.region, rate.finding_id) not in known:
            faults.append(_unknown_finding(rate, name, rate.finding_id))
        if (rate.study_id, rate.observable_id, rate.condition_id) in counted:
            what = "the same study, observable and condition stand in accuracy.csv"
            faults.append(Fault(name, rate.line, "study_id", what, "keep the counts, take this line out"))
    return faults


def plausible(row: AccuracyRow) -> list[tuple[str, str, str]]:
    """Faults of one accuracy line by itself, as (column, what, mend)."""
    found = []
    if row.diseased == 0 or row.healthy == 0:
        what = f"the counts tp {row.tp}, fp {row.fp}, fn {row.fn}, tn {row.tn} give no " + (
            "sensitivity" if row.diseased == 0 else "specificity"
        )
        return [("tp", what, "a line needs people with and people without the condition")]
    tolerance = TOLERANCE[row.basis]
    for column, printed, value, what in (
        ("sens_printed", row.sens_printed, row.tp / row.diseased, "sensitivity"),
        ("spec_printed", row.spec_printed, row.tn / row.healthy, "specificity"),
    ):
        if printed is not None and abs(printed - value) > tolerance:
            mend = "read both again; if the source contradicts itself, leave the printed rate empty"
            found.append((column, f"printed {what} {printed}, the counts give {value:.3f}", mend))
    return found


def _accuracy_faults(row: AccuracyRow, study: StudyRow | None, known: set[tuple[str, str]]) -> list[Fault]:
    name = f"{row.region}/accuracy.csv"
    faults = [Fault(name, row.line, column, what, mend) for column, what, mend in plausible(row)]
    if study is None:
        what = f"study {row.study_id} is not in studies.csv"
        faults.append(Fault(name, row.line, "study_id", what, "add the study, or mend the id"))
    elif study.n_total and row.diseased + row.healthy > 2 * study.n_total:
        what = f"the counts add to {row.diseased + row.healthy}, the study has {study.n_total}"
        faults.append(Fault(name, row.line, "tp", what, "read the counts and n_total again"))
    if (row.region, row.finding_id) not in known:
        faults.append(_unknown_finding(row, name, row.finding_id))
    return faults


def _unknown_finding(row: Row, name: str, finding_id: str) -> Fault:
    what = f"finding {finding_id} is not in {row.region}/findings.csv"
    return Fault(name, row.line, "finding_id", what, "add the finding, or mend the id")


def _doubles(rows: Iterable[Row], table: str, key) -> list[Fault]:  # type: ignore[no-untyped-def]
    seen: dict[object, Row] = {}
    faults = []
    for row in rows:
        k = key(row)
        if k in seen:
            first = seen[k]
            what = f"{' '.join(str(part) for part in k if part)} stands in line {first.line} of {first.region} too"
            faults.append(Fault(f"{row.region}/{table}", row.line, "", what, "keep one of the two"))
        seen[k] = row
    return faults
