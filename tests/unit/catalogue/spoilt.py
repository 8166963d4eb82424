"""The shipped catalogue with one place spoilt: what the loader says of it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from endfeel.catalogue import CatalogueError, load_catalogue
from endfeel.catalogue.load import SHIPPED


def assert_refused(folder: Path, file: str, old: str, new: str, told: str) -> None:
    """With `old` once replaced by `new` in a file, the catalogue is refused with one line that holds `told`."""
    copy = folder / "catalogue"
    shutil.copytree(SHIPPED, copy)
    path = copy / file
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(CatalogueError) as caught:
        load_catalogue(copy)
    assert any(told in fault and "\n" not in fault for fault in caught.value.faults), caught.value.faults
