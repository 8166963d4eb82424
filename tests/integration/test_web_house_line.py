"""The house protocol in a visit: linked where one fits, followed along as results are recorded, one line."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from web_server import Person, Running

from endfeel.documents.strategy_tree import StrategySheet, TreeLine, reached

WHOM = {"onset": "gradual", "setting": "primary", "age": ""}


@pytest.fixture(scope="module")
def person(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Person]:
    running = Running(tmp_path_factory.mktemp("house"))
    made = Person(running.url)
    made.http.timeout = 180
    yield made
    running.stop()


def ahead(person: Person, problem: str) -> dict[str, Any]:
    found: dict[str, Any] = person.json(f"{problem}/ahead")["ahead"]
    return found


def visit(person: Person, onset: str = "gradual") -> str:
    problem = person.visit(region="cervical", side="right")
    person.clear_screens(problem)
    person.done(f"{problem}/story", onset=onset)
    return problem


def adopted(person: Person, **whom: str) -> tuple[str, dict[str, Any]]:
    fields = {**WHOM, **whom, "name": f"Neck {len(whom)}", "note": "", "client_id": f"adopt{len(whom)}"}
    at = person.post("/strategies/cervical/adopt", swap=False, **fields).headers["location"]
    return at, person.json(at)


def test_there_is_no_line_where_nothing_was_adopted(person: Person) -> None:
    problem = visit(person)
    assert ahead(person, problem)["house"] is None
    assert "House protocol" not in person.get(f"{problem}/ahead").text


def test_the_line_follows_the_recorded_results_to_the_end_of_the_tree(person: Person) -> None:
    at, page = adopted(person)
    lines = page["sheet"]["lines"]
    problem = visit(person)
    line = ahead(person, problem)["house"]
    assert line["href"] == at and line["says"] == "next would be"
    assert line["name"] == lines[0]["words"] and line["finding"].endswith(f"/findings/{lines[0]['observable']}")
    text = person.get(f"{problem}/bench").text + person.get(f"{problem}/ahead").text
    assert "House protocol for this region" in text and f'href="{at}"' in text
    for _ in range(page["sheet"]["depth"]):
        line = ahead(person, problem)["house"]
        if line["says"] != "next would be":
            break
        person.done(f"{problem}/record", observable=line["finding"].rpartition("/")[2], result="negative")
    else:
        line = ahead(person, problem)["house"]
    # Always negative: the last line of the tree.
    assert line["says"].startswith("it ends here: ") and line["name"] == line["finding"] == ""
    assert line["says"].removeprefix("it ends here: ").lower() == lines[-1]["words"].lower()


def test_what_was_not_done_or_may_not_be_done_is_said(person: Person) -> None:
    lines = adopted(person)[1]["sheet"]["lines"]
    problem = visit(person)
    person.done(f"{problem}/record", observable=lines[0]["observable"], result="not-done")
    assert ahead(person, problem)["house"]["but"] == "recorded as not done"
    later = visit(person)
    person.done(f"{later}/story", minutes="0")
    assert "minutes" in ahead(person, later)["house"]["but"]


def test_a_protocol_for_other_patients_is_linked_and_not_followed(person: Person) -> None:
    injured = visit(person, onset="injury")
    line = ahead(person, injured)["house"]
    assert line["says"] == "it is for a problem come on gradually" and line["finding"] == ""


def test_a_retired_protocol_is_gone(person: Person) -> None:
    at, _ = adopted(person)
    problem = visit(person)
    assert ahead(person, problem)["house"] is not None
    person.post(f"{at}/retire", swap=False, why="Shown once", client_id="retire-1")
    assert ahead(person, problem)["house"] is None


def test_following_a_tree_waits_for_a_decisive_result() -> None:
    def line(depth: int, after: str, observable: str) -> TreeLine:
        kind = "finding" if observable else "end"
        return TreeLine(depth, kind, after, "", f"{depth}{after}{observable}", "", observable, False, 1, 1.0)  # type: ignore[arg-type]

    lines = (
        line(0, "", "a"), line(1, "positive", "b"), line(2, "positive", ""), line(2, "negative", ""),
        line(1, "negative", "c:d"), line(2, "positive", ""), line(2, "negative", "b"), line(3, "positive", ""),
        line(3, "negative", ""),
    )  # fmt: skip
    sheet = StrategySheet("knee", "", (), "", lines, 3, (), (), True, "", (), "e")
    for results, place in (
        ({}, 0), ({"a": "unclear"}, 0), ({"b": "positive"}, 0), ({"a": "positive"}, 1),
        ({"a": "positive", "b": "negative"}, 3), ({"b": "positive", "a": "positive"}, 2), ({"a": "negative"}, 4),
        ({"a": "negative", "c": "negative"}, 4), ({"a": "negative", "c:d": "positive"}, 5),
        ({"a": "negative", "c:d": "negative"}, 6), ({"a": "negative", "c:d": "negative", "b": "negative"}, 8),
    ):  # fmt: skip
        assert reached(sheet, results) is lines[place]
