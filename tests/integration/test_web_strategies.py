"""Strategies and drawings from a real server: worked out once, adopted as they stand, retired with a reason."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest
from web_server import Person, Running

from endfeel.belief import BeliefError
from endfeel.web import strategy_work

REGION = "cervical"
WHOM = {"onset": "gradual", "setting": "primary", "age": "45"}


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    running = Running(tmp_path_factory.mktemp("strategies"))
    yield running
    running.stop()


@pytest.fixture(scope="module")
def person(server: Running) -> Person:
    made = Person(server.url)
    made.http.timeout = 180
    return made


def test_a_strategy_says_that_it_is_being_worked_out_and_is_worked_out_once(person: Person) -> None:
    began = time.monotonic()
    first = person.get(f"/strategies/{REGION}", **WHOM)
    assert time.monotonic() - began < 3, "the page does not wait for it"
    assert 'aria-busy="true"' in first.text and "Working." in first.text and "hx-get" in first.text
    whole = person.json(f"/strategies/{REGION}", **WHOM)
    assert whole["busy"] == "" and whole["sheet"]["complete"]
    ends = [line for line in whole["sheet"]["lines"] if line["kind"] == "end"]
    assert sum(line["reach"] for line in ends) == pytest.approx(1, abs=1e-6)
    names = [way["name"] for way in whole["sheet"]["ways"]]
    assert names == ["this strategy", "every test", "the most-published tests", "no examination"]
    own, every, *_ = whole["sheet"]["ways"]
    assert own["minutes"] < every["minutes"] and own["burden"] < every["burden"]
    began = time.monotonic()
    page = person.get(f"/strategies/{REGION}", **WHOM)
    assert time.monotonic() - began < 1, "kept, not worked out again"
    assert 'aria-busy="false"' in page.text
    assert page.text.count('<li class="end">') == len(ends)
    assert page.text.count("<ul>") == page.text.count("</ul>") - page.text.count('<ul class=')
    for line in whole["tree"]["branches"]:
        if line["href"]:
            assert person.get(line["href"]).status_code == 200, line["href"]


def test_too_many_at_once_are_refused_and_a_failure_is_told_once_and_tried_anew(
    person: Person, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = {**WHOM, "age": "46"}
    with monkeypatch.context() as full:
        full.setattr(strategy_work, "MOST_WAITING", 0)
        refused = person.get(f"/strategies/{REGION}.json", **other)
        assert refused.status_code == 429 and "wait" in refused.json()["error"]
    with monkeypatch.context() as broken:

        def fails(*_: object, **__: object) -> None:
            raise BeliefError("these chances can not be")

        broken.setattr(strategy_work, "strategy", fails)
        failed = person.get(f"/strategies/{REGION}.json", **other)
        assert failed.status_code == 400 and failed.json()["error"] == "these chances can not be."
    assert person.json(f"/strategies/{REGION}", **other)["sheet"]["complete"]


def test_a_strategy_prints_on_one_page(person: Person) -> None:
    paper = person.get(f"/strategies/{REGION}.pdf", **WHOM)
    assert paper.headers["content-type"] == "application/pdf" and paper.content.startswith(b"%PDF")


@pytest.mark.parametrize(
    ("query", "status", "words"),
    [
        ({"age": "12"}, 400, "adults"), ({"age": "soon"}, 400, "whole number"), ({"age": "400"}, 400, "110"),
        ({"onset": "magic"}, 400, "onset"), ({"setting": "moon"}, 400, "setting"),
    ],
)  # fmt: skip
def test_a_patient_who_can_not_be_is_one_clear_line(
    person: Person, query: dict[str, str], status: int, words: str
) -> None:
    answer = person.get(f"/strategies/{REGION}.json", **query)
    assert answer.status_code == status and words in answer.json()["error"]


def test_an_unknown_region_or_protocol_is_not_found(person: Person) -> None:
    for path in ("/strategies/nose.json", "/strategies/house/nothing.json", "/drawings/nose.json"):
        assert person.get(path).status_code == 404, path
    assert person.get("/strategies/house/nothing.pdf").status_code == 404
    assert person.get("/drawings/knee/nothing.svg").status_code == 404


def test_adopted_once_listed_kept_over_a_restart_and_retired(tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("house")
    server = Running(folder)
    person = Person(server.url)
    person.http.timeout = 180
    fields = {**WHOM, "name": "Stiff neck, all of us", "note": "Agreed in March", "client_id": "adopt-1"}
    first = person.post(f"/strategies/{REGION}/adopt", swap=False, **fields)
    again = person.post(f"/strategies/{REGION}/adopt", swap=False, **fields)
    assert first.status_code == 303 and first.headers["location"] == again.headers["location"]
    at = first.headers["location"]
    listed = person.json("/strategies")["adopted"]
    assert [p["name"] for p in listed] == ["Stiff neck, all of us"]
    before = person.json(at)
    assert before["adopted"].startswith("House protocol, adopted") and before["moved"] == ""
    server.stop()

    server = Running(folder)
    person = Person(server.url)
    assert person.json(at)["sheet"] == before["sheet"], "as it was adopted"
    assert person.get(at + ".pdf").content.startswith(b"%PDF")
    assert "Agreed in March" in person.get(at).text
    assert person.post(at + "/retire", swap=False).status_code == 400, "a reason is needed"
    person.done(at + "/retire", swap=False, why="New evidence")
    assert person.post(at + "/retire", swap=False, why="Again").status_code == 409
    page = person.json("/strategies")
    assert page["adopted"] == [] and "New evidence" in page["retired"][0]["words"]
    assert person.json(at)["retired"].endswith("New evidence")
    server.stop()


def test_a_protocol_of_another_version_is_counted_and_not_lost(server: Running, person: Person) -> None:
    store = server.app.state.desk.store
    store.set_setting("house-protocol:old", {"shape": "unknown"})
    assert person.json("/strategies")["unreadable"] == 1
    assert "can not be shown here" in person.get("/strategies").text
    assert store.setting("house-protocol:old") == {"shape": "unknown"}


def test_every_drawing_is_listed_and_can_be_seen(person: Person) -> None:
    regions = {r["id"]: r for r in person.json("/drawings")["regions"]}
    assert regions["knee"]["drawn"] > 30
    page = person.json("/drawings/ankle-foot")
    pictures = [p for group in page["groups"] for p in group["pictures"]]
    assert len(pictures) == page["drawn"] == regions["ankle-foot"]["drawn"]
    for picture in pictures[:4]:
        image = person.get(picture["image"])
        assert image.headers["content-type"].startswith("image/svg+xml") and "<svg" in image.text
        assert "style=" not in image.text and len(picture["words"]) > 12
    assert person.get("/drawings/ankle-foot").text.count("<img") == len(pictures)
    assert "No test of this region is drawn yet" in person.get("/drawings/elbow-wrist-hand").text or regions[
        "elbow-wrist-hand"
    ]["drawn"]
