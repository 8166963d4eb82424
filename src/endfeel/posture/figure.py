"""An articulated figure: segment lengths, and where every segment lies once the joints are bent.

Public: LENGTH, SEGMENTS, STATURE_MM, Frame, Pose, Placed, place, turn_x, turn_y, turn_z.

Everything is measured in statures. A segment's frame has x to the front, y to the body's left and z towards the head
in the anatomical position; its origin is the joint nearer the trunk. The tested side is drawn as the right side.

Lengths are the fractions of stature of Drillis and Contini (Body segment parameters, New York University, 1966) as
restated from Winter (Biomechanics and motor control of human movement, 4th ed, 2009, figure 4.1): trunk 0.288, thigh
0.245, shank 0.246, ankle height 0.039, upper arm 0.186, forearm 0.146, hip height 0.530, breadth of shoulders 0.259 and
of hips 0.191. The foot, 0.152, and the hand, 0.108, and all thicknesses are our own assumptions, made to look right.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
STATURE_MM = 1740.0
LENGTH: Mapping[str, float] = {
    "pelvis": 0.09, "abdomen": 0.09, "thorax": 0.108, "neck": 0.055, "head": 0.125, "thigh": 0.245, "shank": 0.246,
    "foot": 0.039, "upper-arm": 0.186, "forearm": 0.146, "hand": 0.108,
}  # fmt: skip
HIP_HEIGHT = 0.530
HIP_OUT, SHOULDER_OUT = 0.050, 0.102
TRUNK = ("pelvis", "abdomen", "thorax", "neck", "head")
LIMBS = ("thigh", "shank", "foot", "upper-arm", "forearm", "hand")
SEGMENTS = TRUNK + LIMBS


@dataclass(frozen=True)
class Pose:
    """Joint angles in degrees: of the tested side and the trunk, and of the other side's limbs."""

    tested: Mapping[str, float] = field(default_factory=dict)
    other: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Frame:
    """Where a segment lies: origin (3,), axes (3, 3; columns front, left, up), length, side (-1 right, 1 left)."""

    origin: Array
    axes: Array
    length: float
    side: int

    def at(self, x: float, y: float, z: float) -> Array:
        """A point of the segment's frame in the frame of the whole, shape (3,)."""
        return np.asarray(self.origin + self.axes @ np.array([x, y, z]))


@dataclass(frozen=True)
class Placed:
    """All segments by name; those of the other side have “other-” before the name."""

    frames: Mapping[str, Frame]
    knee_flexion: tuple[float, float]
    finger_flexion: tuple[float, float]


def turn_x(degrees: float) -> Array:
    """Rotation about x, shape (3, 3)."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


def turn_y(degrees: float) -> Array:
    """Rotation about y, shape (3, 3)."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])


