"""Flesh: each part of the body as the convex hull of a few balls, so that it has the right outline from anywhere.

Public: Part, flesh, sampled, reach.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from endfeel.posture.figure import Array, Frame, Placed, turn_y

Ball = tuple[float, float, float, float]


@dataclass(frozen=True)
class Part:
    """A convex volume: centres (n, 3), radii (n,); joined: (part, centre of the joint (3,), radius that is shared).

    look: body, tested, hand, prop. limb: which limb it belongs to, "" for the trunk.
    """

    name: str
    centres: Array
    radii: Array
    joined: tuple[tuple[str, Array, float], ...] = ()
    look: str = "body"


# x front, y outwards (mirrored for the other side), z up; radius.
_LIMB: Mapping[str, tuple[Ball, ...]] = {
    "thigh": ((0, 0.004, 0, 0.054), (0.004, 0.006, -0.06, 0.053), (0.007, 0, -0.13, 0.044), (0, 0, -0.245, 0.031)),
    "shank": ((0, 0, 0, 0.031), (-0.013, 0, -0.075, 0.030), (-0.004, 0, -0.16, 0.0225), (0, 0, -0.246, 0.0185)),
    "foot": (
        (0, 0, 0, 0.0185), (-0.031, 0, -0.024, 0.015), (0.035, -0.004, -0.012, 0.014), (0.082, -0.012, -0.029, 0.010),
        (0.072, 0.018, -0.030, 0.009), (0.100, -0.010, -0.031, 0.008),
    ),
    "upper-arm": ((0, 0, 0, 0.031), (0.002, 0, -0.08, 0.0255), (0, 0, -0.186, 0.0195)),
    "forearm": ((0, 0, 0, 0.0200), (0, 0.002, -0.04, 0.0215), (0, 0, -0.146, 0.0135)),
    "hand": ((0, 0, 0, 0.0135), (0, 0.014, -0.052, 0.0095), (0, -0.014, -0.050, 0.0095)),
}  # fmt: skip
_TRUNK: Mapping[str, tuple[Ball, ...]] = {
    "pelvis": (
        (0, 0.043, 0.0, 0.058), (0, -0.043, 0.0, 0.058), (-0.016, 0.036, -0.012, 0.056),
        (-0.016, -0.036, -0.012, 0.056),
        (0.0, 0.044, 0.055, 0.050), (0.0, -0.044, 0.055, 0.050),
    ),
    "abdomen": (
        (0.002, 0.043, -0.035, 0.050), (0.002, -0.043, -0.035, 0.050), (0.002, 0.034, 0.02, 0.053),
        (0.002, -0.034, 0.02, 0.053), (0.002, 0.040, 0.08, 0.058), (0.002, -0.040, 0.08, 0.058),
    ),
    "thorax": (
        (0.002, 0.040, -0.01, 0.058), (0.002, -0.040, -0.01, 0.058), (0.004, 0.046, 0.045, 0.063),
        (0.004, -0.046, 0.045, 0.063), (-0.002, 0.076, 0.092, 0.032), (-0.002, -0.076, 0.092, 0.032),
        (-0.004, 0, 0.105, 0.036),
    ),
    "neck": ((0, 0.004, -0.004, 0.033), (0, -0.004, -0.004, 0.033), (0.002, 0, 0.052, 0.031)),
    "head": (
        (-0.004, 0, 0.064, 0.053), (0.016, 0, 0.066, 0.045), (0.028, 0, 0.018, 0.026), (0.012, 0, 0.020, 0.034),
    ),
}  # fmt: skip
_JOINTS = (
    ("pelvis", "abdomen", 0.13), ("abdomen", "thorax", 0.13), ("thorax", "neck", 0.050), ("neck", "head", 0.040),
)  # fmt: skip
_LIMB_JOINTS = (
    ("pelvis", "thigh", 0.075), ("thigh", "shank", 0.038), ("shank", "foot", 0.024), ("thorax", "upper-arm", 0.043),
    ("upper-arm", "forearm", 0.025), ("forearm", "hand", 0.019), ("hand", "fingers", 0.022), ("hand", "thumb", 0.018),
    ("fingers", "fingertips", 0.018),
)  # fmt: skip


def flesh(placed: Placed) -> dict[str, Part]:
    """Every part of the body by name: segments, fingers, thumbs, kneecaps, ears."""
    balls: dict[str, tuple[Frame, Sequence[Ball]]] = {name: (placed.frames[name], _TRUNK[name]) for name in _TRUNK}
    joints: dict[str, list[tuple[str, Array, float]]] = {}

    def join(one: str, two: str, centre: Array, radius: float) -> None:
        joints.setdefault(one, []).append((two, centre, radius))
        joints.setdefault(two, []).append((one, centre, radius))

    for one, two, radius in _JOINTS:
        join(one, two, placed.frames[two].origin, radius)
    balls["nose"] = (placed.frames["head"], [(0.058, 0, 0.050, 0.0065), (0.062, 0, 0.036, 0.0085)])
    join("head", "nose", placed.frames["head"].at(0.052, 0, 0.052), 0.008)
    for index, (prefix, side) in enumerate((("", -1), ("other-", 1))):
        for name, shape in _LIMB.items():
            frame = placed.frames[prefix + name]
            balls[prefix + name] = (frame, [(x, side * y, z, r) for x, y, z, r in shape])
        hand = placed.frames[prefix + "hand"]
        curl = placed.finger_flexion[index]
        near = Frame(hand.at(0.002, 0, -0.052), hand.axes @ turn_y(-curl), 0.032, side)
        far = Frame(near.at(0, 0, -0.03), near.axes @ turn_y(-curl), 0.026, side)
        row = ((0, 0.0135, 0, 0.0085), (0, -0.0135, 0, 0.0085))
        balls[prefix + "fingers"] = (near, [*row, (0, 0.012, -0.030, 0.0078), (0, -0.012, -0.028, 0.0078)])
        balls[prefix + "fingertips"] = (
            far,
            [(0, 0.012, 0, 0.0078), (0, -0.012, 0, 0.0078), (0, 0.003, -0.022, 0.0072)],
        )
        thumb = [(0.004, side * 0.010, -0.014, 0.010), (0.010, side * 0.030, -0.050, 0.0078)]
        balls[prefix + "thumb"] = (hand, thumb)
        cap = placed.frames[prefix + "kneecap"]
        balls[prefix + "kneecap"] = (cap, [(0, 0, -0.005, 0.0095), (0, 0, -0.025, 0.0080)])
        balls[prefix + "ear"] = (
            placed.frames["head"],
            [(-0.004, side * 0.050, 0.043, 0.0085), (-0.006, side * 0.050, 0.052, 0.010)],
        )
        for one, two, radius in _LIMB_JOINTS:
            parent = one if one in _TRUNK else prefix + one
            centre = balls[prefix + two][0].origin if two != "thumb" else hand.at(0.004, side * 0.010, -0.014)
            join(parent, prefix + two, centre, radius)
    tested = {name for name in balls if not name.startswith("other-") and name not in (*_TRUNK, "ear", "nose")}
    return {
        name: Part(
            name,
            np.array([frame.at(x, y, z) for x, y, z, _ in shape]),
            np.array([r for *_, r in shape]),
            tuple(joints.get(name, ())),
            "tested" if name in tested else "body",
        )
        for name, (frame, shape) in balls.items()
    }


def sampled(part: Part, steps: int = 5) -> tuple[Array, Array]:
    """Balls that fill the hull of the part's balls: centres (m, 3) and radii (m,), each pair filled in steps."""
    centres, radii = [part.centres], [part.radii]
    n = len(part.radii)
    for i in range(n):
        for j in range(i + 1, n):
            for t in np.linspace(0, 1, steps + 2)[1:-1]:
                centres.append(((1 - t) * part.centres[i] + t * part.centres[j])[None])
                radii.append(np.array([(1 - t) * part.radii[i] + t * part.radii[j]]))
    return np.concatenate(centres), np.concatenate(radii)


def reach(part: Part, start: Array, direction: Array) -> float:
    """How far the part's surface lies from start (3,) along the unit vector direction (3,); 0 if it never meets it."""
    centres, radii = sampled(part, 9)
    to = centres - start
    along = to @ direction
    gap = radii**2 - (np.sum(to**2, axis=1) - along**2)
    hits = along[gap > 0] + np.sqrt(gap[gap > 0])
    return float(hits.max()) if len(hits) else 0.0
