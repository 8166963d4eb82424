"""The reasoning commands with a clinic's data folder say what the clinic's pages say; without one, what is shipped."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from test_web_own_studies import keep
from web_server import Person, Running

from endfeel.catalogue import load_catalogue
from endfeel.storage import Store
from endfeel.web.clinic_chances import ClinicChances

POOL = ("pool", "lachman", "acl-tear")
BELIEF = ("belief", "knee", "--onset", "injury", "--age", "30", "--record", "lachman=positive")
PLAN = ("plan", "knee", "--onset", "injury", "--record", "lachman=positive")
COMBINE = ("combine", "knee", "acl-tear", "--findings", "lachman,pivot-shift", "--at-least", "1")


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    code = "from endfeel.cli import main; main()"
    return subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, timeout=120)


def said(*arguments: str) -> dict[str, Any]:
    done = run(*arguments, "--json")
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


@pytest.fixture(scope="module")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Person]]:
    """A clinic with a study, dear misses and a starting chance of its own, and a server that goes on running."""
    folder = tmp_path_factory.mktemp("clinic")
    with Store(folder) as store:
        ClinicChances(store, load_catalogue()).set("knee", "primary/injury/all", {"mcl-injury": 0.31}, "A")
    running = Running(folder)
    person = Person(running.url)
    keep(person, **{"tp-1": "20", "fn-1": "23", "fp-1": "30", "tn-1": "54"})
    page = person.json("/costs/knee")
    cells = [*page["looking"], *page["burden"], *(c for g in page["groups"] for c in g["cells"])]
    dear = {c["name"]: c["value"] for c in cells} | {"miss knee-cruciate": "40"}
    person.done("/costs/knee", swap=False, **dear, act="keep")
    yield folder, person
    running.stop()


def test_pool_says_what_the_page_says(clinic: tuple[Path, Person]) -> None:
    folder, person = clinic
    plain, own = said(*POOL), said(*POOL, "--data", str(folder))
    assert (plain["own_studies"], own["own_studies"]) == (0, 1)
    (section,) = person.json("/evidence/knee/finding/lachman")["sections"]
    assert own["k"] == plain["k"] + 1 == section["k"]
    assert own["sentence"] == section["sentence"]
    assert own["edition"] == person.json("/evidence")["edition"] != plain["edition"]
    assert own["lr_positive"]["mean"] < plain["lr_positive"]["mean"]


def test_belief_plan_and_combine_use_it(clinic: tuple[Path, Person]) -> None:
    folder, person = clinic
    plain, own = said(*BELIEF), said(*BELIEF, "--data", str(folder))
    assert "your clinic's starting chance" in run(*BELIEF, "--data", str(folder)).stdout
    assert own["chances"]["acl-tear"]["mean"] < plain["chances"]["acl-tear"]["mean"]
    problem = person.visit(birth_year=None)
    person.done(f"{problem}/story", onset="injury", age="30")
    person.clear_screens(problem)
    person.done(f"{problem}/record", observable="lachman", result="positive")
    bench = person.json(f"{problem}/bench")
    page = {r["id"]: r["mean"] for r in [*bench["rails"], *bench["more_rails"]]}
    assert page == {c: pytest.approx(own["chances"][c]["mean"], abs=1e-9) for c in page}, "as the pages do"
    plans = said(*PLAN), said(*PLAN, "--data", str(folder))
    assert plans[0]["own_studies"] == 0 and plans[1]["own_studies"] == 1
    assert {o["observable"]: o["worth"] for o in plans[0]["next"]} != {
        o["observable"]: o["worth"] for o in plans[1]["next"]
    }
    both = said(*COMBINE), said(*COMBINE, "--data", str(folder))
    assert both[1]["own_studies"] == 1 and both[0]["specificity"] != both[1]["specificity"]


@pytest.mark.parametrize("command", [POOL, BELIEF, PLAN, COMBINE])
def test_the_text_says_where_the_figures_come_from(clinic: tuple[Path, Person], command: tuple[str, ...]) -> None:
    folder, _ = clinic
    assert "Shipped tables only;" in run(*command).stdout
    text = run(*command, "--data", str(folder)).stdout
    assert f"Shipped tables with 1 study of the clinic's own, its costs, its starting chances, from {folder}." in text


@pytest.mark.parametrize("command", [POOL, BELIEF, PLAN, COMBINE])
def test_a_bad_folder_is_one_line(command: tuple[str, ...], tmp_path: Path) -> None:
    (tmp_path / "endfeel.sqlite").write_bytes(b"no database at all, but long enough to be looked at" * 40)
    for folder, words in ((tmp_path / "nowhere", "there is no store here"), (tmp_path, "damaged")):
        done = run(*command, "--data", str(folder))
        assert (done.returncode, done.stdout) == (2, ""), done.stdout
        assert words in done.stderr and done.stderr.count("\n") == 1, done.stderr


def test_what_is_not_used_is_said_on_standard_error(tmp_path: Path) -> None:
    running = Running(tmp_path)
    person = Person(running.url)
    keep(person)
    running.stop()
    with Store(tmp_path) as store:
        held = store.setting("own-studies")
        held["changes"][0]["study"]["study"]["pmid"] = "31281835"
        store.set_setting("own-studies", held)
    done = run(*POOL, "--data", str(tmp_path), "--json")
    assert done.returncode == 0 and json.loads(done.stdout)["own_studies"] == 0
    assert "do not fit the tables any more" in done.stderr and done.stderr.count("\n") == 1
