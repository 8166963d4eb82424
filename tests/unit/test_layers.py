"""Imports run one way: a later folder may import an earlier one, never the reverse."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import endfeel

ROOT = Path(endfeel.__file__).parent
RANK = {
    "evidence": 0, "pooling": 1, "catalogue": 2, "belief": 3, "planning": 4, "visits": 5, "documents": 6, "posture": 6,
    "storage": 7, "web": 8, "cli": 8,
}  # fmt: skip


def _imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module] + ([f"endfeel.{a.name}" for a in node.names] if node.module == "endfeel" else [])
        found |= {n.split(".")[1] for n in names if n.startswith("endfeel.")}
    return found


@pytest.mark.parametrize("folder", [f for f in RANK if (ROOT / f).is_dir()])
def test_imports_run_downward(folder: str) -> None:
    files = sorted((ROOT / folder).rglob("*.py"))
    assert files, f"{folder} has no code"
    for path in files:
        upward = {name for name in _imports(path) if RANK.get(name, -1) > RANK[folder]}
        assert not upward, f"{path.relative_to(ROOT)} imports {', '.join(sorted(upward))}, which lie after {folder}"


def test_only_the_edition_builder_needs_jax() -> None:
    needy = {
        path.relative_to(ROOT).as_posix()
        for path in ROOT.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Import | ast.ImportFrom)
        and any(
            name.split(".")[0] in ("jax", "numpyro")
            for name in ([a.name for a in node.names] if isinstance(node, ast.Import) else [node.module or ""])
        )
    }
    assert needy, "the edition builder should be built on numpyro"
    assert all(path.startswith("pooling/") for path in needy), needy
