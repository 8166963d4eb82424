"""From parts in the world to a picture: what covers what, and the paths that are drawn.

Public: Window, window, order, circles, draw_parts, draw_ghost, draw_slab.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from endfeel.posture.camera import Camera
from endfeel.posture.figure import Array
from endfeel.posture.shapes import Circles, fill_path, hull, inside, stroke_path
from endfeel.posture.volumes import Part, sampled

WIDTH, HEIGHT = 320, 240
_CELL = 3


@dataclass(frozen=True)
class Window:
    """Where the camera's picture lies in the panel: pixels per stature, and the picture point at the panel's middle."""

    camera: Camera
    scale: float
    middle: tuple[float, float]

    def put(self, points: Array) -> Array:
        """World points (n, 3) as (n, 3): panel x, panel y (downwards), nearness in panel units."""
        seen = self.camera.see(points)
        return np.stack(
            [
                WIDTH / 2 + (seen[:, 0] - self.middle[0]) * self.scale,
                HEIGHT / 2 - (seen[:, 1] - self.middle[1]) * self.scale,
                seen[:, 2] * self.scale,
            ],
            axis=1,
        )


def window(camera: Camera, centres: Array, radii: Array, *, margin: float = 16, largest: float = 560) -> Window:
    """The window in which balls (centres (n, 3), radii (n,)) just fit, at most `largest` pixels per stature."""
    seen = camera.see(centres)
    low = (seen[:, :2] - radii[:, None]).min(axis=0)
    high = (seen[:, :2] + radii[:, None]).max(axis=0)
    room = np.array([WIDTH - 2 * margin, HEIGHT - 2 * margin])
    scale = float(min(largest, (room / np.maximum(high - low, 1e-6)).min()))
    return Window(camera, scale, (float((low[0] + high[0]) / 2), float((low[1] + high[1]) / 2)))


def circles(part: Part, view: Window) -> Circles:
    """The part's balls as circles of the panel: centres (n, 2), radii (n,)."""
    return view.put(part.centres)[:, :2], part.radii * view.scale


def order(parts: Sequence[Part], view: Window) -> list[Part]:
    """The parts that are seen, from far to near: each pair is compared where their pictures overlap."""
    rows, columns = HEIGHT // _CELL, WIDTH // _CELL
    maps = []
    seen = []
    for part in parts:
        depth = _depth(part, view, rows, columns)
        if np.isfinite(depth).any():
            maps.append(depth)
            seen.append(part)
    n = len(seen)
    behind: list[set[int]] = [set() for _ in range(n)]
    for i in range(n):
        for j in range(i + 1, n):
            both = np.isfinite(maps[i]) & np.isfinite(maps[j])
            if not both.any():
                continue
            nearer = maps[i][both] - maps[j][both]
            if np.sign(nearer).sum() + 1e-9 * nearer.sum() > 0:
                behind[i].add(j)
            else:
                behind[j].add(i)
    stack = np.stack(maps)
    front = np.where(np.isfinite(stack.max(axis=0)), stack.argmax(axis=0), -1)
    shown = [bool((front == i).any()) for i in range(n)]
    mean = [float(m[np.isfinite(m)].mean()) for m in maps]
    left = set(range(n))
    result = []
    while left:
        free = [i for i in left if not behind[i] & left]
        pick = min(free or left, key=lambda i: (mean[i], seen[i].name))
        left.remove(pick)
        if shown[pick]:
            result.append(seen[pick])
    return result


def _depth(part: Part, view: Window, rows: int, columns: int) -> Array:
    depth = np.full((rows, columns), -np.inf)
    centres, radii = sampled(part, 6)
    for (x, y, near), r in zip(view.put(centres), radii * view.scale, strict=True):
        c0, c1 = max(0, int((x - r) / _CELL)), min(columns, int((x + r) / _CELL) + 1)
        r0, r1 = max(0, int((y - r) / _CELL)), min(rows, int((y + r) / _CELL) + 1)
        if c0 >= c1 or r0 >= r1:
            continue
        dx = (np.arange(c0, c1) + 0.5) * _CELL - x
        dy = (np.arange(r0, r1) + 0.5) * _CELL - y
        high = r * r - dx[None, :] ** 2 - dy[:, None] ** 2
        surface = np.where(high >= 0, near + np.sqrt(np.maximum(high, 0)), -np.inf)
        depth[r0:r1, c0:c1] = np.maximum(depth[r0:r1, c0:c1], surface)
    return depth


def draw_parts(
    parts: Sequence[Part], everything: Mapping[str, Part], view: Window, style: Mapping[str, tuple[str, str]]
) -> str:
    """Path elements of parts in the given order; lines where joined parts melt into each other are left out.

    style: by look, the attributes of filling and of line that differ from those of the group.
    """
    out = []
    for part in parts:
        shape = circles(part, view)
        runs = hull(shape)
        filling, ink = style[part.look]
        line = stroke_path(runs, lambda points, p=part: _melted(p, points, everything, view))  # type: ignore[misc]
        if line is None:
            out.append(f'<path d="{fill_path(runs)}"{filling}{ink}/>')
        else:
            out.append(f'<path d="{fill_path(runs)}"{filling} stroke="none"/>')
            if line:
                out.append(f'<path d="{line}" fill="none"{ink}/>')
    return "".join(out)


def _melted(part: Part, points: Array, everything: Mapping[str, Part], view: Window) -> Array:
    gone = np.zeros(len(points), dtype=bool)
    for name, centre, radius in part.joined:
        if name not in everything:
            continue
        middle = view.put(centre[None])[0, :2]
        near = np.hypot(*(points - middle).T) < radius * view.scale
        if near.any():
            gone |= near & inside(circles(everything[name], view), points, 0.9)
    return gone


def draw_ghost(parts: Sequence[Part], view: Window) -> str:
    """The outline of parts as one silhouette: path data of the lines that no other of the parts covers."""
    shapes = [circles(part, view) for part in parts]
    out = []
    for k, shape in enumerate(shapes):
        others = [s for i, s in enumerate(shapes) if i != k]
        runs = hull(shape)

        def covered(points: Array, others: Sequence[Circles] = others) -> Array:
            gone = np.zeros(len(points), dtype=bool)
            for other in others:
                gone |= inside(other, points, 0.2)
            return gone

        line = stroke_path(runs, covered)
        out.append(fill_path(runs) if line is None else line)
    return "".join(out)


def draw_slab(low: Array, high: Array, view: Window, attributes: str) -> str:
    """A box with corners low and high (3,): outline filled, and the edge of its top."""
    corners = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])
    seen = view.put(corners)[:, :2]
    body = fill_path(hull((seen, np.full(8, 1.5))))
    top = seen[[1, 3, 7, 5]]
    lid = "M" + "L".join(f"{x:.0f} {y:.0f}" for x, y in top) + "Z"
    return (
        f'<path d="{body}"{attributes}/><path d="{lid}" fill="none"{attributes.split(" fill=")[0]} stroke-width=".8"/>'
    )
