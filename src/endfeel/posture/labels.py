"""Arrows and words over the picture: drawn last, with a halo of paper, words where they cover least.

Public: Label, marks_svg, placed_labels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from endfeel.posture.contacts import Mark
from endfeel.posture.entry import Arrow
from endfeel.posture.figure import Array
from endfeel.posture.palette import Palette
from endfeel.posture.scene import HEIGHT, WIDTH, Window
from endfeel.posture.shapes import Circles, inside

_SIZE = 19
_HEAD = 13.0


@dataclass(frozen=True)
class Label:
    """A word that belongs to a point (x, y) of the panel; at: the place that was asked for, from that point.

    busy: points of its own arrow, which no word should cover. An arrow without a word has an empty text.
    """

    text: str
    point: tuple[float, float]
    at: tuple[float, float] | None = None
    busy: tuple[tuple[float, float], ...] = ()


def marks_svg(marks: Sequence[tuple[Arrow, list[Mark]]], view: Window, palette: Palette) -> tuple[str, list[Label]]:
    """The arrows as SVG, and the labels that they carry."""
    out: list[str] = []
    labels: list[Label] = []
    for arrow, drawn in marks:
        first = None
        lines: list[Array] = []
        for mark in drawn:
            flat = view.put(mark.path)[:, :2] + np.array(arrow.shift)
            flat = _long_enough(flat)
            first = flat if first is None else first
            lines.append(flat)
            colour = palette.ink if mark.whose == "patient" else palette.accent
            out.append(_arrow(flat, colour, palette.paper, arrow.both))
        if first is not None:
            middle = first[len(first) // 2] if len(first) > 2 else first.mean(axis=0)
            busy = tuple(p for flat in lines for p in _points(flat))
            labels.append(Label(arrow.label or "", (float(middle[0]), float(middle[1])), arrow.label_at, busy))
    return "".join(out), labels


def placed_labels(labels: Sequence[Label], solid: Sequence[Circles], view: Window, palette: Palette) -> str:
    """The labels as SVG text: each where it covers least of the body, the arrows and the words placed before it."""
    boxes: list[tuple[float, float, float, float]] = []
    busy = [p for label in labels for p in label.busy]
    out = []
    for label in labels:
        if not label.text:
            continue
        width, height = len(label.text) * _SIZE * 0.53, _SIZE * 0.95
        x, y = _best(label, width, height, solid, boxes, busy)
        boxes.append((x, y, x + width, y + height))
        at = f'x="{x + width / 2:.0f}" y="{y + height * 0.80:.0f}"'
        out.append(f'<text {at} text-anchor="middle">{escape(label.text)}</text>')
    if not out:
        return ""
    return (
        f'<g font-size="{_SIZE}" fill="{palette.ink}" stroke="{palette.paper}" stroke-width="4" '
        f'stroke-linejoin="round" paint-order="stroke">{"".join(out)}</g>'
    )


def _best(
    label: Label, width: float, height: float, solid: Sequence[Circles],
    boxes: Sequence[tuple[float, float, float, float]], busy: Sequence[tuple[float, float]],
) -> tuple[float, float]:  # fmt: skip
    x0, y0 = label.point
    if label.at is not None:
        return _within(x0 + label.at[0] - width / 2, y0 + label.at[1] - height / 2, width, height)
    best, cost = (0.0, 0.0), np.inf
    for far in (16.0, 26.0, 38.0, 52.0):
        for angle in np.radians(np.arange(0, 360, 22.5)):
            cx = x0 + float(np.cos(angle)) * (far + width / 2)
            cy = y0 + float(np.sin(angle)) * (far + height / 2)
            x, y = _within(cx - width / 2, cy - height / 2, width, height)
            grid = np.array([(x + u * width, y + v * height) for u in np.linspace(0, 1, 6) for v in (0.1, 0.5, 0.9)])
            covered = np.zeros(len(grid), dtype=bool)
            for shape in solid:
                covered |= inside(shape, grid)
            clash = sum(x < b[2] + 3 and b[0] < x + width + 3 and y < b[3] + 1 and b[1] < y + height + 1 for b in boxes)
            hit = sum(x - 4 < px < x + width + 4 and y - 3 < py < y + height + 3 for px, py in busy)
            total = (
                float(covered.sum()) * 3
                + clash * 60
                + hit * 10
                + far * 0.25
                + float(np.hypot(x + width / 2 - x0, y - y0)) * 0.12
            )
            if total < cost - 1e-9:
                best, cost = (x, y), total
    return best


def _points(flat: Array) -> list[tuple[float, float]]:
    t = np.linspace(0, len(flat) - 1, 11)
    return [
        (float(np.interp(k, range(len(flat)), flat[:, 0])), float(np.interp(k, range(len(flat)), flat[:, 1])))
        for k in t
    ]


def _within(x: float, y: float, width: float, height: float) -> tuple[float, float]:
    return min(max(x, 3.0), WIDTH - width - 3), min(max(y, 2.0), HEIGHT - height - 2)


def _long_enough(flat: Array) -> Array:
    if len(flat) > 2:
        return flat
    way = flat[-1] - flat[0]
    size = float(np.hypot(*way))
    if size >= 30 or size < 1e-6:
        return flat
    return np.stack([flat[-1] - way / size * 30, flat[-1]])


def _arrow(flat: Array, colour: str, paper: str, both: bool) -> str:
    flat, head = _headed(flat)
    if both:
        flat, tail = _headed(flat[::-1])
        head += tail
    path = "M" + "L".join(f"{x:.0f} {y:.0f}" for x, y in flat)
    return (
        f'<path d="{path}{head}" fill="none" stroke="{paper}" stroke-width="8" stroke-linejoin="round"/>'
        f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="4"/><path d="{head}" fill="{colour}"/>'
    )


def _headed(flat: Array) -> tuple[Array, str]:
    """The path cut back to where its arrowhead begins, and the head, which points along the stretch that it covers."""
    steps = np.hypot(*np.diff(flat, axis=0).T)
    ahead = np.concatenate([np.cumsum(steps[::-1])[::-1], [0.0]])
    k = max(int(np.argmax(ahead <= _HEAD)) - 1, 0)
    tip = flat[-1]
    way = tip - flat[k]
    way = way / max(float(np.hypot(*way)), 1e-6)
    base = tip - way * _HEAD
    side = np.array([-way[1], way[0]]) * _HEAD * 0.52
    head = "M" + "L".join(f"{x:.0f} {y:.0f}" for x, y in (base + side, tip, base - side)) + "Z"
    return np.stack([*flat[: k + 1], base + way * 2]), head
