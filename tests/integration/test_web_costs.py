"""Costs over HTTP: thresholds follow, visits use them, what leaves no middle zone is refused, nothing is half-saved."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from web_server import Person, Running

from endfeel.catalogue import load_catalogue
from endfeel.planning import default_costs
from endfeel.web.clinic_costs import cost_values, with_values

CATALOGUE = load_catalogue()
KNEE = "/costs/knee"


@pytest.fixture
def person(running: Running) -> Person:
    return Person(running.url)


def table(person: Person, region: str = "knee") -> dict[str, str]:
    page = person.json(f"/costs/{region}")
    cells = [*page["looking"], *page["burden"], *(c for g in page["groups"] for c in g["cells"])]
    return {c["name"]: c["value"] for c in cells}


def group(person: Person, name: str, **query: str) -> dict[str, Any]:
    return next(g for g in person.json(KNEE, **query)["groups"] if g["id"] == name)


@pytest.mark.parametrize("region", list(CATALOGUE.regions))
@pytest.mark.parametrize("onset", ["injury", "gradual"])
def test_every_region_shows_how_each_threshold_follows(person: Person, region: str, onset: str) -> None:
    page = person.json(f"/costs/{region}", onset=onset)
    costs = default_costs(CATALOGUE.region(region), CATALOGUE.modalities)
    assert {g["id"] for g in page["groups"]} == set(costs.harm_of_a_miss)
    for found in page["groups"]:
        thresholds = costs.thresholds(found["id"])
        said = " ".join(found["follows"])
        assert found["zones"]["middle"] is (thresholds.low < thresholds.high)
        if found["zones"]["middle"]:
            assert "Set aside below" in said and "Start care above 1 −" in said
            assert f"= {100 * thresholds.low:.0f} %" in said or thresholds.low < 0.02
        else:
            assert "no middle zone" in said or "nothing to look further with" in said
    assert person.get(f"/costs/{region}", onset=onset).status_code == 200


def test_a_kept_table_moves_thresholds_and_advice_and_stays(running: Running, tmp_path: Path) -> None:
    person = Person(running.url)
    care = next(g for g in person.json(KNEE, onset="injury")["groups"] if any(c["doubled"] for c in g["cells"]))
    cell = next(c for c in care["cells"] if c["doubled"])
    doubled = str(float(cell["value"]) * 2)
    person.done(f"{KNEE}?onset=injury", swap=False, **{**table(person), cell["name"]: doubled}, act="keep")
    after = group(person, care["id"], onset="injury")
    assert after["follows"] != care["follows"]
    changed = {c["name"]: c for c in after["cells"]}[cell["name"]]
    assert float(changed["value"]) == float(doubled) and changed["usual"] == cell["value"]
    told = cell["doubled"].split(": ", 1)[1]
    assert f"becomes {after['advised']}" in told or after["advised"] == care["advised"]
    assert [h["by"] for h in person.json(KNEE)["history"]] == ["clinician"]
    assert person.json("/costs")["regions"][0]["words"] == "as shipped"
    running.stop()
    again = Running(tmp_path)
    try:
        assert table(Person(again.url))[cell["name"]] == changed["value"]
        Person(again.url).done(KNEE, swap=False, act="shipped")
        assert table(Person(again.url))[cell["name"]] == cell["usual"]
    finally:
        again.stop()


def acl_zone(person: Person, problem: str) -> float:
    """Where the first bracket under the rail of the front cruciate ligament ends, in per cent of its width."""
    rail = next(r for r in person.json(f"{problem}/bench")["rails"] if r["id"] == "acl-tear")
    return float(rail["zones"][0]["to_x"])


def test_a_new_visit_uses_the_costs_of_the_clinic_and_an_earlier_one_keeps_its_own(person: Person) -> None:
    problem = person.visit()
    person.clear_screens(problem)
    person.done(f"{problem}/record", observable="lachman", result="positive")
    before = acl_zone(person, problem)
    visit = problem.removeprefix("/visits/")
    shipped = person.json(KNEE, visit=visit)
    ligament = next(g for g in shipped["groups"] if g["id"].startswith("cruciate") or "ligament" in g["name"].lower())
    names = [c["name"] for c in ligament["cells"]]
    dear = {**table(person), names[0]: "40", names[1]: "2.5"}
    person.done(KNEE, swap=False, **dear, act="keep")
    after = person.json(KNEE, visit=visit)
    assert shipped["who"].startswith("the visit of T-1")
    low = next(g for g in after["groups"] if g["id"] == ligament["id"])
    assert low["zones"]["low"] < ligament["zones"]["low"], "a dearer miss is looked at earlier"
    assert "under today's figures (the visit keeps those that it began with)" in after["who"]
    assert acl_zone(person, problem) == before, "what was decided under those costs stays beside them"
    second = person.visit(code="T-2")
    person.clear_screens(second)
    person.done(f"{second}/record", observable="lachman", result="positive")
    assert acl_zone(person, second) < before, "the bench draws the clinic's zones"


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("scan mri", "99", "looking further at 99 would never be the cheapest"),
        ("miss", "0", "0.0 is no positive number"),
        ("miss", "-1", "is no number from 0 to"),
        ("miss", "a lot", "“a lot” is no number"),
        ("miss", "nan", "“nan” is no number"),
        ("miss", "1e99", "is no number from 0 to"),
        ("minute", "-0.1", "is no number from 0 to"),
        ("provocation mild", "0.9", "must rise from mild to strong"),
    ],
)
def test_a_table_that_can_not_be_used_is_refused_in_one_line_and_nothing_is_kept(
    person: Person, name: str, value: str, said: str
) -> None:
    before = table(person)
    wanted = next(n for n in before if n.startswith(name))
    answer = person.post(KNEE, swap=False, **{**before, wanted: value}, act="keep")
    assert answer.status_code == 400
    assert said in answer.text, answer.text[:1500]
    assert f'value="{value}"' in answer.text, "what was typed is still there"
    assert table(person) == before and person.json(KNEE)["history"] == []


def test_two_people_at_once_do_not_overwrite_each_other(person: Person) -> None:
    person.done(KNEE, swap=False, **{**table(person), "minute": "0.009"}, act="keep", seen="0")
    answer = person.post(KNEE, swap=False, **{**table(person), "minute": "0.02"}, act="keep", seen="0")
    assert answer.status_code == 409 and "changed meanwhile" in answer.text
    assert table(person)["minute"] == "0.009"


@pytest.mark.parametrize(
    "path", ["/costs/elbow", "/costs/knee?onset=x", "/costs/knee?visit=nobody/p1", "/costs/knee?visit=x"]
)
def test_bad_addresses_are_refused(person: Person, path: str) -> None:
    assert 400 <= person.http.get(path).status_code < 500


def test_a_figure_that_no_longer_exists_is_left_aside_and_named(running: Running) -> None:
    running.app.state.desk.store.set_setting(
        "costs",
        {"knee": [{"at": "2026-01-01T00:00:00+00:00", "by": "ab", "values": {"miss elsewhere": 3.0, "minute": 0.01}}]},
    )
    page = Person(running.url).json(KNEE)
    assert "miss elsewhere" in page["trouble"]
    assert next(c for c in page["burden"] if c["name"] == "minute")["value"] == "0.01"


def test_values_by_name_come_back_as_they_went() -> None:
    for region in CATALOGUE.regions.values():
        costs = default_costs(region, CATALOGUE.modalities)
        assert cost_values(with_values(costs, cost_values(costs))) == cost_values(costs)
        assert with_values(costs, {}).provocation == costs.provocation
