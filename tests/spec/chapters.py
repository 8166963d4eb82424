"""The chapters of the specification: each case is checked by the tests and printed in docs/reference.

`python -m tests.spec.write` writes the pages anew.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Case:
    """What goes in, in the reader's words, what must come out, and how it is worked out."""

    given: tuple[str, ...]
    expected: str
    work_out: Callable[[], Any]


@dataclass(frozen=True)
class Chapter:
    """A page: file name, title, text above the table, the heads of its columns, cases."""

    name: str
    title: str
    text: str
    columns: tuple[str, ...]
    cases: tuple[Case, ...]


def said(value: Any) -> str:
    """A result as the page prints it."""
    return f"{value:.3f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)
