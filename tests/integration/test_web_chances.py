"""Starting chances over HTTP: every source told, kept all or none, used by new visits, mended in one line."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from web_server import Person, Running

from endfeel.belief.context import Context
from endfeel.belief.starting import starting_chances
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.web.clinic_chances import AGES, own_chances, set_id

CATALOGUE, EVIDENCE = load_catalogue(), load_evidence()
NONE = CATALOGUE.region("knee").none_id
KNEE = {"region": "knee", "setting": "primary", "onset": "injury", "ages": "all"}


@pytest.fixture
def person(running: Running) -> Person:
    return Person(running.url)


def page(person: Person, **people: str) -> dict[str, Any]:
    return person.json("/chances", **{**KNEE, **people})  # type: ignore[no-any-return]


def line(person: Person, condition: str, **people: str) -> dict[str, Any]:
    return next(found for found in page(person, **people)["lines"] if found["id"] == condition)


def sent(person: Person, values: dict[str, str], act: str = "keep", **people: str) -> Any:
    given = {**KNEE, "act": act, **people, **{f"chance {c}": v for c, v in values.items()}}
    return person.post("/chances", swap=False, **given)


def kept(person: Person, values: dict[str, str], **people: str) -> None:
    answer = sent(person, values, **people)
    assert answer.status_code == 303, answer.text[:500]


def start_of(person: Person, problem: str, condition: str) -> dict[str, Any]:
    return person.json(f"{problem}/conditions/{condition}")  # type: ignore[no-any-return]


def injured(person: Person, code: str = "T-1", **opened: Any) -> str:
    problem = person.visit(code=code, **opened)
    person.done(f"{problem}/story", onset="injury")
    person.clear_screens(problem)
    return problem


@pytest.mark.parametrize("region", list(CATALOGUE.regions))
@pytest.mark.parametrize("onset", ["injury", "gradual", "unknown"])
def test_every_condition_stands_in_the_table_with_where_its_chance_comes_from(
    person: Person, region: str, onset: str
) -> None:
    entries = CATALOGUE.region(region)
    expected = starting_chances(EVIDENCE, entries, Context(region, onset=onset))  # type: ignore[arg-type]
    lines = {found["id"]: found for found in page(person, region=region, onset=onset)["lines"]}
    assert set(lines) == {c for c in entries.conditions if entries.parts(c)} | {entries.none_id}
    assert list(lines)[-1] == entries.none_id
    for condition, found in lines.items():
        chance = expected.get(condition)
        if chance is None:
            assert found["origin"] == "follows" and found["ours"] == "" and found["parts"]
            continue
        assert found["ours_per_cent"] == f"{100 * chance.chance:.3g} %"
        origin = "assumed" if chance.assumed else "borrowed" if chance.borrowed else "published"
        assert found["origin"] == origin
        assert [c["counted"] for c in found["counted"]] == [f"{r.n_with} of {r.n_total}" for r in chance.rows]
        assert all(c["url"].startswith("http") and c["now"] for c in found["counted"])
        for row, counted in zip(chance.rows, found["counted"], strict=True):
            assert not row.study_id or person.get(counted["study_href"]).status_code == 200
        assert found["yours"] == "" and not found["moved"]
    assert person.get("/chances", region=region, onset=onset).status_code == 200


def test_the_table_tells_which_lines_hang_on_age_and_what_they_are_then(person: Person) -> None:
    told = page(person, region="lumbar-pelvis", onset="gradual", setting="primary")
    assert "Axial spondyloarthritis" in told["aged"]
    found = line(person, "axial-spondyloarthritis", region="lumbar-pelvis", onset="gradual")
    assert found["by_age"][-1] == "from 46: follows from its kinds"
    assert any(said.startswith("18 to 45: ") and said.endswith("counted") for said in found["by_age"])
    young = line(person, "axial-spondyloarthritis", region="lumbar-pelvis", onset="gradual", ages="30-39")
    old = line(person, "axial-spondyloarthritis", region="lumbar-pelvis", onset="gradual", ages="50-59")
    assert young["origin"] == "published" and old["origin"] == "follows"
    assert float(young["after"].split()[0]) > 3 * float(old["after"].split()[0])


def test_kept_values_start_new_visits_and_say_whose_they_are(running: Running, tmp_path: Path) -> None:
    person = Person(running.url)
    before = injured(person)
    assert "clinic" not in start_of(person, before, "acl-tear")["start_source"]
    kept(person, {"acl-tear": "35 %", NONE: "0.2"})
    found = line(person, "acl-tear")
    assert (found["yours"], found["after"], found["moved"]) == ("35 %", "35 %", True)
    assert page(person)["changed"] and page(person)["history"][0]["by"] == "clinician"
    after = injured(person, "T-2")
    told = start_of(person, after, "acl-tear")
    assert told["start_source"] == "your clinic's starting chance" and not told["start_assumed"]
    assert told["start"].startswith("about 4 in 10") or told["start"].startswith("about 3 in 10")
    assert "clinic" not in start_of(person, before, "acl-tear")["start_source"], "a visit keeps what it began with"
    visit = after.rsplit("/", 1)[0]
    note = person.get(f"{visit}/note").text
    assert "your clinic&#39;s starting chance" in note or "your clinic's starting chance" in note
    running.stop()
    again = Running(tmp_path)
    try:
        person = Person(again.url)
        assert start_of(person, after, "acl-tear")["start_source"] == "your clinic's starting chance"
        assert "clinic" not in start_of(person, before, "acl-tear")["start_source"]
    finally:
        again.stop()


def test_they_hold_for_the_same_setting_and_onset_only_and_a_hand_goes_before_them(person: Person) -> None:
    kept(person, {"acl-tear": "35 %"})
    gradual = person.visit(code="T-3")
    person.done(f"{gradual}/story", onset="gradual")
    assert "clinic" not in start_of(person, gradual, "acl-tear")["start_source"]
    elsewhere = injured(person, "T-4", setting="emergency")
    assert "clinic" not in start_of(person, elsewhere, "acl-tear")["start_source"]
    here = injured(person, "T-5")
    person.done(f"{here}/conditions/acl-tear/chance", per_cent="60")
    assert start_of(person, here, "acl-tear")["start_source"] == "set by hand"
    person.done(f"{here}/conditions/acl-tear/chance", reset="yes")
    assert start_of(person, here, "acl-tear")["start_source"] == "your clinic's starting chance"


def test_a_band_of_ages_goes_before_all_ages(person: Person) -> None:
    kept(person, {"acl-tear": "35 %", "mcl-injury": "10 %"})
    kept(person, {"acl-tear": "5 %"}, ages="60-69")
    found = line(person, "acl-tear", ages="60-69")
    assert (found["yours"], found["all_ages"], found["after"]) == ("5 %", "35 %", "5 %")
    assert line(person, "mcl-injury", ages="60-69")["after"] == "10 %"
    assert line(person, "acl-tear")["after"] == "35 %"
    assert {s["words"] for s in page(person)["sections"]} == {
        "Primary care, after an injury, all ages: 2 values", "Primary care, after an injury, 60 to 69 years: 1 value",
    }  # fmt: skip
    old = injured(person, "T-6", birth_year=1960)
    assert start_of(person, old, "acl-tear")["start"].startswith("about 1 in 20")


def test_showing_what_it_moves_keeps_nothing_and_names_every_chance_that_moves(person: Person) -> None:
    answer = sent(person, {NONE: "60 %", "acl-tear": "10 %"}, act="try")
    assert answer.status_code == 200 and "Not kept yet." in answer.text
    assert 'value="60 %"' in answer.text
    assert page(person)["history"] == [] and not line(person, NONE)["moved"]
    kept(person, {NONE: "60 %", "acl-tear": "10 %"})
    moved = {found["id"] for found in page(person)["lines"] if found["moved"]}
    assert {NONE, "acl-tear"} <= moved
    assert len(moved) > 2, "what has to give way beside them is told too"


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"acl-tear": "12"}, "“12” is above 1; write 12 % or 0.12."),
        ({"acl-tear": "0"}, "leaves nothing for a finding to move"),
        ({"acl-tear": "100 %"}, "leaves nothing for a finding to move"),
        ({"acl-tear": "-5 %"}, "leaves nothing for a finding to move"),
        ({"acl-tear": "nan"}, "is no chance; write 12 % or 0.12"),
        ({"acl-tear": "often"}, "“often” is no chance"),
        ({"acl-tear": "70 %", NONE: "50 %"}, "lower the first to at most 48.5 %, or the second to at most 27.8 %"),
        ({c: "60 %" for c in ("acl-tear", "pcl-tear", "mcl-injury", "meniscal-tear-medial", "patellar-instability")},
         "no specific structure at 30 % (ours) they can add up to at most 203.7 %: lower some by 96.3 % in all"),
        ({**dict.fromkeys(CATALOGUE.region("knee").states_conditions, "1 %"), NONE: "20 %"},
         "The conditions add up to 11 %, but 80 % of people have one"),
        ({"meniscal-tear": "5 %", "meniscal-tear-medial": "20 %", "meniscal-tear-lateral": "10 %"},
         "does not follow from its kinds, which come to"),
        ({"no-such": "5 %"}, "There is no condition “no-such”"),
        ({"knee-fracture": "5 %"}, "There is no chance of “knee-fracture”"),
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused_in_one_line_and_nothing_is_half_kept(
    person: Person, values: dict[str, str], said: str
) -> None:
    answer = sent(person, {"pcl-tear": "4 %", **values})
    assert 400 <= answer.status_code < 500
    assert said in answer.text, answer.text[answer.text.find("Not kept.") :][:400]
    assert page(person)["history"] == [] and line(person, "pcl-tear")["yours"] == ""
    if "acl-tear" in values:
        assert f'value="{values["acl-tear"]}"' in answer.text, "what was typed is still there"


def test_a_value_for_all_ages_that_can_not_stand_beside_those_of_a_band_is_refused(person: Person) -> None:
    kept(person, {NONE: "80 %"}, ages="70-79")
    answer = sent(person, {"acl-tear": "35 %"})
    assert answer.status_code == 400 and "For people aged 74, with what you set for their age:" in answer.text
    assert line(person, "acl-tear")["yours"] == ""


def test_a_line_and_a_section_go_back_to_ours(person: Person) -> None:
    kept(person, {"acl-tear": "35 %", "mcl-injury": "10 %"})
    answer = person.post("/chances", swap=False, **KNEE, reset="acl-tear", **{"chance pcl-tear": "7 %"})
    assert answer.status_code == 200 and 'value="7 %"' in answer.text, "what was typed elsewhere is not lost"
    assert line(person, "acl-tear")["yours"] == "" and line(person, "mcl-injury")["yours"] == "10 %"
    assert line(person, "pcl-tear")["yours"] == "", "and is not kept either"
    assert sent(person, {}, act="ours").status_code == 303
    assert not page(person)["changed"] and page(person)["sections"] == []
    assert page(person)["history"][0]["words"] == "back to studies and our assumptions"
    assert len(page(person)["history"]) == 3


def test_two_people_at_once_do_not_overwrite_each_other(person: Person) -> None:
    kept(person, {"acl-tear": "35 %"}, seen="0")
    answer = sent(person, {"acl-tear": "20 %"}, seen="0")
    assert answer.status_code == 409 and "changed meanwhile" in answer.text
    assert line(person, "acl-tear")["yours"] == "35 %"


def test_a_typical_patient_of_costs_and_strategies_starts_from_the_table(person: Person) -> None:
    kept(person, {NONE: "60 %"})
    costs = person.json("/costs/knee", onset="injury")
    none = next(g for g in costs["groups"] if g["id"] == CATALOGUE.region("knee").conditions[NONE].care_group)
    assert none["chance"] == "about 6 in 10"


@pytest.mark.parametrize(
    "query", ["region=elbow", "setting=home", "onset=sudden", "ages=40-44", "region=knee&ages=x/y"]
)
def test_bad_addresses_are_refused(person: Person, query: str) -> None:
    for path in (f"/chances?{query}", f"/chances.json?{query}"):
        assert 400 <= person.http.get(path).status_code < 500


def test_a_condition_that_is_gone_is_left_aside_and_named(running: Running) -> None:
    running.app.state.desk.store.set_setting(
        "starting-chances",
        {"knee": [{"at": "2026-01-01T00:00:00+00:00", "by": "ab", "section": "primary/injury/all",
                   "values": {"gone-since": 0.3, "acl-tear": 0.4}, "set": "x"}]},
    )  # fmt: skip
    found = page(Person(running.url))
    assert "gone-since" in found["trouble"]
    assert next(c for c in found["lines"] if c["id"] == "acl-tear")["after"] == "40 %"


def test_equal_values_have_an_equal_id_and_bands_cover_every_adult_once() -> None:
    one = {"primary/injury/all": {"a": 0.1, "b": 0.2}, "primary/gradual/all": {}}
    other = {"primary/injury/all": {"b": 0.2, "a": 0.1}}
    assert set_id(one) == set_id(other) != set_id({"primary/injury/all": {"a": 0.1}})
    assert set_id({}) == set_id({"primary/injury/all": {}}) == ""
    ages = [age for low, high in AGES.values() for age in range(low, high + 1)]
    assert ages == list(range(16, 131))
    held = {"primary/injury/all": {"a": 0.1, "b": 0.2}, "primary/injury/40-49": {"a": 0.5}}
    assert own_chances(held, "primary", "injury", 45) == {"a": 0.5, "b": 0.2}
    assert own_chances(held, "primary", "injury", None) == own_chances(held, "primary", "injury", 50)
    assert own_chances(held, "primary", "gradual", 45) == {}


def test_what_differs_is_told_on_the_pages_of_an_earlier_visit(person: Person) -> None:
    problem = injured(person, "T-7")
    assert "starting chances changed" not in person.get(f"{problem}/decide").text
    kept(person, {"acl-tear": "35 %"})
    assert "The clinic&#39;s starting chances changed since this visit began." in person.get(f"{problem}/decide").text
    told = person.json(f"{problem}/evidence")
    moved = next(c for c in told["chances"] if c["condition"] == "acl-tear")
    assert moved["moved"] and moved["before"] != moved["after"]


def test_the_pages_of_a_condition_lead_to_the_table(person: Person) -> None:
    kept(person, {"acl-tear": "35 %"})
    found = person.json("/evidence/knee/condition/acl-tear", onset="injury")
    assert found["own"] == "35 %" and person.get(found["table"]).status_code == 200
    assert person.json("/evidence/knee/condition/acl-tear", onset="gradual")["own"] == ""
    told = start_of(person, injured(person, "T-8"), "acl-tear")
    assert told["start_table"].endswith("ages=30-39") and person.get(told["start_table"]).status_code == 200


def test_a_house_protocol_says_when_the_chances_it_was_grown_from_have_changed(person: Person) -> None:
    grown = {"onset": "injury", "setting": "primary", "age": "30", "name": "Twisted knee"}
    at = person.done("/strategies/knee/adopt", swap=False, **grown).headers["location"]
    assert person.json(at)["moved"] == ""
    kept(person, {NONE: "25 %"}, ages="60-69")
    assert person.json(at)["moved"] == "", "what holds for other people moved nothing"
    kept(person, {NONE: "25 %"})
    assert "your clinic's starting chances changed" in person.json(at)["moved"]
