"""The commands of the contract: their JSON, their one line for bad input."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest


def run(*arguments: str, data: Path | None = None) -> subprocess.CompletedProcess[str]:
    code = "from endfeel.cli import main; main()"
    more = ["--data", str(data)] if data else []
    return subprocess.run([sys.executable, "-c", code, *arguments, *more], capture_output=True, text=True, timeout=120)


def said(*arguments: str) -> dict[str, Any]:
    done = run(*arguments, "--json")
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def is_interval(value: dict[str, float]) -> bool:
    finite = all(map(math.isfinite, value.values()))
    return finite and set(value) == {"mean", "low", "high"} and value["low"] <= value["high"]


def test_pool() -> None:
    found = said("pool", "lachman", "acl-tear")
    assert set(found) >= {
        "observable", "condition", "k", "n", "pooled", "predictive", "lr_positive", "lr_negative", "edition"
    }  # fmt: skip
    assert is_interval(found["pooled"]["sensitivity"]) and is_interval(found["lr_positive"])
    wide, narrow = found["predictive"]["sensitivity"], found["pooled"]["sensitivity"]
    assert wide["high"] - wide["low"] > narrow["high"] - narrow["low"], "a new clinic is less certain than the average"


def test_belief() -> None:
    found = said(
        "belief", "knee", "--onset", "injury", "--record", "lachman=positive", "--record", "pivot-shift=positive"
    )
    assert set(found) >= {"region", "setting", "edition", "chances", "explained", "discounted", "surprise"}
    assert all(is_interval(c) for c in found["chances"].values())
    assert found["chances"]["acl-tear"]["mean"] > 0.4
    moved = {m["observable"] for m in found["explained"] if m["condition"] == "acl-tear"}
    assert moved == {"lachman", "pivot-shift"}
    (shared,) = [d for d in found["discounted"] if d["condition"] == "acl-tear"]
    assert shared["log_odds_joint"] < shared["log_odds_independent"], "two tests of one ligament are less than two"


def test_a_chance_set_by_hand_is_where_it_starts() -> None:
    found = said("belief", "knee", "--chance", "acl-tear=0.4")
    assert found["chances"]["acl-tear"]["mean"] == pytest.approx(0.4, abs=1e-3)


def test_plan() -> None:
    found = said("plan", "knee", "--onset", "injury", "--minutes", "12", "--precaution", "recent-graft")
    assert set(found) >= {"next", "route", "withheld", "stop", "why"}
    assert {"observable", "worth", "burden", "position", "if_positive", "if_negative"} <= set(found["next"][0])
    assert all(o["worth"] > 0 for o in found["next"])
    assert any(w["observable"] == "lachman" and "surgeon" in w["because"] for w in found["withheld"])


def test_combine() -> None:
    found = said("combine", "knee", "acl-tear", "--findings", "lachman,anterior-drawer,pivot-shift", "--at-least", "2")
    assert set(found) >= {"sensitivity", "specificity", "lr_positive", "lr_negative", "independent"}
    assert set(found["independent"]) == {"sensitivity", "specificity", "lr_positive", "lr_negative"}
    assert found["lr_positive"]["mean"] < found["independent"]["lr_positive"]


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["pool", "no-such", "acl-tear"], "'no-such' is not in findings.csv"),
        (["pool", "lachman", "no-such"], "'no-such' is in no evidence table"),
        (["pool", "lachman", "mcl-injury"], "no study measured lachman for mcl-injury; it was studied for acl-tear"),
        (["belief", "elbow"], "no region 'elbow'"),
        (["belief", "knee", "--record", "lachman=maybe"], "result 'maybe'"),
        (["belief", "knee", "--record", "lachman"], "write OBSERVABLE=RESULT"),
        (["belief", "knee", "--record", "lachman=positive", "--record", "lachman=negative"], "recorded twice"),
        (["belief", "knee", "--record", "mcmurray=positive"], "mcmurray has several readings"),
        (["belief", "knee", "--chance", "acl-tear=1.5"], "no number from 0 to 1"),
        (["belief", "knee", "--chance", "acl-tear=nan"], "no number from 0 to 1"),
        (["belief", "knee", "--chance", "no-such=0.5"], "no such condition in knee"),
        (["belief", "knee", "--age", "12"], "no chances under 16"),
        (["belief", "knee", "--setting", "moon"], "setting 'moon'"),
        (["plan", "knee", "--precaution", "no-such"], "there is none of that name"),
        (["plan", "knee", "--minutes", "-1"], "minutes from 0 to 600"),
        (["combine", "knee", "acl-tear", "--findings", "lachman", "--at-least", "4"], "at least"),
        (["combine", "knee", "acl-tear", "--findings", "lachman,no-such", "--at-least", "1"], "no-such"),
        (["no-such-command"], "No such command"),
    ],
)
def test_bad_input_is_one_clear_line(arguments: list[str], told: str) -> None:
    done = run(*arguments)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1 and "Traceback" not in done.stderr
    assert told in done.stderr


def test_evidence_check(tmp_path: Path) -> None:
    assert run("evidence", "check").returncode == 0
    done = run("evidence", "check", str(tmp_path))
    assert done.returncode == 2 and "no region folder in it" in done.stderr


def test_the_shipped_edition_fits_the_tables() -> None:
    done = run("edition", "check")
    assert done.returncode == 0, done.stderr


def test_keeping_the_record(tmp_path: Path) -> None:
    done = run("backup", str(tmp_path / "b.sqlite"), data=tmp_path / "none")
    assert done.returncode == 2 and "there is no store here" in done.stderr
