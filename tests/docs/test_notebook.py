"""The notebook in docs runs from its first cell to its last, and shows what it gives today."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from notebook import outputs_of, read

ROOT = Path(__file__).parents[2]
PATH = ROOT / "docs" / "pooling.ipynb"
RENEW = "run: python tests/docs/notebook.py docs/pooling.ipynb"


@pytest.fixture(scope="module")
def notebook() -> dict[str, Any]:
    return read(PATH)


@pytest.fixture(scope="module")
def outputs(notebook: dict[str, Any]) -> list[Any]:
    return outputs_of(notebook)


def test_what_the_notebook_shows_is_what_its_cells_give(notebook: dict[str, Any], outputs: list[Any]) -> None:
    kept = [cell["outputs"] for cell in notebook["cells"] if cell["cell_type"] == "code"]
    for number, (was, gives) in enumerate(zip(kept, outputs, strict=True), 1):
        assert [told(o) for o in was] == [told(o) for o in gives], f"cell {number} gives something else now; {RENEW}"


def test_the_likelihood_fit_and_the_edition_tell_one_story(outputs: list[Any]) -> None:
    text = "".join("".join(o.get("text", [])) for cell in outputs for o in cell)
    fitted = [float(x) for x in re.findall(r"maximum likelihood: sensitivity (0\.\d+), specificity (0\.\d+)", text)[0]]
    pooled = [float(x) for x in re.findall(r"edition: sensitivity (0\.\d+), specificity (0\.\d+)", text)[0]]
    assert fitted == pytest.approx(pooled, abs=0.12), "two routes to the average clinic"


def test_the_plot_is_drawn(outputs: list[Any]) -> None:
    images = [o["data"].get("image/svg+xml") for cell in outputs for o in cell if "data" in o]
    assert any(image and "".join(image).lstrip().startswith("<svg") for image in images)


def told(output: Any) -> Any:
    """What is compared: words to the letter; of a picture that there is one: its coordinates are the renderer's."""
    if "data" in output:
        return {kind: None if kind.startswith("image/") else held for kind, held in output["data"].items()}
    return output["text"]
