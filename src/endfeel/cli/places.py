"""Where the data lie when nobody says: the user's data folder of the XDG base directory specification."""

from __future__ import annotations

import os
from pathlib import Path


def home_directory() -> Path:
    """Folder of the clinic's own data."""
    return _data_home() / "endfeel"


def demo_directory() -> Path:
    """Folder of the invented visits."""
    return _data_home() / "endfeel-demo"


def _data_home() -> Path:
    given = os.environ.get("XDG_DATA_HOME", "")
    return Path(given) if given.startswith("/") else Path.home() / ".local" / "share"
