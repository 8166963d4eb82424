"""The shipped catalogue: whole, coherent with the tables, and its criteria decide."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from spoilt import assert_refused

from endfeel.catalogue import CatalogueError, load_catalogue
from endfeel.catalogue.entries import HandsOn, HistoryItem
from endfeel.catalogue.load import SHIPPED
from endfeel.catalogue.result import derive, work_out
from endfeel.evidence import load_evidence

REGIONS = load_evidence().regions()


@pytest.mark.parametrize("region", REGIONS)
def test_every_finding_of_the_tables_says_how_it_is_done(region: str) -> None:
    catalogue = load_catalogue().region(region)
    for row in load_evidence().findings_of(region):
        entry = catalogue.findings[row.finding_id]
        if isinstance(entry, HandsOn):
            assert entry.purpose and entry.say and entry.patient and entry.examiner and entry.move and entry.stop_if, (
                row.finding_id
            )


@pytest.mark.parametrize("region", REGIONS)
def test_nothing_observed_decides_nothing(region: str) -> None:
    for entry in load_catalogue().region(region).findings.values():
        for reading in entry.readings or {"": None}:
            assert work_out(entry, {}, {}, reading or None) == "unclear", (entry.id, reading)


@pytest.mark.parametrize("region", REGIONS)
def test_states_stay_few_and_have_care(region: str) -> None:
    catalogue = load_catalogue().region(region)
    assert 3 <= len(catalogue.states_conditions) <= 12
    for identifier in (*catalogue.states_conditions, catalogue.none_id):
        condition = catalogue.conditions[identifier]
        assert condition.care_group in catalogue.care
        assert condition.claim != "sign" and condition.rail != "never"
        assert condition.urgency in ("routine", "soon"), f"{identifier}: rules decide what is urgent"


def test_unions_are_made_of_their_finest_parts() -> None:
    knee = load_catalogue().region("knee")
    assert knee.parts("meniscal-tear") == ("meniscal-tear-medial", "meniscal-tear-lateral")
    assert knee.parts("acl-tear") == ("acl-tear",)
    assert knee.parts("knee-fracture") == ()


def test_a_criterion_follows_the_observations() -> None:
    lachman = load_catalogue().region("knee").findings["lachman"]
    assert isinstance(lachman, HandsOn)
    names = {o.id: o for o in lachman.observe}
    travel, stop = names["travel"].choose, names["stop"].choose
    assert work_out(lachman, {"travel": travel[-1], "stop": stop[-1]}) == "positive"
    with pytest.raises(ValueError, match="can not be"):
        work_out(lachman, {"travel": "a mile"})
    with pytest.raises(ValueError, match="no observation 'trvel'"):
        work_out(lachman, {"trvel": travel[0]})


def test_answers_and_what_follows_from_age() -> None:
    knee = load_catalogue().region("knee")
    locking = knee.findings["locking-or-catching"]
    assert isinstance(locking, HistoryItem)
    assert work_out(locking, {"answer": locking.positive[0]}) == "positive"
    with pytest.raises(ValueError, match="none of its answers"):
        work_out(locking, {"answer": "perhaps"})
    older = knee.findings["age-over-50"]
    assert isinstance(older, HistoryItem)
    assert [derive(older, {"age": a}) for a in (51, 50, "")] == ["positive", "negative", "unclear"]


def test_under_anaesthesia_is_left_out_of_pooling() -> None:
    assert ("pmid-3752353", "lachman") in load_catalogue().left_out()


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('targets = ["acl-tear"]', 'targets = ["acl-tare"]', "targets 'acl-tare' is no condition here"),
        ("positive = 'travel", "positive = 'trvel", "which is not observed"),
        ("stop_if =", "stops_if =", "stops_if: Extra inputs are not permitted"),
        ("fracture-not-excluded =", "fracture-excluded =", "never_if 'fracture-excluded' is no precaution"),
        ("[lachman]", "[lachmann]", "lachman"),
    ],
)
def test_a_spoilt_entry_is_refused_with_its_place(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert_refused(tmp_path, "knee/findings-laxity.toml", old, new, told)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('excludes = ["supraspinatus-partial"] }', 'excludes = ["partial"] }', "excludes 'partial', which is no other"),
        ('excludes = ["supraspinatus-partial"] }', 'excludes = ["supraspinatus-full"] }', "which is no other reading"),
        (', excludes = ["supraspinatus-full"] }', " }", "exclude all the others"),
        ('excludes = ["supraspinatus-partial"] }', 'excludes = ["supraspinatus-partial"], level = 2 }', "is a grade"),
        (
            'any_of = ["supraspinatus-full", "supraspinatus-partial"] }',
            'any_of = ["supraspinatus-full", "supraspinatus-partial"], excludes = ["supraspinatus-full"] }',
            "'supraspinatus-any' is a grade or a coarse form",
        ),
    ],
)
def test_readings_that_exclude_each_other_say_so_on_all_sides(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert_refused(tmp_path, "shoulder/findings-imaging.toml", old, new, told)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('grade = { sign = "ease on sitting", level = 2 }', "", "needs two findings or more"),
        ('sign = "ease on sitting", level = 2', 'sign = "ease on sitting", level = 1', "at a level of its own"),
        ('sign = "ease on sitting", level = 2', 'sign = "morning stiffness", level = 3', "have different targets"),
    ],
)
def test_grades_of_one_sign_fit_together(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert_refused(tmp_path, "lumbar-pelvis/findings-history.toml", old, new, told)


def test_a_file_that_is_no_toml(tmp_path: Path) -> None:
    copy = tmp_path / "catalogue"
    shutil.copytree(SHIPPED, copy)
    (copy / "screens.toml").write_text("[open", encoding="utf-8")
    with pytest.raises(CatalogueError, match=r"screens\.toml: not TOML"):
        load_catalogue(copy)


@pytest.mark.parametrize("region", REGIONS)
def test_no_name_that_is_not_to_be_used(region: str) -> None:
    text = " ".join(p.read_text(encoding="utf-8").lower() for p in (SHIPPED / region).glob("*.toml"))
    assert "o'brien" not in text and "obrien" not in text and "yergason" not in text
