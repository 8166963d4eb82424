"""The colours of a drawing: one ink, one accent, paper, and what is mixed of them.

Public: Palette, SCREEN, PRINT, DARK.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Palette:
    """SVG colours. body and tested: fill of the patient; thing: table and props; hand: the examiner.

    style: declarations on the <svg> element that the colours refer to.
    """

    ink: str
    accent: str
    paper: str
    body: str
    tested: str
    thing: str
    hand: str
    style: str = ""


def _mixed(name: str, of: str, share: int) -> str:
    return f"--{name}:color-mix(in srgb,var(--i) {share}%,var(--p))".replace("var(--i)", f"var(--{of})")


SCREEN = Palette(
    "var(--i)", "var(--a)", "var(--p)", "var(--p)", "var(--t)", "var(--g)", "var(--h)",
    ";".join((
        "--i:var(--ink,#1c2a30);--a:var(--accent,#0b5563);--p:var(--paper,#fffdf7)",
        _mixed("t", "i", 16), _mixed("g", "i", 8), _mixed("h", "a", 45),
    )),
)  # fmt: skip
PRINT = Palette("#1c2a30", "#0b5563", "#ffffff", "#ffffff", "#dcdedf", "#edeeee", "#92b4ba")
DARK = Palette("#f2eee3", "#86cbd5", "#192327", "#192327", "#3c4345", "#2a3336", "#4a6f75")
