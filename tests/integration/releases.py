"""Another release of the tables than the one that comes with the program, small and quick to make."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np

from endfeel.pooling.edition import DRAWS, load_edition, make_edition, save_edition
from endfeel.visits.release import EDITION, FOLDERS, ROOT, Release, read_release


def another_release(root: Path, *changes: Callable[[Path], None]) -> Release:
    """The shipped tables with every third draw of the edition dropped, and with these changes to the files."""
    for folder in FOLDERS:
        if (ROOT / folder / "data").is_dir():
            shutil.copytree(ROOT / folder / "data", root / folder / "data")
    shipped = load_edition()
    chosen = np.flatnonzero(np.arange(shipped.draws) % 3)
    made = make_edition(
        pairs=shipped.pairs,
        kinds=shipped.kinds,
        conditions=shipped.conditions,
        studies=shipped.studies,
        arrays={name: getattr(shipped, name)[chosen] for name in DRAWS},
        meta={**shipped.meta, "seed": 1},
    )
    (root / EDITION).parent.mkdir(parents=True)
    save_edition(made, root / EDITION)
    for change in changes:
        change(root)
    return read_release(root)


def replaced(file: str, old: str, new: str) -> Callable[[Path], None]:
    """A change: what first matches a pattern in a file, which must be there."""

    def change(root: Path) -> None:
        path = root / file
        text = path.read_text(encoding="utf-8")
        changed, count = re.subn(old, new, text, count=1)
        assert count and changed != text, f"{file} has no {old!r}"
        path.write_text(changed, encoding="utf-8")

    return change