def turn_z(degrees: float) -> Array:
    """Rotation about z, shape (3, 3)."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


def place(pose: Pose, pelvis: Array, origin: Array) -> Placed:
    """Forward kinematics. pelvis: axes of the pelvis in the world (3, 3); origin: middle of the hip joints (3,).

    Order of turns at hip and shoulder: bend, then out, then about the limb's own axis, so that at 90 degrees of bend
    "abduction" is what the trade calls horizontal abduction.
    """
    angle = pose.tested.get
    frames: dict[str, Frame] = {"pelvis": Frame(origin, pelvis, LENGTH["pelvis"], -1)}
    bend = (
        turn_z(-angle("spine_rotation", 0) / 2)
        @ turn_x(angle("spine_side_bend", 0) / 2)
        @ turn_y(angle("spine_flexion", 0) / 2)
    )
    for lower, upper in (("pelvis", "abdomen"), ("abdomen", "thorax")):
        below = frames[lower]
        frames[upper] = Frame(below.at(0, 0, below.length), below.axes @ bend, LENGTH[upper], -1)
    nod = (
        turn_z(-angle("head_rotation", 0) / 2)
        @ turn_x(angle("head_side_bend", 0) / 2)
        @ turn_y(angle("head_flexion", 0) / 2)
    )
    frames["neck"] = Frame(frames["thorax"].at(-0.004, 0, LENGTH["thorax"]), frames["thorax"].axes @ nod, 0.055, -1)
    frames["head"] = Frame(frames["neck"].at(0, 0, 0.055), frames["neck"].axes @ nod, LENGTH["head"], -1)
    for side, prefix, angles in ((-1, "", pose.tested), (1, "other-", pose.other)):
        _leg(frames, prefix, side, angles)
        _arm(frames, prefix, side, angles)
        _spots(frames, prefix, side, angles.get("knee_flexion", 0))
    return Placed(
        frames,
        (pose.tested.get("knee_flexion", 0), pose.other.get("knee_flexion", 0)),
        (pose.tested.get("finger_flexion", 12), pose.other.get("finger_flexion", 12)),
    )


def _leg(frames: dict[str, Frame], prefix: str, side: int, angles: Mapping[str, float]) -> None:
    angle = angles.get
    pelvis = frames["pelvis"]
    thigh = (
        pelvis.axes
        @ turn_y(-angle("hip_flexion", 0))
        @ turn_x(side * angle("hip_abduction", 0))
        @ turn_z(side * angle("hip_external_rotation", 0))
    )
    frames[prefix + "thigh"] = Frame(pelvis.at(0, side * HIP_OUT, 0), thigh, LENGTH["thigh"], side)
    shank = (
        thigh
        @ turn_y(angle("knee_flexion", 0))
        @ turn_x(side * angle("knee_valgus", 0))
        @ turn_z(side * angle("shin_external_rotation", 0))
    )
    knee = frames[prefix + "thigh"].at(0, 0, -LENGTH["thigh"]) + shank[:, 0] * angle("shin_forward_mm", 0) / STATURE_MM
    frames[prefix + "shank"] = Frame(knee, shank, LENGTH["shank"], side)
    foot = shank @ turn_y(-angle("ankle_dorsiflexion", 0)) @ turn_x(-side * angle("ankle_inversion", 0))
    ankle = frames[prefix + "shank"].at(0, 0, -LENGTH["shank"])
    frames[prefix + "foot"] = Frame(ankle, foot, LENGTH["foot"], side)


def _spots(frames: dict[str, Frame], prefix: str, side: int, knee_flexion: float) -> None:
    """Frames for places that are no segment of their own: they turn with the bone that the hands feel them on."""
    thigh, pelvis, thorax = frames[prefix + "thigh"], frames["pelvis"], frames["thorax"]
    half = Frame(thigh.at(0, 0, -thigh.length), thigh.axes @ turn_y(knee_flexion / 2), 0.03, side)
    frames[prefix + "kneecap"] = Frame(half.at(0.0265, 0, 0.018), half.axes, 0.03, side)
    frames[prefix + "hip"] = Frame(thigh.origin, pelvis.axes, 0.05, side)
    frames[prefix + "pelvis-rim"] = Frame(pelvis.at(0, side * 0.046, 0.055), pelvis.axes, 0.05, side)
    frames[prefix + "shoulder"] = Frame(frames[prefix + "upper-arm"].origin, thorax.axes, 0.05, side)


def _arm(frames: dict[str, Frame], prefix: str, side: int, angles: Mapping[str, float]) -> None:
    angle = angles.get
    thorax = frames["thorax"]
    arm = (
        thorax.axes
        @ turn_z(-side * angle("shoulder_horizontal_adduction", 0))
        @ turn_y(-angle("shoulder_flexion", 0))
        @ turn_x(side * angle("shoulder_abduction", 0))
        @ turn_z(side * angle("shoulder_external_rotation", 0))
    )
    # The shoulder blade carries the joint up as the arm rises: about a third of the way, seen from outside.
    raised = max(0.0, -float((thorax.axes.T @ arm)[2, 2]) + 0.1) * 0.022
    forward = angle("shoulder_forward_mm", 0) / STATURE_MM
    up = raised + angle("shoulder_up_mm", 0) / STATURE_MM
    shoulder = thorax.at(forward, side * (SHOULDER_OUT - raised * 0.5), LENGTH["thorax"] - 0.012 + up)
    frames[prefix + "upper-arm"] = Frame(shoulder, arm, LENGTH["upper-arm"], side)
    elbow = frames[prefix + "upper-arm"].at(0, 0, -LENGTH["upper-arm"])
    forearm = arm @ turn_y(-angle("elbow_flexion", 0)) @ turn_z(-side * angle("forearm_pronation", 0))
    frames[prefix + "forearm"] = Frame(elbow, forearm, LENGTH["forearm"], side)
    hand = forearm @ turn_y(-angle("wrist_flexion", 0)) @ turn_x(-side * angle("wrist_ulnar_deviation", 0))
    wrist = frames[prefix + "forearm"].at(0, 0, -LENGTH["forearm"])
    frames[prefix + "hand"] = Frame(wrist, hand, LENGTH["hand"], side)
