"""Every command and every piece of Python in the README runs, and what it links to is there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```(sh|python)\n(.*?)```", README, re.S)
LINES = [line for kind, block in BLOCKS if kind == "sh" for line in block.splitlines()]
COMMANDS = [line for line in LINES if line.startswith("endfeel ")]
PAGES = [*sorted((ROOT / "docs").rglob("*.md")), ROOT / "CONTRIBUTING.md", ROOT / "GLOSSARY.md"]


def test_there_are_exactly_two_commands_to_begin_with() -> None:
    kind, first = BLOCKS[0]
    assert kind == "sh"
    assert [line.split("#")[0].strip() for line in first.splitlines()] == ["./run demo", "./run tests"]


def test_commands_were_found() -> None:
    assert len(COMMANDS) >= 5


@pytest.mark.parametrize("command", COMMANDS)
def test_command_runs(command: str) -> None:
    environment = {**os.environ, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
    done = subprocess.run(command, shell=True, capture_output=True, text=True, env=environment, timeout=120)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() and not done.stderr.strip()


@pytest.mark.parametrize("code", [block for kind, block in BLOCKS if kind == "python"])
def test_python_runs(code: str) -> None:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("Interval(")


@pytest.mark.parametrize("target", sorted(set(re.findall(r"\]\(([^)#:]+)\)", README))))
def test_what_the_readme_links_to_is_there(target: str) -> None:
    assert (ROOT / target).exists(), target


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_links_in_docs(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8")):
        assert (page.parent / target).exists(), f"{page.name}: {target}"
