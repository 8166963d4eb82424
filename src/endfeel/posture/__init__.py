"""Posture drawings computed from joint angles: a figure, the examiner's hands and what they do, as SVG."""

from endfeel.posture.drawing import DARK, PRINT, SCREEN, Drawing, DrawingError, Palette, draw, parse_drawing

__all__ = ["DARK", "PRINT", "SCREEN", "Drawing", "DrawingError", "Palette", "draw", "parse_drawing"]
