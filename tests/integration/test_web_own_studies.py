"""A clinic's own studies over HTTP: added, edited, retired and brought in as tables; what they move is told."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest
from web_server import Person, Running

OWN = "/evidence/studies/own"
PAPER = {
    "citation": "Invented B et al., not published", "year": "2025", "setting": "primary", "sampling": "consecutive",
    "reference_standard": "mri", "index_blind": "yes", "reference_blind": "yes", "proposes_test": "no",
}  # fmt: skip
READ = {"source_url": "https://example.org/own", "source_kind": "paper-table", "read_at": "Table 2"}
COUNTS = {"tp": "40", "fn": "3", "fp": "4", "tn": "80", "basis": "counts"}

UNCOUNTED = {"tp-1": "", "fn-1": "", "fp-1": "", "tn-1": ""}


def numbered(n: int, **values: str) -> dict[str, str]:
    return {f"{name}-{n}": value for name, value in values.items()}


def form(**changed: str) -> dict[str, str]:
    line = {"observable": "lachman", "condition": "acl-tear", "criterion": "no firm stop", **COUNTS, **READ}
    return {**PAPER, **numbered(1, **line), "act": "keep", **changed}


@pytest.fixture
def person(running: Running) -> Person:
    return Person(running.url)


def keep(person: Person, **changed: str) -> str:
    answer = person.post(f"{OWN}/new?region=knee", swap=False, **form(**changed))
    assert answer.status_code == 303, answer.text[:400]
    return answer.headers["location"]


def lachman(person: Person) -> dict[str, Any]:
    (section,) = person.json("/evidence/knee/finding/lachman")["sections"]
    return dict(section)


def test_a_study_moves_the_pooled_figures_at_once_and_stays_after_a_restart(running: Running, tmp_path: Path) -> None:
    person = Person(running.url)
    before, edition = lachman(person), person.json("/evidence")["edition"]
    moved = person.json(keep(person))
    assert [(m["observable"], m["condition"]) for m in moved["moves"]] == [("lachman", "acl-tear")]
    assert moved["moves"][0]["positive_before"] == before["positive"]
    after = lachman(person)
    assert after["positive"] == moved["moves"][0]["positive_after"] != before["positive"]
    assert after["k"] == before["k"] + 1 and after["moved"]["k_before"] == before["k"]
    own = person.json(OWN)
    assert own["based_on"] == edition != own["edition"]
    assert [h["by"] for h in own["history"]] == ["clinician"]
    running.stop()
    again = Running(tmp_path)
    try:
        assert lachman(Person(again.url))["positive"] == after["positive"]
        assert Person(again.url).json(OWN)["edition"] == own["edition"], "the same studies give the same edition"
    finally:
        again.stop()


def test_looking_keeps_nothing_and_one_more_line_keeps_what_was_typed(person: Person) -> None:
    answer = person.post(f"{OWN}/new?region=knee", swap=False, **form(act="look"))
    assert answer.status_code == 200 and "What it would move" in answer.text and "Nothing is kept yet" in answer.text
    more = person.post(f"{OWN}/new?region=knee", swap=False, **form(act="more"))
    assert more.status_code == 200 and 'name="tp-2"' in more.text and 'value="40"' in more.text
    assert person.json(OWN)["history"] == []


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"citation": ""}, "The citation is missing"),
        ({"year": "MMXX"}, "The year: “MMXX”"),
        ({"setting": ""}, "The setting is missing"),
        ({"setting": "moon"}, "The setting: “moon”"),
        ({"tp-1": "-3"}, "Line 1: positive with the condition: “-3”"),
        ({"tp-1": "4.5"}, "Line 1: positive with the condition: “4.5”"),
        ({"tp-1": "0", "fn-1": "0"}, "a line needs people with and people without the condition"),
        ({"sens_printed-1": "0.5"}, "printed sensitivity 0.5, the counts give 0.930"),
        ({"sens_printed-1": "93"}, "Line 1: the printed sensitivity: “93”"),
        ({"observable-1": "sneeze"}, "There is no finding “sneeze” in knee"),
        ({"observable-1": "lachman:loud"}, "is no reading of lachman"),
        ({"condition-1": "cold"}, "cold is no condition of knee"),
        ({"condition-1": ""}, "Line 1: the condition is missing"),
        ({"source_url-1": ""}, "Line 1: where it was read (address) is missing"),
        ({"pmid": "31281835"}, "pmid-31281835"),
        ({"n_total": "9"}, "the study has 9"),
        ({"doi": "no doi"}, "The DOI: “no doi”"),
        ({**UNCOUNTED, "observable-1": "", "condition-1": ""}, "No line was filled in"),
        (UNCOUNTED, "give the four counts, or printed rates"),
    ],
)
def test_bad_input_is_one_clear_line_the_form_is_kept_and_nothing_is_stored(
    person: Person, changed: dict[str, str], said: str
) -> None:
    answer = person.post(f"{OWN}/new?region=knee", swap=False, **form(**changed))
    assert answer.status_code == 400
    assert said in answer.text.replace("&#34;", '"').replace("&#39;", "'"), answer.text[:3000]
    assert "no firm stop" in answer.text, "what was typed is still there"
    assert person.json(OWN)["own"] == [] and person.json(OWN)["history"] == []


def test_rates_without_counts_can_be_kept_and_impossible_ones_not(person: Person) -> None:
    rates = {"tp-1": "", "fn-1": "", "fp-1": "", "tn-1": "", "sens_printed-1": "0.80", "spec_printed-1": "0.90"}
    person.json(keep(person, **rates, **{"total-1": "100"}))
    assert any(s["own"] and "100 people" in s["counts"] for s in lachman(person)["studies"])
    odd = {**rates, "sens_printed-1": "0.333", "spec_printed-1": "0.111", "total-1": "5", "citation": "Other one"}
    answer = person.post(f"{OWN}/new?region=knee", swap=False, **form(**odd))
    assert answer.status_code == 400 and "no split of 5 people gives" in answer.text


def test_edit_retire_and_use_again_each_stand_in_the_history(person: Person) -> None:
    keep(person)
    (study,) = person.json(OWN)["own"]
    first = lachman(person)["positive"]
    assert 'value="40"' in person.get(f"{study['href']}/edit").text
    answer = person.post(f"{study['href']}/edit", swap=False, **form(**{"tp-1": "20", "fn-1": "23"}), why="read anew")
    assert answer.status_code == 303
    second = lachman(person)["positive"]
    assert second != first
    person.done(f"{study['href']}/retire", swap=False, why="withdrawn")
    assert all(s["study_id"] != study["study_id"] for s in lachman(person)["studies"])
    assert person.json(study["href"])["why"] == "withdrawn"
    person.done(f"{study['href']}/restore", swap=False)
    assert lachman(person)["positive"] == second
    words = [h["words"].rsplit(" ", 1)[-1] for h in person.json(OWN)["history"]]
    assert words == ["again", "used", "edited", "added"]
    assert person.post(f"{study['href']}/retire", swap=False).status_code == 400
    assert person.post("/evidence/studies/pmid-1/retire", swap=False, why="x").status_code == 400
    assert person.get("/evidence/studies/pmid-31281835/edit").status_code == 404, "shipped studies are not edited"


def test_a_shipped_study_can_be_left_out_and_its_last_pair_is_then_unstudied(person: Person) -> None:
    study = person.json("/evidence/studies/pmid-31281835")
    assert study["without"], "its page shows what would move without it"
    person.done("/evidence/studies/pmid-31281835/retire", swap=False, why="children only")
    assert person.json(OWN)["retired"][0]["words"] == "children only"
    assert person.get("/evidence/knee").status_code == 200
    assert all(s["study_id"] != "pmid-31281835" for s in lachman(person)["studies"])


def test_two_people_at_once_do_not_overwrite_each_other(person: Person) -> None:
    seen = person.json(OWN)["seen"]
    keep(person, seen=str(seen))
    answer = person.post(f"{OWN}/new?region=knee", swap=False, **form(seen=str(seen), citation="Somebody else 2025"))
    assert answer.status_code == 409 and "changed meanwhile" in answer.text
    assert len(person.json(OWN)["own"]) == 1


def test_tables_go_out_and_come_back(person: Person, tmp_path: Path) -> None:
    keep(person)
    tables = {name: person.get(f"{OWN}/table/{name}").text for name in ("studies.csv", "accuracy.csv")}
    figures = lachman(person)["positive"]
    (study,) = person.json(OWN)["own"]
    person.done(f"{study['href']}/retire", swap=False, why="to see it come back")
    other = Running(tmp_path / "other")
    try:
        second = Person(other.url)
        second.done(f"{OWN}/import", swap=False, **tables)
        assert lachman(second)["positive"] == figures
        second.done(f"{OWN}/import", swap=False, **tables)
        assert len(second.json(OWN)["own"]) == 1, "the same study is put in place of itself"
        bad = {**tables, "accuracy.csv": tables["accuracy.csv"].replace(",40,4,3,80,", ",40,4,3,many,")}
        answer = second.post(f"{OWN}/import", swap=False, **bad)
        assert answer.status_code == 400 and "accuracy.csv:2: tn" in answer.text
        assert second.post(f"{OWN}/import", swap=False, **{"accuracy.csv": "a,b\n1,2\n"}).status_code == 400
        assert len(second.json(OWN)["history"]) == 2
        assert second.get(f"{OWN}/table/notes.csv").status_code == 404
    finally:
        other.stop()


def test_an_open_visit_keeps_its_evidence_and_says_what_would_differ(person: Person) -> None:
    problem = person.visit()
    person.clear_screens(problem)
    person.done(f"{problem}/record", observable="lachman", result="positive")
    before = {r["id"]: r["mean"] for r in person.json(f"{problem}/bench")["rails"]}
    assert person.json(f"{problem}/evidence")["chances"] == []
    poor = {"tp-1": "100", "fn-1": "300", "fp-1": "300", "tn-1": "300"}
    for n in range(4):
        keep(person, citation=f"Invented series {n}", **poor)
    after = {r["id"]: r["mean"] for r in person.json(f"{problem}/bench")["rails"]}
    assert after == before, "the visit keeps the evidence that it began with"
    moved = person.json(f"{problem}/evidence")
    acl = next(c for c in moved["chances"] if c["condition"] == "acl-tear")
    assert acl["moved"] and acl["before"] != acl["after"]
    assert moved["words"].startswith("The evidence changed since this visit began. ")
    assert [m["observable"] for m in moved["pairs"]] == ["lachman"]
    notice = person.json(f"{problem}/bench")["head"]["evidence"]
    assert notice["href"] == f"{problem}/evidence" and "The evidence changed" in person.get(f"{problem}/story").text
    second = person.visit(code="T-2")
    assert person.json(f"{second}/story")["head"]["evidence"] is None
    person.clear_screens(second)
    person.done(f"{second}/record", observable="lachman", result="positive")
    new = {r["id"]: r["mean"] for r in person.json(f"{second}/bench")["rails"]}
    assert new["acl-tear"] < before["acl-tear"], "a new visit starts with today's evidence"
    keep(person, citation="Invented last one")
    same = {r["id"]: r["mean"] for r in person.json(f"{second}/bench")["rails"]}
    assert same == new, "a visit that began between two changes keeps what stood then"
    assert person.json(f"{second}/evidence")["known"]
    history = person.json(OWN)["history"]
    assert history[0]["edition"] == person.json(OWN)["edition"], "the history names the edition that is in use"


def test_a_damaged_history_leaves_the_shipped_evidence_in_use_and_says_so(running: Running) -> None:
    person = Person(running.url)
    keep(person)
    shipped = person.json(OWN)["based_on"]
    store = running.app.state.desk.store
    held = store.setting("own-studies")
    held["changes"][0]["study"]["accuracy"][0]["tp"] = "x"
    held["changes"].append(dict(held["changes"][0], number=2))
    store.set_setting("own-studies", held)
    time.sleep(1.2)
    page = person.json("/evidence")
    assert page["edition"] == shipped and "can not be read" in page["trouble"]
    assert page["trouble"] in person.get("/evidence").text.replace("&#39;", "'")


def test_a_study_that_fits_no_more_is_named_and_the_others_stay_in_use(running: Running) -> None:
    """As after an upgrade that ships a paper which the clinic had added before."""
    person = Person(running.url)
    keep(person, **{"observable-1": "anterior-drawer", "citation": "First, of 2025"})
    keep(person)
    store = running.app.state.desk.store
    held = store.setting("own-studies")
    held["changes"][0]["study"]["study"]["pmid"] = "31281835"
    store.set_setting(
        "own-studies", {**held, "changes": [*held["changes"], {**held["changes"][1], "number": 3, "act": "edit"}]}
    )
    time.sleep(1.2)
    trouble = person.json(OWN)["trouble"]
    first = held["changes"][0]["study_id"]
    assert first in trouble and "stands there already" in trouble
    assert lachman(person)["moved"], "the other study still counts"
    assert "does not fit the tables" in person.json(OWN)["own"][0]["words"]
    assert person.get(f"/evidence/studies/{first}").status_code == 200
    keep(person, citation="A third one, of 2025")
    assert person.json(OWN)["trouble"] == trouble
    person.done(f"/evidence/studies/{first}/retire", swap=False, why="it is in the tables now")
    assert person.json(OWN)["trouble"] == ""
