"""What scans show by chance and what a treatment response moves, on the pages where they matter."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from web_server import Person, Running

from endfeel.catalogue import load_catalogue
from endfeel.documents.incidental import SCANS
from endfeel.evidence.incidental import load_incidental

CATALOGUE, ROWS = load_catalogue(), load_incidental()


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    server = Running(Path(tmp_path_factory.mktemp("by-chance")))
    yield server
    server.stop()


@pytest.fixture
def person(running: Running) -> Person:
    return Person(running.url)


def ready(person: Person, region: str, born: int | None, onset: str = "injury") -> str:
    problem = person.visit(region, birth_year=born)
    person.done(f"{problem}/story", onset=onset)
    person.clear_screens(problem)
    return problem


@pytest.mark.parametrize("region", list(CATALOGUE.regions))
def test_every_care_that_looks_with_a_scan_says_what_it_shows_by_chance_or_that_nothing_was_read(
    person: Person, region: str
) -> None:
    problem = ready(person, region, 1970)
    page = person.json(f"{problem}/decide")
    assert page["groups"]
    for group in page["groups"]:
        if group["modality"] not in SCANS:
            assert group["by_chance"] is None
            continue
        for sight in group["by_chance"]:
            assert sight["words"].endswith(".") and sight["sources"][0]["url"].startswith("http")
    html = person.get(f"{problem}/decide").text
    said = html.count("by-chance")
    assert said == sum(group["by_chance"] is not None for group in page["groups"])
    silent = sum(group["by_chance"] == [] for group in page["groups"])
    assert html.count("in people without symptoms: no source was read for this scan at this age") == silent


def test_the_line_follows_the_patients_age(person: Person) -> None:
    def line(born: int | None) -> str:
        groups = person.json(f"{ready(person, 'knee', born)}/decide")["groups"]
        return next(g for g in groups if g["id"] == "knee-meniscus")["by_chance"][0]["words"]  # type: ignore[no-any-return]

    assert line(2002).startswith("About 1 in 30 knees of people under 40")
    assert line(1965).startswith("Between 19 and 23 in 100 knees of people of that age")
    assert line(None).startswith("Between 4 and 23 in 100 knees of people of different ages")


def test_the_bench_says_it_where_looking_further_is_what_is_advised(person: Person) -> None:
    problem = ready(person, "knee", 2000)
    for observable, result in (("lever-sign", "positive"), ("modified-anterior-drawer", "negative")):
        person.done(f"{problem}/record", observable=observable, result=result)
    advised = next(g for g in person.json(f"{problem}/decide")["groups"] if g["leading"])
    assert advised["advised"] == "look further" and advised["modality"] in SCANS
    ahead = person.json(f"{problem}/ahead")["ahead"]
    assert ahead["by_chance"] == advised["by_chance"] and ahead["by_chance"]
    assert "by-chance" in person.get(f"{problem}/ahead").text


@pytest.mark.parametrize("region", list(CATALOGUE.regions))
def test_the_bench_keeps_it_back_where_care_is_what_is_advised(person: Person, region: str) -> None:
    problem = ready(person, region, 1970, onset="gradual")
    leading = next(g for g in person.json(f"{problem}/decide")["groups"] if g["leading"])
    assert leading["advised"] == "start care and look again"
    assert person.json(f"{problem}/ahead")["ahead"]["by_chance"] is None


@pytest.mark.parametrize("region", list(CATALOGUE.regions))
def test_all_that_was_read_stands_on_one_page_with_its_sources(person: Person, region: str) -> None:
    page = person.json("/scans", region=region)
    rows = [row for row in ROWS if row.region == region]
    assert sum(len(sight["lines"]) for sight in page["sights"]) == len(rows)
    shown = {(found["citation"], round(found["share"], 6)) for sight in page["sights"] for found in sight["lines"]}
    assert shown == {(row.citation, round(row.share, 6)) for row in rows}
    asked = {g.modality for g in CATALOGUE.region(region).care.values()} & set(SCANS)
    assert set(page["without"]) == {SCANS[m] for m in asked if not any(m in row.modality for row in rows)}
    assert person.get("/scans", region=region).status_code == 200


def test_a_region_that_is_none_is_refused(person: Person) -> None:
    assert person.get("/scans", region="elbow").status_code == 404
    assert person.get("/scans").status_code == 200


@pytest.mark.parametrize(
    ("region", "finding"), [("hip", "intra-articular-anaesthetic-relief"), ("lumbar-pelvis", "good-response-to-nsaid")]
)
def test_a_treatment_response_moves_nothing_and_the_page_links_what_was_studied(
    person: Person, region: str, finding: str
) -> None:
    problem = ready(person, region, 1970, onset="gradual")
    page = person.json(f"{problem}/agree")
    assert "moves no chance by itself" in page["moves"]
    (named,) = page["studied"]
    assert named[1] == f"{problem}/findings/{finding}" and person.get(named[1]).status_code == 200
    before = [(r["id"], r["mean"]) for r in person.json(f"{problem}/bench")["rails"]]
    person.done(f"{problem}/treatment", swap=False, what="Exercise", response="better")
    assert [(r["id"], r["mean"]) for r in person.json(f"{problem}/bench")["rails"]] == before
    note = person.get(f"{problem.rsplit('/', 1)[0]}/note").text
    assert "moves no chance by itself" in note


def test_where_no_response_was_studied_the_page_says_so(person: Person) -> None:
    page = person.json(f"{ready(person, 'knee', 1970)}/agree")
    assert page["studied"] == [] and "no published accuracy of a treatment response" in page["moves"]
