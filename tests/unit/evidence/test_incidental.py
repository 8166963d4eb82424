"""What scans show in people without symptoms: the shipped table, its checks, and which rows fit a person."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from endfeel.catalogue import load_catalogue
from endfeel.evidence import EvidenceError, load_evidence
from endfeel.evidence.base import REGIONS
from endfeel.evidence.incidental import NAME, IncidentalRow, fitting, load_incidental
from endfeel.evidence.load import SHIPPED
from endfeel.pooling.edition import load_edition

GIVEN: dict[str, object] = {
    "region": "knee", "modality": "mri", "seen": "a torn thing", "plain": "a torn thing", "conditions": "meniscal-tear",
    "share_printed": 0.2, "population": "people without symptoms", "counted": "all", "citation": "Somebody, 2020",
    "source_url": "https://example.org", "source_kind": "abstract", "read_at": "Abstract",
}  # fmt: skip


def row(share: float = 0.2, low: float | None = None, high: float | None = None, **fields: object) -> IncidentalRow:
    return IncidentalRow.model_validate({**GIVEN, "share_printed": share, "age_low": low, "age_high": high, **fields})


def test_the_shipped_table_loads_and_names_only_conditions_and_scans_of_the_catalogue() -> None:
    rows, catalogue = load_incidental(), load_catalogue()
    assert {r.region for r in rows} == set(REGIONS)
    for found in rows:
        where = f"{NAME}, line {found.line}"
        assert set(found.conditions) <= set(catalogue.region(found.region).conditions), where
        assert set(found.modality) <= set(catalogue.modalities), where
        assert found.source_url.startswith("http"), where
        assert 0 <= found.share <= 1


def test_a_share_that_was_read_is_found_again() -> None:
    (tear,) = fitting(load_incidental(), "shoulder", "ultrasound", ["full-thickness-rotator-cuff-tear"], 65)
    assert (tear.place, tear.low, tear.high) == ("at", 0.057, 0.057), "Moosmayer 2009: 5.7 % at 60 to 69"
    (meniscus, beside) = fitting(load_incidental(), "knee", "mri", ["meniscal-tear"], 55)
    assert (meniscus.low, meniscus.high) == (0.19, 0.23), "Culvenor 2019 from 40, Englund 2008 from 50 to 90"
    assert (beside.low, "X-ray" in beside.rows[0].population) == (0.60, True)


def test_the_fingerprint_of_the_pooled_tables_does_not_hang_on_it(tmp_path: Path) -> None:
    assert load_evidence().fingerprint == load_edition().meta["evidence"]
    copy = tmp_path / "tables"
    for path in SHIPPED.rglob("*.csv"):
        if path.name != NAME:
            (copy / path.relative_to(SHIPPED)).parent.mkdir(parents=True, exist_ok=True)
            (copy / path.relative_to(SHIPPED)).write_bytes(path.read_bytes())
    assert load_evidence(copy).fingerprint == load_evidence().fingerprint
    assert load_incidental(copy) == ()


def test_rows_of_the_age_come_before_wide_ones_and_wide_ones_before_none() -> None:
    narrow, wide, ageless = row(0.1, 50, 59), row(0.3, 20, 87), row(0.4)
    asked = ("knee", "mri", ["meniscal-tear"])
    assert fitting([narrow, wide, ageless], *asked, 55)[0].rows == (narrow,)
    assert fitting([narrow, wide, ageless], *asked, 70)[0].rows == (wide,)
    (found,) = fitting([narrow, ageless], *asked, 70)
    assert (found.rows, found.place) == ((ageless,), "all-ages")


def test_an_age_between_two_windows_gives_both_neighbours_and_says_so() -> None:
    rows = [row(0.1, 20, 29), row(0.2, 50, 59), row(0.5, 80, 89)]
    (found,) = fitting(rows, "knee", "mri", ["meniscal-tear"], 65)
    assert (found.place, found.low, found.high) == ("between", 0.2, 0.5)
    (above,) = fitting(rows, "knee", "mri", ["meniscal-tear"], 95)
    assert (above.place, above.rows) == ("near", (rows[2],))
    assert fitting(rows[2:], "knee", "mri", ["meniscal-tear"], 65)[0].place == "near"
    assert fitting(rows[2:], "knee", "mri", ["meniscal-tear"], 64) == (), "too far to say anything"


def test_what_is_only_near_stands_back_where_something_is_of_the_age() -> None:
    rows = [row(0.1, 50, 59), row(0.3, 20, 29, seen="another thing")]
    assert [f.seen for f in fitting(rows, "knee", "mri", ["meniscal-tear"], 25)] == ["another thing"]
    assert [f.place for f in fitting(rows, "knee", "mri", ["meniscal-tear"], 40)] == ["near", "near"]
    between = [row(0.1, 20, 29), row(0.3, 50, 59), row(0.01, seen="another thing")]
    assert [f.place for f in fitting(between, "knee", "mri", ["meniscal-tear"], 40)] == ["between", "all-ages"]


def test_people_of_two_kinds_are_not_mixed() -> None:
    rows = [row(0.1, 50, 59), row(0.6, 50, 59, population="people with worn joints")]
    assert [(f.low, f.high) for f in fitting(rows, "knee", "mri", ["meniscal-tear"], 55)] == [(0.1, 0.1), (0.6, 0.6)]


def test_an_unknown_age_gives_the_range_over_ages() -> None:
    (found,) = fitting([row(0.1, None, 39), row(0.4, 40), row(0.9)], "knee", "mri", ["meniscal-tear"], None)
    assert (found.place, found.low, found.high) == ("all-ages", 0.1, 0.4)


def test_a_row_of_one_sex_serves_that_sex_and_who_is_not_known() -> None:
    rows = [row(0.1, sex="female"), row(0.3, sex="male")]
    asked = ("knee", "mri", ["meniscal-tear"], None)
    assert fitting(rows, *asked, "female")[0].high == 0.1
    assert fitting(rows, *asked, "male")[0].low == 0.3
    assert len(fitting(rows, *asked)[0].rows) == 2
    assert len(fitting(rows, *asked, "other")[0].rows) == 2


def test_what_is_asked_about_comes_first_else_what_belongs_to_no_condition() -> None:
    rows = [row(), row(seen="anything", conditions="")]
    assert [f.seen for f in fitting(rows, "knee", "mri", ["meniscal-tear"], 50)] == ["a torn thing"]
    assert [f.seen for f in fitting(rows, "knee", "mri", ["acl-tear"], 50)] == ["anything"]
    assert fitting(rows, "knee", "ultrasound", ["acl-tear"], 50) == ()
    assert fitting(rows, "hip", "mri", ["acl-tear"], 50) == ()


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        ("region", "elbow", "give one of shoulder"),
        ("modality", "x-ray", "modality"),
        ("modality", "", "modality is empty"),
        ("share_printed", "1.2", "share_printed"),
        ("share_printed", "", "neither share_printed nor n_with"),
        ("share_printed", "0.9", "the counts give 0.216"),
        ("n_with", "60", "n_with 60 is more than n_total 51"),
        ("n_total", "", "n_with stands without n_total"),
        ("age_low", "80", "age_low 80 is above age_high 70"),
        ("sex", "men", "sex"),
        ("pmid", "PMC1", "pmid"),
        ("read_at", "", "read_at"),
        ("source_kind", "blog", "source_kind"),
    ],
)
def test_a_bad_line_is_told_with_file_line_and_column_and_nothing_loads(
    tmp_path: Path, column: str, value: str, said: str
) -> None:
    lines = (SHIPPED / NAME).read_text(encoding="utf-8").splitlines()
    header = lines[0].split(",")
    base = dict.fromkeys(header, "")
    base |= {k: str(v) for k, v in GIVEN.items() if k in base}
    base |= {"share_printed": "0.22", "n_with": "11", "n_total": "51", "age_low": "40", "age_high": "70"}
    if column == "share_printed" and value == "":
        base |= {"n_with": "", "n_total": ""}
    base[column] = value
    with (tmp_path / NAME).open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([header, [base[c] for c in header]])
    with pytest.raises(EvidenceError) as told:
        load_incidental(tmp_path)
    assert any("incidental.csv" in str(f) and said in str(f) for f in told.value.faults), told.value.faults
    assert told.value.faults[0].line == 2


def test_a_line_that_stands_twice_is_a_fault(tmp_path: Path) -> None:
    lines = (SHIPPED / NAME).read_text(encoding="utf-8").splitlines()
    (tmp_path / NAME).write_text("\n".join([*lines[:2], lines[1]]) + "\n", encoding="utf-8")
    with pytest.raises(EvidenceError, match="stands in line 2 too"):
        load_incidental(tmp_path)
