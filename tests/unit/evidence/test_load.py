"""Tables load whole or not at all; each fault says file, line, column and mend."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from endfeel.evidence import EvidenceError, load_evidence
from endfeel.evidence.load import SHIPPED


@pytest.fixture
def tables(tmp_path: Path) -> Path:
    copy = tmp_path / "tables"
    shutil.copytree(SHIPPED, copy)
    return copy


def _spoil(path: Path, line: int, old: str, new: str) -> None:
    lines = path.read_text(encoding="utf-8").split("\n")
    assert old in lines[line - 1], lines[line - 1]
    lines[line - 1] = lines[line - 1].replace(old, new, 1)
    path.write_text("\n".join(lines), encoding="utf-8")


def _faults(tables: Path) -> list[str]:
    with pytest.raises(EvidenceError) as caught:
        load_evidence(tables)
    return [str(fault) for fault in caught.value.faults]


def test_the_shipped_tables_are_what_the_design_says() -> None:
    evidence = load_evidence()
    assert len(evidence.studies) == 264
    assert len(evidence.accuracy) == 427
    assert len(evidence.rates) == 62
    assert len({f.finding_id for f in evidence.findings.values()}) <= 473 == len(evidence.findings)
    assert len(evidence.prevalence) == 167
    assert len(evidence.combinations) == 166
    assert len(evidence.regions()) == 7


def test_a_copy_has_the_same_fingerprint_and_a_changed_one_another(tables: Path) -> None:
    assert load_evidence(tables).fingerprint == load_evidence().fingerprint
    _spoil(tables / "knee/accuracy.csv", 2, "Table 2", "Table 3")
    assert load_evidence(tables).fingerprint != load_evidence().fingerprint


def test_a_negative_count_names_file_line_column_and_mend(tables: Path) -> None:
    _spoil(tables / "knee/accuracy.csv", 2, ",131,15,", ",-131,15,")
    (fault,) = _faults(tables)
    assert fault.startswith("knee/accuracy.csv:2: tp: '-131'; it should be greater than or equal to 0")


def test_counts_against_printed_rates(tables: Path) -> None:
    _spoil(tables / "knee/accuracy.csv", 2, ",131,15,17,237,", ",121,15,27,237,")
    (fault,) = _faults(tables)
    assert "knee/accuracy.csv:2: sens_printed: printed sensitivity 0.885, the counts give 0.818" in fault


def test_an_unknown_study_and_an_unknown_finding(tables: Path) -> None:
    _spoil(tables / "hip/accuracy.csv", 2, "pmid-", "pmid-9")
    assert any("hip/accuracy.csv:2: study_id: study pmid-9" in f and "studies.csv" in f for f in _faults(tables))


def test_every_fault_is_told_not_only_the_first(tables: Path) -> None:
    _spoil(tables / "knee/accuracy.csv", 2, ",counts,", ",guessed,")
    _spoil(tables / "shoulder/studies.csv", 2, ",19", ",x9") if ",19" in (
        tables / "shoulder/studies.csv"
    ).read_text().split("\n")[1] else _spoil(tables / "shoulder/studies.csv", 2, ",20", ",x0")
    faults = _faults(tables)
    assert any(f.startswith("knee/accuracy.csv:2: basis") for f in faults)
    assert any(f.startswith("shoulder/studies.csv:2:") for f in faults)


def test_a_line_with_a_comma_too_many(tables: Path) -> None:
    path = tables / "hip/priors.csv"
    lines = path.read_text(encoding="utf-8").split("\n")
    lines[2] += ",more"
    path.write_text("\n".join(lines), encoding="utf-8")
    (fault,) = _faults(tables)
    assert fault.startswith("hip/priors.csv:3: 12 cells where the header has 11")


def test_a_missing_file_a_wrong_header_and_bytes_that_are_not_text(tables: Path) -> None:
    (tables / "hip/priors.csv").unlink()
    header, rest = (tables / "knee/findings.csv").read_text(encoding="utf-8").split("\n", 1)
    (tables / "knee/findings.csv").write_text(header.replace("kappa_n", "kapa_n") + "\n" + rest, encoding="utf-8")
    (tables / "cervical/studies.csv").write_bytes(b"\xff\xfe")
    faults = _faults(tables)
    assert any(f.startswith("hip/priors.csv: the file is missing") for f in faults)
    assert any("knee/findings.csv:1: the header lacks kappa_n; the header has kapa_n" in f for f in faults)
    assert any(f.startswith("cervical/studies.csv:1: a byte that is not UTF-8") for f in faults)


def test_the_same_line_twice(tables: Path) -> None:
    path = tables / "knee/findings.csv"
    text = path.read_text(encoding="utf-8").rstrip("\n")
    path.write_text(text + "\n" + text.split("\n")[1] + "\n", encoding="utf-8")
    (fault,) = _faults(tables)
    assert "stands in line 2 of knee too; keep one of the two" in fault


def test_a_folder_that_is_none(tmp_path: Path) -> None:
    assert "no such folder" in _faults(tmp_path / "nowhere")[0]
    assert "no region folder in it" in _faults(tmp_path)[0]


def test_lookups_say_clearly_what_is_not_there() -> None:
    evidence = load_evidence()
    assert evidence.finding("mcmurray:medial").finding_id == "mcmurray"
    with pytest.raises(KeyError, match="'no-such' is not in findings"):
        evidence.finding("no-such")
    with pytest.raises(KeyError, match="'no-such' is in no evidence table"):
        evidence.region_of_condition("no-such")


def test_prevalence_printed_in_any_form_is_read() -> None:
    rows = [r for r in load_evidence().combinations if r.prevalence_printed]
    assert rows
    assert all(r.prevalence is not None for r in rows)
    of = next(r for r in rows if r.prevalence_printed == "36 of 71")
    assert of.with_condition == (36, 71)
