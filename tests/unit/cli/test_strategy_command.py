"""The strategy command: a tree that adds up, the ways beside it, the page it writes, its one line for bad options."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from endfeel.planning.simulate import GENERATORS


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    code = "from endfeel.cli import main; main()"
    return subprocess.run(
        [sys.executable, "-c", code, "strategy", *arguments], capture_output=True, text=True, timeout=180
    )


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Path]:
    paper = tmp_path_factory.mktemp("paper") / "neck.pdf"
    done = run("cervical", "--depth", "2", "--patients", "20", "--pdf", str(paper), "--json")
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found, paper


def ends(node: dict[str, Any]) -> Iterator[dict[str, Any]]:
    if "do" in node:
        yield node
        return
    yield from ends(node["if_positive"])
    yield from ends(node["if_negative"])


def steps(node: dict[str, Any]) -> Iterator[dict[str, Any]]:
    if "do" not in node:
        yield node
        yield from steps(node["if_positive"])
        yield from steps(node["if_negative"])


def test_the_tree_takes_in_everybody_and_its_figures_add_up(told: tuple[dict[str, Any], Path]) -> None:
    found, _ = told
    assert found["region"] == "cervical" and found["depth"] == 2 and found["recorded"] == {}
    assert sum(end["reach"] for end in ends(found["tree"])) == pytest.approx(1.0)
    own = found["ways"][0]
    assert own["name"] == "this strategy"
    assert own["minutes"] == pytest.approx(sum(s["reach"] * s["minutes"] for s in steps(found["tree"])))
    assert own["provocation"] == pytest.approx(sum(s["reach"] * s["provocation"] for s in steps(found["tree"])))
    assert own["loss"] == pytest.approx(sum(e["reach"] * e["loss"] for e in ends(found["tree"])))
    assert own["total"] == pytest.approx(own["burden"] + own["loss"])
    assert [w["name"] for w in found["ways"]] == [
        "this strategy", "every test", "the most-published tests", "no examination",
    ]  # fmt: skip
    assert own["total"] <= found["ways"][3]["total"]


def test_every_world_is_tried_with_every_way(told: tuple[dict[str, Any], Path]) -> None:
    found, _ = told
    assert [t["generator"] for t in found["simulated"]] == list(GENERATORS)
    for trial in found["simulated"]:
        names = [w["name"] for w in trial["ways"]]
        assert names == ["this strategy", "every test", "the most-published tests", "no examination"]
        assert [w["patients"] for w in trial["ways"]] == [20, 2, 20, 20]
        first, _, _, nothing = trial["ways"]
        assert first["more_than_strategy"] == 0.0 and nothing["minutes"] == nothing["burden"] == 0.0
        assert nothing["more_than_strategy"] == pytest.approx(nothing["total"] - first["total"])


def test_the_page_is_a_pdf(told: tuple[dict[str, Any], Path]) -> None:
    assert told[1].read_bytes().startswith(b"%PDF")


def test_after_results_the_tree_begins_behind_them_and_no_simulation_leaves_the_rest() -> None:
    done = run("cervical", "--record", "spurling-test=positive", "--depth", "1", "--patients", "0")
    assert done.returncode == 0, done.stderr
    assert "The tree begins after spurling-test positive." in done.stdout
    assert "every test" not in done.stdout and "no examination" in done.stdout
    assert "simulated" not in done.stdout


def test_simulated_patients_show_what_was_recorded() -> None:
    done = run("cervical", "--record", "spurling-test=positive", "--depth", "1", "--patients", "20", "--json")
    found = json.loads(done.stdout)
    assert found["recorded"] == {"spurling-test": "positive"}
    assert "spurling-test" not in {s["observable"] for s in steps(found["tree"])}
    assert {w["patients"] for t in found["simulated"] for w in t["ways"]} == {2, 20}


@pytest.mark.parametrize(
    ("arguments", "told_of"),
    [
        (["elbow"], "no region 'elbow'"),
        (["knee", "--depth", "0"], "--depth 0: give 1 to 7"),
        (["knee", "--depth", "8"], "--depth 8: give 1 to 7"),
        (["knee", "--depth", "x"], "valid integer"),
        (["knee", "--patients", "5"], "--patients 5: give 20 to 20000, or 0"),
        (["knee", "--patients", "-1"], "--patients -1"),
        (["knee", "--pdf", "/no/such/folder/a.pdf"], "there is no folder /no/such/folder"),
        (["knee", "--position", "flying"], "--position flying: give one of standing"),
        (["knee", "--irritability", "severe"], "--irritability severe: give one of low, moderate, high"),
        (["knee", "--precaution", "no-such"], "there is none of that name"),
        (["knee", "--minutes", "nan"], "minutes from 0 to 600"),
        (["knee", "--age", "12"], "no chances under 16"),
        (["knee", "--onset", "yesterday"], "onset 'yesterday'"),
        (["knee", "--record", "lachman=maybe"], "result 'maybe'"),
        (["knee", "--chance", "acl-tear=2"], "no number from 0 to 1"),
    ],
)
def test_bad_options_are_one_clear_line(arguments: list[str], told_of: str) -> None:
    done = run(*arguments)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1 and "Traceback" not in done.stderr
    assert told_of in done.stderr
