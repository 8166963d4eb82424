"""The examiner at the body: places that can be named, hands laid on them, and the arrows of what is done.

Public: Surface, surface, direction, Hand, hand_parts, Mark, straight, turning, PlaceError, GRIPS.

A place is written “segment along side”, e.g. “shank 0.1 inner+back”: along is 0 at the joint nearer the trunk (for
the trunk: at its lower end; for the foot: at the heel) and 1 at the other; sides are front, back, inner, outer, joined
by “+”.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from endfeel.posture.figure import TRUNK, Array, Frame, Placed
from endfeel.posture.volumes import Part, reach

GRIPS = ("clasp", "palm", "finger", "thumb", "fist")
# Places whose surface is made by other parts than the one of their own name.
_MADE_BY: Mapping[str, tuple[str, ...]] = {
    "hip": ("*pelvis", "thigh"), "pelvis-rim": ("*pelvis", "*abdomen"), "shoulder": ("upper-arm", "*thorax"),
    "pelvis": ("*pelvis", "*abdomen"),
}  # fmt: skip
_WORLD = {"up": (0.0, 0.0, 1.0), "down": (0.0, 0.0, -1.0)}
_BODY = {
    "headward": (2, 1.0), "footward": (2, -1.0), "forward": (0, 1.0), "backward": (0, -1.0), "away": (1, -1.0),
    "across": (1, 1.0),
}  # fmt: skip


class PlaceError(ValueError):
    """A place or direction that can not be read; the message says what would do."""


@dataclass(frozen=True)
class Surface:
    """A spot on the skin: point, outward normal, middle of the limb there, its distal axis (each (3,)), frame."""

    point: Array
    normal: Array
    middle: Array
    axis: Array
    frame: Frame


def direction(words: str, frame: Frame, axes: Array) -> Array:
    """A unit vector (3,) from words joined by “+”.

    Of the segment: front, back, inner, outer, distal, proximal. Of the body: forward, backward, headward, footward,
    away (to the tested side), across. Of the room: up, down. A word may be weighed, as in “0.5*up”. Raises PlaceError.
    """
    total = np.zeros(3)
    x, y, z = frame.axes.T
    own = {"front": x, "back": -x, "outer": frame.side * y, "inner": -frame.side * y, "proximal": z, "distal": -z}
    for word in words.split("+"):
        weight, _, name = word.strip().rpartition("*")
        try:
            size = float(weight) if weight else 1.0
        except ValueError:
            raise PlaceError(f"“{word}” in “{words}”: write the weight as a number, like 0.5*up") from None
        if name in own:
            total = total + size * own[name]
        elif name in _WORLD:
            total = total + size * np.array(_WORLD[name])
        elif name in _BODY:
            column, sign = _BODY[name]
            total = total + size * sign * axes[:, column]
        else:
            known = ", ".join([*own, *_BODY, *_WORLD])
            raise PlaceError(f"there is no direction “{name}” (in “{words}”); the words are {known}")
    length = float(np.linalg.norm(total))
    if length < 1e-6:
        raise PlaceError(f"“{words}” points nowhere: its words cancel")
    return np.asarray(total / length)


def surface(place: str, placed: Placed, parts: Mapping[str, Part], axes: Array) -> Surface:
    """The spot that a place names. Raises PlaceError."""
    words = place.split()
    if len(words) != 3:
        raise PlaceError(f"“{place}” is no place: write it as “segment along side”, like “thigh 0.8 outer”")
    name, along_text, side = words
    if name not in placed.frames:
        raise PlaceError(f"there is no segment “{name}” (in “{place}”); there are {', '.join(placed.frames)}")
    try:
        along = float(along_text)
    except ValueError:
        raise PlaceError(f"“{along_text}” in “{place}” is no number from 0 to 1") from None
    if not -0.5 <= along <= 1.5:
        raise PlaceError(f"along = {along:g} in “{place}” lies off the segment: give a number from 0 to 1")
    frame = placed.frames[name]
    way = 1.0 if name in TRUNK else -1.0
    middle = frame.at(0, 0, way * along * frame.length)
    axis = -frame.axes[:, 2]
    if name.endswith("foot"):
        middle, axis = frame.at(-0.030 + 0.122 * along, 0, -0.024), frame.axes[:, 0]
    normal = direction(side, frame, axes)
    prefix = "other-" if name.startswith("other-") else ""
    bare = name.removeprefix("other-")
    made_by = [p[1:] if p.startswith("*") else prefix + p for p in _MADE_BY.get(bare, ())] or [name]
    far = max(reach(parts[p], middle, normal) for p in made_by)
    if far <= 0:
        raise PlaceError(f"“{place}” never meets the skin: move it along the segment")
    return Surface(middle + far * normal, normal, middle, axis, frame)


@dataclass(frozen=True)
class Hand:
    """A hand on a spot. toward: unit vector along which its forearm leaves; flip: fingers round the other way."""

    spot: Surface
    grip: str
    toward: Array
    flip: bool = False
    fingers: Array | None = None


def hand_parts(hand: Hand, name: str) -> list[Part]:
    """The hand and its forearm as parts (look “hand”). Raises PlaceError for an unknown grip."""
    if hand.grip not in GRIPS:
        raise PlaceError(f"there is no grip “{hand.grip}”; the grips are {', '.join(GRIPS)}")
    spot = hand.spot
    if hand.grip in ("finger", "thumb"):
        return _pointing(hand, name)
    around = np.cross(spot.normal, spot.axis)
    if np.linalg.norm(around) < 0.3:
        around = spot.frame.axes[:, 1]
    along_skin = -(hand.toward - (hand.toward @ spot.normal) * spot.normal)
    if hand.grip == "clasp":
        f = around if around @ along_skin >= 0 else -around
    elif hand.fingers is not None:
        f = hand.fingers - (hand.fingers @ spot.normal) * spot.normal
    else:
        f = along_skin if np.linalg.norm(along_skin) > 0.2 else spot.axis
    if np.linalg.norm(f) < 1e-3:
        raise PlaceError("the fingers of a hand point straight into the skin: give them another direction")
    f = f / np.linalg.norm(f) * (-1 if hand.flip else 1)
    w = np.cross(spot.normal, f)
    radius = max(float(np.linalg.norm(spot.point - spot.middle)), 0.018)

    def at(s: float, across: float, height: float) -> Array:
        if hand.grip != "clasp":
            return np.asarray(spot.point + f * s + w * across + spot.normal * height)
        turn = s / (radius + 0.004)
        return np.asarray(
            spot.point - radius * spot.normal + w * across
            + (radius + height) * (np.cos(turn) * spot.normal + np.sin(turn) * f)
        )  # fmt: skip

    if hand.grip == "fist":
        middle = spot.point + 0.019 * spot.normal
        block = [middle + a * f * 0.010 + b * w * 0.019 for a in (-1, 1) for b in (-1, 1)]
        wrist = middle + hand.toward * 0.038
        shapes = {"palm": (block, [0.0165] * 4), "forearm": ([wrist, wrist + hand.toward * 0.12], [0.0145, 0.021])}
        return _joined(shapes, name, {("palm", "forearm"): (wrist, 0.022)})
    wrist = at(-0.040, 0.0, 0.016)
    knuckles = [at(0.012, 0.018, 0.010), at(0.012, -0.018, 0.010)]
    middle_joint = [at(0.036, 0.0155, 0.009), at(0.036, -0.0155, 0.009)]
    tips = [at(0.060, 0.012, 0.0075), at(0.063, -0.004, 0.0075)]
    root, thumb = at(-0.018, 0.016, 0.012), at(0.008 if hand.grip == "palm" else -0.012, 0.038, 0.010)
    shapes = {
        "palm": ([wrist, *knuckles], [0.0135, 0.0105, 0.0105]),
        "fingers": ([*knuckles, *middle_joint], [0.0095, 0.0095, 0.0085, 0.0085]),
        "tips": ([*middle_joint, *tips], [0.0083, 0.0083, 0.0070, 0.0070]),
        "thumb": ([root, thumb], [0.0110, 0.0080]),
        "forearm": ([wrist, wrist + hand.toward * 0.12], [0.0135, 0.021]),
    }
    between = {
        ("palm", "forearm"): (wrist, 0.020), ("palm", "fingers"): ((knuckles[0] + knuckles[1]) / 2, 0.030),
        ("fingers", "tips"): ((middle_joint[0] + middle_joint[1]) / 2, 0.027), ("palm", "thumb"): (root, 0.022),
    }  # fmt: skip
    return _joined(shapes, name, between)


def _pointing(hand: Hand, name: str) -> list[Part]:
    spot, thick = hand.spot, hand.grip == "thumb"
    back = 0.6 * hand.toward + 0.75 * spot.normal
    back = back / np.linalg.norm(back)
    side = np.cross(back, spot.axis)
    side = side / max(float(np.linalg.norm(side)), 1e-6)
    tip = spot.point + spot.normal * (0.009 if thick else 0.0075)
    base = tip + back * (0.040 if thick else 0.052)
    fist = [base + side * 0.010, base + back * 0.024 - side * 0.006, base + hand.toward * 0.022]
    wrist = base + hand.toward * 0.044
    shapes = {
        "finger": ([tip, base], [0.0095, 0.0115] if thick else [0.0078, 0.0098]),
        "palm": (fist, [0.0150, 0.0160, 0.0150]),
        "forearm": ([wrist, wrist + hand.toward * 0.11], [0.0140, 0.0205]),
    }
    return _joined(shapes, name, {("finger", "palm"): (base, 0.018), ("palm", "forearm"): (wrist, 0.026)})


def _joined(
    shapes: Mapping[str, tuple[list[Array], list[float]]],
    name: str,
    between: Mapping[tuple[str, str], tuple[Array, float]],
) -> list[Part]:
    parts = []
    for key, (centres, radii) in shapes.items():
        joints = tuple(
            (f"{name}-{two if key == one else one}", centre, radius)
            for (one, two), (centre, radius) in between.items()
            if key in (one, two)
        )
        parts.append(Part(f"{name}-{key}", np.array(centres), np.array(radii), joints, "hand"))
    return parts


@dataclass(frozen=True)
class Mark:
    """An arrow: its path in the world (n, 3), from tail to tip, and whose force it is (examiner or patient)."""

    path: Array
    whose: str


def straight(spot: Surface, way: Array, length: float, whose: str) -> Mark:
    """An arrow at a spot along the unit vector way (3,), length in statures: one that presses ends at the skin."""
    if way @ spot.normal < -0.5:
        tip = spot.point + 0.006 * spot.normal
        return Mark(np.stack([tip - length * way, tip]), whose)
    tail = spot.point + 0.022 * spot.normal
    return Mark(np.stack([tail, tail + length * way]), whose)


def turning(spot: Surface, outwards: bool, whose: str, near: Array, gap: float = 0.026, sweep: float = 150.0) -> Mark:
    """An arrow about the segment's own axis, round the side that faces the camera: outwards as in outward rotation.

    near: unit vector towards the camera (3,). sweep in degrees. A circle seen almost edge-on is tipped until it reads.
    """
    radius = float(np.linalg.norm(spot.point - spot.middle)) + gap
    # Outward rotation carries the front towards the outer side: clockwise from above on the right, else the reverse.
    axis = spot.frame.axes[:, 2] * spot.frame.side * (1 if outwards else -1)
    seen = float(axis @ near)
    if abs(seen) < 0.4:
        flat = axis - seen * near
        flat = flat / np.linalg.norm(flat)
        lean = 0.4 if seen >= 0 else -0.4
        axis = np.sqrt(1 - lean**2) * flat + lean * near
    start = near - (near @ axis) * axis
    if np.linalg.norm(start) < 0.3:
        start = spot.point - spot.middle
        start = start - (start @ axis) * axis
    start = start / np.linalg.norm(start)
    angles = np.radians(np.linspace(-sweep / 2, sweep / 2, 13))
    path = np.stack([np.cos(a) * start + np.sin(a) * np.cross(axis, start) for a in angles])
    return Mark(spot.middle + radius * path, whose)
