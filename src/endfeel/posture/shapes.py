"""Outlines: the convex hull of circles as arcs and lines, and what of it is seen.

Public: Circles, Run, hull, fill_path, stroke_path, inside.

Pictures are in whole numbers of the view box, y downwards.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from endfeel.posture.figure import Array

Circles = tuple[Array, Array]
_STEP = 3.0


@dataclass(frozen=True)
class Run:
    """A stretch of a hull that one circle makes: its centre (x, y), radius, and first and last angle in degrees."""

    x: float
    y: float
    r: float
    start: float
    end: float

    def at(self, degrees: float) -> tuple[float, float]:
        """The point of the circle at an angle."""
        a = np.radians(degrees)
        return self.x + self.r * float(np.cos(a)), self.y + self.r * float(np.sin(a))


def hull(circles: Circles) -> list[Run]:
    """The convex hull of circles (centres (n, 2), radii (n,)) as runs in the order of their angle."""
    centres, radii = circles
    angles = np.arange(0.0, 360.0, _STEP)
    a = np.radians(angles)
    support = centres[:, 0:1] * np.cos(a) + centres[:, 1:2] * np.sin(a) + radii[:, None]
    best = np.argmax(support, axis=0)
    if (best == best[0]).all():
        i = int(best[0])
        return [Run(float(centres[i, 0]), float(centres[i, 1]), float(radii[i]), 0.0, 360.0)]
    first = int(np.argmax(best != np.roll(best, 1)))
    order = np.roll(np.arange(len(angles)), -first)
    runs: list[Run] = []
    begin = 0
    for k in range(1, len(order) + 1):
        if k == len(order) or best[order[k]] != best[order[begin]]:
            i = int(best[order[begin]])
            start = float(angles[order[begin]])
            end = start + (k - begin - 1) * _STEP
            runs.append(Run(float(centres[i, 0]), float(centres[i, 1]), float(radii[i]), start, end))
            begin = k
    return runs


def inside(circles: Circles, points: Array, margin: float = 0.0) -> Array:
    """For points (m, 2): whether each lies within the hull of the circles by more than margin."""
    centres, radii = circles
    a = np.radians(np.arange(0.0, 360.0, 6.0))
    normals = np.stack([np.cos(a), np.sin(a)])
    limit = (centres @ normals + radii[:, None]).max(axis=0)
    return np.asarray((points @ normals < limit - margin).all(axis=1))


def fill_path(runs: Sequence[Run]) -> str:
    """The closed outline as SVG path data."""
    if len(runs) == 1 and runs[0].end - runs[0].start >= 359:
        run = runs[0]
        return f"M{_xy(run.at(0))}{_arc(run, 0, 180)}{_arc(run, 180, 360)}Z"
    parts = [f"M{_xy(runs[0].at(runs[0].start))}"]
    for k, run in enumerate(runs):
        if k:
            parts.append(f"L{_xy(run.at(run.start))}")
        if run.end > run.start:
            parts.append(_arc(run, run.start, run.end))
    return "".join(parts) + "Z"


def stroke_path(runs: Sequence[Run], hidden: Callable[[Array], Array]) -> str | None:
    """The outline without what hidden says of its points (m, 2) to leave out; None if nothing is left out."""
    points: list[tuple[float, float]] = []
    pieces: list[tuple[int, float]] = []
    for k, run in enumerate(runs):
        angles = np.arange(run.start, run.end + 0.1, _STEP) if run.end > run.start else np.array([run.start])
        if points:
            _between(points, pieces, run.at(run.start))
        for angle in angles:
            points.append(run.at(float(angle)))
            pieces.append((k, float(angle)))
    _between(points, pieces, points[0])
    gone = hidden(np.array(points))
    if not gone.any():
        return None
    if gone.all():
        return ""
    first = int(np.argmax(gone))
    order = np.roll(np.arange(len(points)), -first)
    out: list[str] = []
    group: list[int] = []
    for i in [*order.tolist(), -1]:
        if i >= 0 and not gone[i]:
            group.append(i)
            continue
        if len(group) > 1:
            out.append(_piece(runs, points, pieces, group))
        group = []
    return "".join(out)


def _between(points: list[tuple[float, float]], pieces: list[tuple[int, float]], to: tuple[float, float]) -> None:
    here = points[-1]
    count = int(np.hypot(to[0] - here[0], to[1] - here[1]) // 2.5)
    for t in np.linspace(0, 1, count + 2)[1:-1]:
        points.append((here[0] + float(t) * (to[0] - here[0]), here[1] + float(t) * (to[1] - here[1])))
        pieces.append((-1, 0.0))


def _piece(
    runs: Sequence[Run], points: list[tuple[float, float]], pieces: list[tuple[int, float]], group: list[int]
) -> str:
    text = f"M{_xy(points[group[0]])}"
    k = 0
    while k < len(group):
        owner, angle = pieces[group[k]]
        last = k
        while last + 1 < len(group) and pieces[group[last + 1]][0] == owner:
            last += 1
        if owner < 0:
            text += f"L{_xy(points[group[last]])}"
        else:
            if k:
                text += f"L{_xy(points[group[k]])}"
            if last > k:
                text += _arc(runs[owner], angle, pieces[group[last]][1])
        k = last + 1
    return text


def _arc(run: Run, start: float, end: float) -> str:
    large = 1 if end - start > 180 else 0
    return f"A{_n(run.r)} {_n(run.r)} 0 {large} 1 {_xy(run.at(end))}"


def _xy(point: tuple[float, float]) -> str:
    return f"{_n(point[0])} {_n(point[1])}"


def _n(value: float) -> str:
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text
