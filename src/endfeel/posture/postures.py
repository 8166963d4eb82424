"""The base postures: how the body lies in the world, what it rests on, and how its joints are before a test bends them.

Public: POSTURES, ARMS, Ground, posture, posture_angles.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from endfeel.posture.figure import HIP_HEIGHT, Array, Placed, Pose, place, turn_x, turn_y
from endfeel.posture.volumes import flesh

POSTURES = ("standing", "sitting", "supine", "prone", "side-lying")
_BELLY = {
    "shoulder_flexion": 8, "shoulder_abduction": 16, "shoulder_external_rotation": -72, "elbow_flexion": 76,
    "forearm_pronation": 120,
}  # fmt: skip
_ASIDE = {"shoulder_abduction": 7, "forearm_pronation": 80, "elbow_flexion": 8}
_CHEST = {
    "shoulder_flexion": 28, "shoulder_abduction": 20, "shoulder_external_rotation": -86, "elbow_flexion": 112,
    "forearm_pronation": 95,
}  # fmt: skip
ARMS: Mapping[str, Mapping[str, float]] = {"belly": _BELLY, "chest": _CHEST, "sides": _ASIDE}
_DEFAULTS: Mapping[str, tuple[Mapping[str, float], Mapping[str, float]]] = {
    "standing": (_ASIDE, _ASIDE),
    "sitting": (
        {"hip_flexion": 90, "knee_flexion": 90, "hip_abduction": 5, **_ASIDE, "elbow_flexion": 35},
        {"hip_flexion": 90, "knee_flexion": 90, "hip_abduction": 5, **_ASIDE, "elbow_flexion": 35},
    ),
    "supine": (
        {"hip_flexion": -5, "ankle_dorsiflexion": -20, "hip_abduction": 3, **_BELLY},
        {"hip_flexion": -5, "ankle_dorsiflexion": -20, "hip_abduction": 3, **_BELLY},
    ),
    "prone": (
        {"ankle_dorsiflexion": -50, "hip_abduction": 3, "shoulder_abduction": 14, "head_rotation": -60},
        {"ankle_dorsiflexion": -50, "hip_abduction": 3, "shoulder_abduction": 14},
    ),
    "side-lying": (
        {
            "hip_flexion": 15, "knee_flexion": 15, "hip_abduction": -8, "shoulder_flexion": 62, "elbow_flexion": 55,
            "ankle_dorsiflexion": -15,
        },
        {
            "hip_flexion": 45, "knee_flexion": 70, "hip_abduction": 2, "shoulder_flexion": 70, "elbow_flexion": 95,
            "ankle_dorsiflexion": -15,
        },
    ),
}  # fmt: skip
_X, _Y, _Z = np.eye(3)
_AXES: Mapping[str, Array] = {
    "standing": np.eye(3),
    "sitting": np.eye(3),
    "supine": np.stack([_Z, _Y, -_X], axis=1),
    "prone": np.stack([-_Z, -_Y, -_X], axis=1),
    "side-lying": np.stack([_Y, -_Z, -_X], axis=1),
}
# The trunk's greatest depth or half breadth below the middle of the hips, from the balls of its parts.
_LIFT = {"supine": 0.072, "prone": 0.069, "side-lying": 0.108, "sitting": 0.068}


@dataclass(frozen=True)
class Ground:
    """The top of the table as (low x, high x, low y, high y) at height 0, or None where the body stands."""

    table: tuple[float, float, float, float] | None


def posture_angles(figure: str) -> tuple[Mapping[str, float], Mapping[str, float]]:
    """The angles of a base posture (tested side and trunk, other side). ValueError for an unknown figure."""
    if figure not in POSTURES:
        raise ValueError(f"there is no figure “{figure}”; the figures are {', '.join(POSTURES)}")
    return _DEFAULTS[figure]


def posture(
    figure: str, pose: Pose, *, lean: float = 0.0, lean_side: float = 0.0, table: Mapping[str, float] | None = None
) -> tuple[Placed, Array, Ground]:
    """The body in a base posture with the pose's angles laid over the posture's own; its axes (3, 3); what it rests on.

    lean and lean_side pitch the pelvis forward and to the tested side, degrees. table overrides the table's
    edges: foot, head (along the body, statures from the hips), tested, other (across). ValueError if unknown figure.
    """
    own, others = posture_angles(figure)
    full = Pose({**own, **pose.tested}, {**others, **pose.other})
    axes = _AXES[figure]
    tipped = axes @ turn_y(lean) @ turn_x(lean_side)
    if figure == "standing":
        placed = place(full, tipped, np.array([0.0, 0.0, HIP_HEIGHT]))
        low = min(float((p.centres[:, 2] - p.radii).min()) for p in flesh(placed).values())
        return place(full, tipped, np.array([0.0, 0.0, HIP_HEIGHT - low])), axes, Ground(None)
    placed = place(full, tipped, np.array([0.0, 0.0, _LIFT[figure]]))
    edges = {"head": 0.55, "foot": 0.56, "tested": 0.19, "other": 0.19}
    if figure == "sitting":
        edges = {"head": 0.28, "foot": 0.13, "tested": 0.30, "other": 0.30}
    edges.update(table or {})
    # Which way across the table the tested side lies.
    across = (edges["tested"], edges["other"]) if axes[1, 1] >= 0 else (edges["other"], edges["tested"])
    return placed, axes, Ground((-edges["head"], edges["foot"], -across[0], across[1]))
