"""All drawings of a catalogue at once: to look at them one by one, and to find those that can not be drawn.

Public: Drawn, gallery.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from endfeel.posture.drawing import SCREEN, DrawingError, Palette, draw, parse_drawing


@dataclass(frozen=True)
class Drawn:
    """One finding's picture: its id, its name, the SVG, and the picture in words."""

    finding_id: str
    name: str
    svg: str
    words: str


def gallery(
    entries: Mapping[str, Mapping[str, Any]], names: Mapping[str, str], *, palette: Palette = SCREEN
) -> tuple[Drawn, ...]:
    """Every entry of a drawings.toml as a picture, in its order. names: the findings' names by id (the id if missing).

    Raises DrawingError with one line for each entry that can not be drawn.
    """
    drawn: list[Drawn] = []
    faults: list[str] = []
    for identifier, entry in entries.items():
        name = names.get(identifier, identifier)
        try:
            drawing = parse_drawing(entry)
            drawn.append(Drawn(identifier, name, draw(drawing, title=name, palette=palette), drawing.words))
        except DrawingError as error:
            faults.append(f"[{identifier}] {error}")
    if faults:
        raise DrawingError("\n".join(faults))
    return tuple(drawn)
