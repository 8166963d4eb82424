"""A drawing of how a finding is done: read from its entry, and drawn.

Public: DrawingError, parse_drawing, draw, and from the modules below Drawing, Palette, SCREEN, PRINT, DARK.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from pydantic import ValidationError

from endfeel.posture.camera import ViewError
from endfeel.posture.contacts import PlaceError
from endfeel.posture.entry import Drawing
from endfeel.posture.joints import JointAngleError
from endfeel.posture.palette import DARK, PRINT, SCREEN, Palette
from endfeel.posture.picture import picture

__all__ = ["DARK", "PRINT", "SCREEN", "Drawing", "DrawingError", "Palette", "draw", "parse_drawing"]


class DrawingError(ValueError):
    """A drawing that can not be drawn; the message is one line: which, what, how to mend."""


def parse_drawing(entry: Mapping[str, Any]) -> Drawing:
    """The drawing that an entry of drawings.toml describes. Raises DrawingError, one line that says what to mend."""
    try:
        drawing = Drawing.model_validate(dict(entry))
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        message = str(first["msg"]).removeprefix("Value error, ")
        raise DrawingError(f"{place}: {message}" if place else message) from None
    return drawing


def draw(drawing: Drawing, *, title: str, palette: Palette = SCREEN) -> str:
    """The drawing as an <svg> element; the same drawing gives the same text.

    title names the finding for those who can not see it. palette: SCREEN takes its colours from the page's --ink,
    --accent and --paper, PRINT and DARK have them fixed. Raises DrawingError.
    """
    return _drawn(drawing.model_dump_json(), title, palette)


@lru_cache(maxsize=2048)
def _drawn(entry: str, title: str, palette: Palette) -> str:
    """Kept, because a page shows the same few drawings again and again."""
    try:
        return picture(Drawing.model_validate_json(entry), title, palette)
    except (JointAngleError, PlaceError, ViewError) as error:
        raise DrawingError(f"{title}: {error}") from None
