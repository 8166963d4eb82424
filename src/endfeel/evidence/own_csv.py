"""A clinic's own studies as CSV, with the columns of docs/evidence-protocol.md and the region before them."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from typing import Any

from endfeel.evidence.faults import EvidenceError, Fault
from endfeel.evidence.load import read_rows
from endfeel.evidence.overlay import OWN, Overlay, OwnStudy
from endfeel.evidence.rows import AccuracyRow, RatesRow, Row, StudyRow

OWN_TABLES: Mapping[str, type[Row]] = {"studies.csv": StudyRow, "accuracy.csv": AccuracyRow, "rates.csv": RatesRow}
_READ = ("source_url", "source_kind", "read_at")
_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "studies.csv": (
        "study_id", "citation", "year", "doi", "pmid", "country", "setting", "sampling", "reference_standard",
        "index_blind", "reference_blind", "proposes_test", "n_total", "age_mean",
    ),
    "accuracy.csv": (
        "study_id", "finding_id", "observable_id", "condition_id", "condition_detail", "criterion", "tp", "fp", "fn",
        "tn", "sens_printed", "spec_printed", "basis", *_READ,
    ),
    "rates.csv": (
        "study_id", "citation", "year", "finding_id", "observable_id", "condition_id", "criterion", "sens_printed",
        "spec_printed", "n_total", "prevalence_printed", "reference_standard", *_READ,
    ),
}  # fmt: skip


def columns_of(table: str) -> tuple[str, ...]:
    """The header of an own table: region, then the protocol's columns. KeyError for another table."""
    return ("region", *_COLUMNS[table])


def write_own(overlay: Overlay) -> Mapping[str, str]:
    """The clinic's own rows, retired ones included, as one CSV text per table that has any."""
    rows: dict[str, list[Row]] = {name: [] for name in OWN_TABLES}
    for study in overlay.own.values():
        rows["studies.csv"] += [study.study] if study.study else []
        rows["accuracy.csv"] += study.accuracy
        rows["rates.csv"] += study.rates
    return {name: _table(name, found) for name, found in rows.items() if found or name != "rates.csv"}


def read_own_tables(tables: Mapping[str, str], region: str | None = None) -> tuple[OwnStudy, ...]:
    """Studies from CSV texts by table name, in the order in which they first stand there.

    region: for tables without a region column. Raises EvidenceError with every fault found; all or nothing.
    """
    faults: list[Fault] = []
    rows: dict[str, list[Row]] = {}
    for name, text in tables.items():
        if name not in OWN_TABLES:
            mend = f"give {', '.join(OWN_TABLES)}"
            raise EvidenceError((Fault(name, 0, "", "no table of that name", mend),))
        if text.strip():
            has_region = "region" in text.lstrip("\ufeff").split("\n", 1)[0].split(",")
            if not has_region and region is None:
                faults.append(Fault(name, 1, "region", "no region column and no region chosen", "choose the region"))
                continue
            rows[name] = list(
                read_rows(text.lstrip("\ufeff"), OWN_TABLES[name], None if has_region else region, name, faults)
            )
    studies = [r for r in rows.get("studies.csv", []) if isinstance(r, StudyRow)]
    seen: dict[str, StudyRow] = {}
    for row in studies:
        if row.study_id in seen:
            what = f"stands in line {seen[row.study_id].line} too"
            faults.append(Fault("studies.csv", row.line, "study_id", what, "keep one of the two"))
        seen[row.study_id] = row
    if faults:
        raise EvidenceError(tuple(faults))
    accuracy = [r for r in rows.get("accuracy.csv", []) if isinstance(r, AccuracyRow)]
    rates = [r for r in rows.get("rates.csv", []) if isinstance(r, RatesRow)]
    ids = dict.fromkeys([*seen, *(r.study_id for r in accuracy), *(r.study_id for r in rates)])
    if not ids:
        mend = "add at least one line below the header"
        raise EvidenceError((Fault(OWN, 0, "", "no line in the tables", mend),))
    return tuple(
        OwnStudy(
            study_id,
            seen.get(study_id),
            tuple(r for r in accuracy if r.study_id == study_id),
            tuple(r for r in rates if r.study_id == study_id),
        )
        for study_id in ids
    )


def _table(name: str, rows: Iterable[Row]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    columns = columns_of(name)
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(getattr(row, column)) for column in columns])
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return "; ".join(value)
    return repr(value) if isinstance(value, float) else str(value)
