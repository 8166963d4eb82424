"""The evidence pages over HTTP: every region, every pair, plots, and one clear line for whatever is wrong."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from web_server import Person, Running

from endfeel.documents.charts import forest_words
from endfeel.evidence import load_evidence
from endfeel.pooling import load_edition, pool
from endfeel.pooling.picture import pair_picture

EVIDENCE = load_evidence()


@pytest.fixture(scope="module")
def person(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Person]:
    running = Running(tmp_path_factory.mktemp("evidence"))
    yield Person(running.url)
    running.stop()


@pytest.mark.parametrize("region", EVIDENCE.regions())
def test_a_region_shows_every_pair_that_was_pooled_by_what_it_can_do(person: Person, region: str) -> None:
    page = person.json(f"/evidence/{region}")
    shown = {(p["observable"], p["condition_id"]) for g in page["groups"] for p in g["pairs"]}
    edition = load_edition()
    pooled = {p for p in EVIDENCE.pairs(region) if p in edition.pair_index}
    assert {p for p in pooled if pool(edition, EVIDENCE, *p).k} == shown
    for group in page["groups"]:
        for p in group["pairs"]:
            rules_in, rules_out = p["positive_mean"] >= 3, p["negative_mean"] <= 1 / 3
            assert (group["id"] in ("in", "both")) is rules_in and (group["id"] in ("out", "both")) is rules_out
    assert person.get(f"/evidence/{region}").status_code == 200


def test_filters_narrow_and_orders_sort(person: Person) -> None:
    every = person.json("/evidence/knee")
    only = person.json("/evidence/knee", can="in", least=2, sort="in")
    (group,) = only["groups"]
    ratios = [p["positive_mean"] for p in group["pairs"]]
    assert ratios == sorted(ratios, reverse=True) and min(ratios) >= 2
    named = person.json("/evidence/knee", q="lachman")
    assert 0 < named["shown"] < every["shown"] == every["total"]
    by_condition = person.json("/evidence/knee", condition="acl-tear")
    assert {p["condition_id"] for g in by_condition["groups"] for p in g["pairs"]} == {"acl-tear"}
    assert "No finding passes this filter" in person.get("/evidence/knee", q="zzz").text


@pytest.mark.parametrize("region", EVIDENCE.regions())
def test_every_finding_and_condition_page_of_a_region_opens(person: Person, region: str) -> None:
    for observable in EVIDENCE.observables(region):
        answer = person.get(f"/evidence/{region}/finding/{observable}")
        assert answer.status_code == 200, observable
        assert not re.search(r"\b(nan|inf|None)\b", answer.text), observable
    for condition in {c for _, c in EVIDENCE.pairs(region)}:
        assert person.get(f"/evidence/{region}/condition/{condition}").status_code == 200, condition


def test_every_line_behind_a_pair_says_where_it_was_read(person: Person) -> None:
    page = person.json("/evidence/knee/finding/lachman")
    (section,) = page["sections"]
    lines = {line["study_id"]: line for line in section["studies"]}
    assert set(lines) == {r.study_id for r in EVIDENCE.accuracy_of("lachman", "acl-tear")}
    assert all(line["url"].startswith("http") and line["read"] and line["criterion"] for line in lines.values())
    assert lines["pmid-3752353"]["left_out"] == "performed under anaesthesia"
    assert section["hangs"]["alternatives"], "the JSON waits for what the page fetches later"


def test_a_pair_with_one_study_says_so_and_what_lies_on_the_boundary(person: Person) -> None:
    observable, condition = next(
        p for p in EVIDENCE.pairs("knee") if len(EVIDENCE.accuracy_of(*p)) == 1 and not EVIDENCE.rates_of(*p)
    )
    page = person.json(f"/evidence/knee/{observable}/{condition}")
    assert page["sections"][0]["alone"]["remarks"][0].startswith("One study: no spread between studies")
    assert "nothing to leave out" in person.get(f"/evidence/knee/{observable}/{condition}").text


def test_a_condition_page_says_which_counts_serve_whom(person: Person) -> None:
    page = person.json("/evidence/knee/condition/acl-tear", setting="primary", onset="injury")
    used = [line for line in page["counted"] if line["now"]]
    assert used and all("after an injury: primary care" in line["serves"] for line in used)
    assert not page["start_assumed"]
    gradual = person.json("/evidence/knee/condition/acl-tear", setting="primary", onset="gradual")
    assert gradual["start_assumed"] and not any(line["now"] for line in gradual["counted"])


@pytest.mark.parametrize(("form", "begin"), [("svg", b"<svg"), ("pdf", b"%PDF"), ("png", b"\x89PNG")])
@pytest.mark.parametrize("chart", ["forest", "roc"])
def test_plots_come_in_three_forms(person: Person, chart: str, form: str, begin: bytes) -> None:
    answer = person.get(f"/evidence/knee/lachman/acl-tear/{chart}.{form}", width="narrow", room="dark")
    assert answer.status_code == 200 and answer.content.startswith(begin)
    assert b"NaN" not in answer.content


def test_the_plots_draw_every_line() -> None:
    edition = load_edition()
    for pair in (("lachman", "acl-tear"), ("mcmurray:medial", "meniscal-tear-medial"), EVIDENCE.pairs("hip")[0]):
        picture = pair_picture(edition, EVIDENCE, pool(edition, EVIDENCE, *pair))
        lines = forest_words(picture, dict(EVIDENCE.studies))
        assert len(lines) == len(EVIDENCE.accuracy_of(*pair)) + len(EVIDENCE.rates_of(*pair)) + 2


@pytest.mark.parametrize(
    ("path", "status", "said"),
    [
        ("/evidence/elbow", 404, "There is no region “elbow”"),
        ("/evidence/knee?least=7", 400, "least: 7 is none of 2, 3, 5"),
        ("/evidence/knee?sort=x", 400, "sort: “x” is none of"),
        ("/evidence/knee?can=x", 400, "can: “x” is none of"),
        ("/evidence/knee/finding/sneeze", 404, "There is no finding “sneeze”"),
        ("/evidence/knee/finding/lachman:loud", 404, "is no reading of"),
        ("/evidence/knee/condition/cold", 404, "There is no condition “cold”"),
        ("/evidence/knee/condition/acl-tear?onset=x", 400, "onset: “x” is none of"),
        ("/evidence/knee/condition/acl-tear?setting=x", 400, "setting: “x” is none of"),
        ("/evidence/knee/lachman/cold", 404, "No study in the tables measured"),
        ("/evidence/knee/lachman/cold/forest.svg", 404, "No study in the tables measured"),
        ("/evidence/knee/lachman/acl-tear/pie.svg", 404, "There is no plot “pie.svg”"),
        ("/evidence/knee/lachman/acl-tear/forest.svg?room=pink", 422, "room"),
    ],
)
def test_bad_addresses_get_one_clear_line(person: Person, path: str, status: int, said: str) -> None:
    answer = person.http.get(path, headers={"Accept": "application/json"})
    assert answer.status_code == status
    assert said in answer.json()["error"] and "\n" not in answer.json()["error"]
