"""The joints of the drawn figure and how far each may be bent.

Public: RANGES, JointAngleError, checked.

Angles are degrees from the anatomical position (upright, arms hanging, palms forward) by the trade's conventions.
The ranges are our own stated limits: the usual passive range with a margin for loose joints. They keep a drawing from
showing what no patient can do; they are not norms and are shown to nobody.
"""

from __future__ import annotations

from collections.abc import Mapping

LIMB_RANGES: Mapping[str, tuple[float, float]] = {
    "hip_flexion": (-30, 140),
    "hip_abduction": (-45, 80),
    "hip_external_rotation": (-60, 90),
    "knee_flexion": (-12, 160),
    "knee_valgus": (-15, 15),
    "shin_external_rotation": (-40, 45),
    "shin_forward_mm": (-15, 15),
    "ankle_dorsiflexion": (-65, 40),
    "ankle_inversion": (-25, 40),
    "shoulder_flexion": (-60, 180),
    "shoulder_abduction": (-45, 180),
    "shoulder_external_rotation": (-110, 115),
    "shoulder_horizontal_adduction": (-50, 140),
    "shoulder_forward_mm": (-25, 40),
    "shoulder_up_mm": (-25, 50),
    "elbow_flexion": (-12, 150),
    "forearm_pronation": (-10, 170),
    "wrist_flexion": (-80, 85),
    "wrist_ulnar_deviation": (-25, 40),
    "finger_flexion": (0, 100),
}
TRUNK_RANGES: Mapping[str, tuple[float, float]] = {
    "spine_flexion": (-35, 95),
    "spine_side_bend": (-40, 40),
    "spine_rotation": (-60, 60),
    "head_flexion": (-75, 60),
    "head_side_bend": (-50, 50),
    "head_rotation": (-85, 85),
}
RANGES: Mapping[str, tuple[float, float]] = {**LIMB_RANGES, **TRUNK_RANGES}


class JointAngleError(ValueError):
    """A joint that does not exist or an angle that it can not reach; the message says which and what would do."""


def checked(angles: Mapping[str, float], *, trunk: bool = True) -> dict[str, float]:
    """The same angles (degrees; *_mm in millimetres) as floats, each within its joint's range.

    With trunk=False only limb joints are taken. Raises JointAngleError.
    """
    known = RANGES if trunk else LIMB_RANGES
    for name, value in angles.items():
        if name not in known:
            raise JointAngleError(f"there is no joint angle {name}; the names are {', '.join(known)}")
        low, high = known[name]
        if not low <= value <= high:
            unit = "mm" if name.endswith("_mm") else "degrees"
            raise JointAngleError(f"{name} = {value:g} is outside {low:g} to {high:g} {unit}: give an angle within it")
    return {name: float(value) for name, value in angles.items()}
