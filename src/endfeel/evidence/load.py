"""Read the tables of a folder into an EvidenceBase: all of them, or none and every fault.

A folder holds one sub-folder per region with studies.csv, accuracy.csv, findings.csv, priors.csv and perhaps
rates.csv, and combinations.csv beside them. docs/evidence-protocol.md says what each column means.
"""

from __future__ import annotations

import csv
import hashlib
import io
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar

from pydantic import ValidationError

from endfeel.evidence.base import REGIONS, EvidenceBase
from endfeel.evidence.coherence import incoherent
from endfeel.evidence.faults import EvidenceError, Fault
from endfeel.evidence.rows import (
    AccuracyRow,
    CombinationRow,
    FindingRow,
    PrevalenceRow,
    RatesRow,
    Row,
    StudyRow,
)

SHIPPED = Path(__file__).parent / "data"

TABLES: dict[str, type[Row]] = {
    "studies.csv": StudyRow,
    "findings.csv": FindingRow,
    "accuracy.csv": AccuracyRow,
    "rates.csv": RatesRow,
    "priors.csv": PrevalenceRow,
}
OPTIONAL = {"rates.csv"}

RowT = TypeVar("RowT", bound=Row)


def load_evidence(directory: Path | None = None, *, kept: bool = False) -> EvidenceBase:
    """The evidence in a folder; the shipped tables where none is given (read once a process).

    kept: tables of an earlier release, which passed the checks between tables when they were in use. Only their form is
    looked at; a column that is no more is passed over, and one that they did not have yet is empty.
    Raises EvidenceError, with every fault found, where any line is at fault: a bad table never half-loads.
    """
    return _shipped() if directory is None else _load(Path(directory), kept)


def read_table(
    path: Path, model: type[RowT], region: str | None, name: str, faults: list[Fault], *, kept: bool = False
) -> list[RowT]:
    """Rows of one CSV file as models; faults are added to the list.

    region None: the table has a region column of its own. name: how the file is called in a fault. kept: see
    `load_evidence`.
    """
    text = _text(path, name, faults)
    return [] if text is None else read_rows(text, model, region, name, faults, kept=kept)


def read_rows(
    text: str, model: type[RowT], region: str | None, name: str, faults: list[Fault], *, kept: bool = False
) -> list[RowT]:
    """Rows of a CSV text as models; faults are added to the list."""
    columns = [f for f in model.model_fields if f != "line" and (region is None or f != "region")]
    rows: list[RowT] = []
    reader = csv.reader(io.StringIO(text), strict=True)
    try:
        header = next(reader, None)
        if header is None:
            faults.append(Fault(name, 0, "", "the file is empty", f"begin it with the header {','.join(columns)}"))
            return rows
        if not kept and (set(header) != set(columns) or len(header) != len(columns)):
            missing = [c for c in columns if c not in header]
            extra = [c for c in header if c not in columns]
            what = "; ".join(
                part
                for part in (
                    f"the header lacks {', '.join(missing)}" if missing else "",
                    f"the header has {', '.join(extra) or 'a column twice'}" if extra or not missing else "",
                )
                if part
            )
            faults.append(Fault(name, 1, "", what, f"write the header {','.join(columns)}"))
            return rows
        before = reader.line_num
        for cells in reader:
            line, before = before + 1, reader.line_num
            if not cells:
                continue
            if len(cells) != len(header):
                mend = "count the commas; quote a cell that holds one"
                faults.append(Fault(name, line, "", f"{len(cells)} cells where the header has {len(header)}", mend))
                continue
            place = {"line": line} if region is None else {"line": line, "region": region}
            held = {column: cell for column, cell in zip(header, cells, strict=True) if column in columns}
            try:
                rows.append(model.model_validate({**held, **place}))
            except ValidationError as error:
                faults.extend(_faults_of(error, name, line))
    except csv.Error as error:
        faults.append(Fault(name, reader.line_num, "", f"not a CSV line ({error})", "close the quotes"))
    return rows


@cache
def _shipped() -> EvidenceBase:
    return _load(SHIPPED, kept=False)


def _load(directory: Path, kept: bool) -> EvidenceBase:
    faults: list[Fault] = []
    if not directory.is_dir():
        raise EvidenceError((Fault(str(directory), 0, "", "no such folder", "name a folder that holds the tables"),))
    folders = [directory / r for r in REGIONS if (directory / r).is_dir()]
    folders += sorted(p.parent for p in directory.glob("*/studies.csv") if p.parent not in folders)
    if not folders:
        mend = f"name the folder above the regions ({', '.join(REGIONS)})"
        raise EvidenceError((Fault(str(directory), 0, "", "no region folder in it", mend),))
    rows: dict[str, list[Row]] = {name: [] for name in TABLES}
    digest = hashlib.sha256()
    for folder in folders:
        for name, model in TABLES.items():
            path = folder / name
            if name in OPTIONAL and not path.exists():
                continue
            rows[name] += read_table(path, model, folder.name, f"{folder.name}/{name}", faults, kept=kept)
            if path.exists():
                digest.update(f"{folder.name}/{name}\0".encode() + path.read_bytes())
    combinations: list[CombinationRow] = []
    together = directory / "combinations.csv"
    if together.exists():
        combinations = read_table(together, CombinationRow, None, together.name, faults, kept=kept)
        digest.update(b"combinations.csv\0" + together.read_bytes())
    studies = [r for r in rows["studies.csv"] if isinstance(r, StudyRow)]
    findings = [r for r in rows["findings.csv"] if isinstance(r, FindingRow)]
    accuracy = [r for r in rows["accuracy.csv"] if isinstance(r, AccuracyRow)]
    rates = [r for r in rows["rates.csv"] if isinstance(r, RatesRow)]
    if not faults and not kept:
        faults += incoherent(studies, findings, accuracy, rates)
    if faults:
        raise EvidenceError(tuple(faults))
    return EvidenceBase(
        studies=MappingProxyType({s.study_id: s for s in studies}),
        accuracy=tuple(accuracy),
        rates=tuple(rates),
        findings=MappingProxyType({(f.region, f.finding_id): f for f in findings}),
        prevalence=tuple(r for r in rows["priors.csv"] if isinstance(r, PrevalenceRow)),
        combinations=tuple(combinations),
        fingerprint=digest.hexdigest(),
    )


def _text(path: Path, name: str, faults: list[Fault]) -> str | None:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        faults.append(Fault(name, 0, "", "the file is missing", "add it, with at least its header"))
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        faults.append(Fault(name, line, "", "a byte that is not UTF-8", "save the file as UTF-8"))
    except OSError as error:
        faults.append(Fault(name, 0, "", f"can not be read ({error.strerror})", "mend the file's rights"))
    return None


def _faults_of(error: ValidationError, name: str, line: int) -> list[Fault]:
    found = []
    for item in error.errors(include_url=False):
        column = str(item["loc"][0]) if item["loc"] else ""
        value = item["input"] if isinstance(item["input"], str) else ""
        message = item["msg"].removeprefix("Value error, ")
        message = message[0].lower() + message[1:]
        if column and value == "":
            found.append(Fault(name, line, column, "is empty", f"fill it in: {message}"))
        elif column:
            found.append(Fault(name, line, column, f"{value!r}", message.replace("input should", "it should")))
        else:
            found.append(Fault(name, line, "", message, "mend the line or take it out"))
    return found
