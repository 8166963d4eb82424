"""Runs a notebook's cells in order, without a kernel. As a program it writes their outputs into the notebook:

    python tests/docs/notebook.py docs/pooling.ipynb
"""

from __future__ import annotations

import ast
import contextlib
import io
import json
import sys
from pathlib import Path
from typing import Any

Cell = dict[str, Any]


def outputs_of(notebook: dict[str, Any]) -> list[list[Cell]]:
    """The outputs of each code cell, in the notebook format's own shape. What a cell raises is raised."""
    names: dict[str, Any] = {"__name__": "__main__"}
    found = []
    for number, cell in enumerate(_code(notebook), 1):
        tree = ast.parse("".join(cell["source"]))
        last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            exec(compile(tree, f"<cell {number}>", "exec"), names)
            expression = ast.Expression(last.value) if isinstance(last, ast.Expr) else None
            value = eval(compile(expression, f"<cell {number}>", "eval"), names) if expression else None
        outputs: list[Cell] = []
        if printed.getvalue():
            outputs.append({"output_type": "stream", "name": "stdout", "text": _lines(printed.getvalue())})
        if value is not None:
            outputs.append(
                {"output_type": "execute_result", "execution_count": number, "metadata": {}, "data": _shown(value)}
            )
        found.append(outputs)
    return found


def read(path: Path) -> dict[str, Any]:
    """A notebook as it lies on disk."""
    notebook: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return notebook


def write(path: Path) -> None:
    """Run a notebook and keep what its cells gave."""
    notebook = read(path)
    for number, (cell, outputs) in enumerate(zip(_code(notebook), outputs_of(notebook), strict=True), 1):
        cell.update(execution_count=number, outputs=outputs)
    path.write_text(json.dumps(notebook, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def _code(notebook: dict[str, Any]) -> list[Cell]:
    return [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]


def _shown(value: Any) -> dict[str, Any]:
    bundle = getattr(value, "_repr_mimebundle_", None)
    made = bundle() if bundle else None
    data = made[0] if isinstance(made, tuple) else made
    if not data:
        data = {"text/plain": repr(value)}
    return {kind: _lines(held) if isinstance(held, str) else held for kind, held in data.items()}


def _lines(text: str) -> list[str]:
    return text.splitlines(keepends=True)


if __name__ == "__main__":
    for name in sys.argv[1:]:
        write(Path(name))
