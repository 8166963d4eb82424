"""A camera without perspective: where it stands, and what it sees of a point.

Public: Camera, camera, VIEWS, ViewError.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from endfeel.posture.figure import Array

VIEWS = ("outer side", "inner side", "front", "back", "head end", "foot end", "above")


class ViewError(ValueError):
    """A view that does not exist or says nothing in this posture; the message says what to use."""


@dataclass(frozen=True)
class Camera:
    """Unit vectors of the picture in the world, each (3,): right, up, and towards the camera."""

    right: Array
    up: Array
    near: Array

    def see(self, points: Array) -> Array:
        """World points (..., 3) as (..., 3): picture x, picture y (upwards), nearness."""
        return np.asarray(points @ np.stack([self.right, self.up, self.near], axis=1))


def camera(view: str, axes: Array, *, turn: float = 0.0, tilt: float | None = None) -> Camera:
    """The camera of a named view of a body with the given axes (3, 3; columns front, left, up).

    turn: degrees further round, counter-clockwise seen from above. tilt: degrees above the horizon, 12 unless given
    (90 for "above"). Raises ViewError for an unknown view, or one that looks along the vertical in this posture.
    """
    front, left, head = axes[:, 0], axes[:, 1], axes[:, 2]
    directions = {
        "outer side": -left, "inner side": left, "front": front, "back": -front, "head end": head, "foot end": -head,
    }  # fmt: skip
    if view == "above":
        lying = abs(head[2]) < 0.7
        base = (-left if abs(left[2]) < 0.7 else -front) if lying else -front
        return _towards(base, turn, 90.0 if tilt is None else tilt)
    if view not in directions:
        raise ViewError(f"there is no view “{view}”; the views are {', '.join(VIEWS)}")
    return _towards(directions[view], turn, 12.0 if tilt is None else tilt)


def _towards(direction: Array, turn: float, tilt: float) -> Camera:
    level = np.array([direction[0], direction[1], 0.0])
    size = float(np.linalg.norm(level))
    if size < 0.3:
        raise ViewError("this view looks straight down or up in this posture: use “above” or a side")
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    level = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ level / size
    right = np.cross([0.0, 0.0, 1.0], level)
    rise = np.radians(tilt)
    near = np.cos(rise) * level + np.sin(rise) * np.array([0.0, 0.0, 1.0])
    return Camera(right, np.cross(near, right), near)
