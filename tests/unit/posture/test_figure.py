"""Where the figure's segments lie when its joints are bent by the trade's conventions."""

from __future__ import annotations

import numpy as np
import pytest

from endfeel.posture.figure import LENGTH, Pose, place
from endfeel.posture.joints import RANGES, JointAngleError, checked
from endfeel.posture.postures import POSTURES, posture
from endfeel.posture.volumes import flesh


def _axes(segment: str, **angles: float) -> np.ndarray:
    return place(Pose(angles, angles), np.eye(3), np.zeros(3)).frames[segment].axes


def _points_to(segment: str, **angles: float) -> np.ndarray:
    return -_axes(segment, **angles)[:, 2]


@pytest.mark.parametrize(
    ("segment", "angles", "toward"),
    [
        ("thigh", {"hip_flexion": 90}, (1, 0, 0)),
        ("thigh", {"hip_abduction": 90}, (0, -1, 0)),
        ("other-thigh", {"hip_abduction": 90}, (0, 1, 0)),
        ("shank", {"knee_flexion": 90}, (-1, 0, 0)),
        ("shank", {"hip_flexion": 90, "knee_flexion": 90}, (0, 0, -1)),
        ("upper-arm", {"shoulder_flexion": 180}, (0, 0, 1)),
        ("upper-arm", {"shoulder_abduction": 90}, (0, -1, 0)),
        ("upper-arm", {"shoulder_abduction": 90, "shoulder_horizontal_adduction": 90}, (1, 0, 0)),
        ("forearm", {"elbow_flexion": 90}, (1, 0, 0)),
        # Outward turn carries the bent forearm away from the body; at 90 degrees out to the side, upwards.
        ("forearm", {"elbow_flexion": 90, "shoulder_external_rotation": 90}, (0, -1, 0)),
        ("other-forearm", {"elbow_flexion": 90, "shoulder_external_rotation": 90}, (0, 1, 0)),
        ("forearm", {"shoulder_abduction": 90, "elbow_flexion": 90, "shoulder_external_rotation": 90}, (0, 0, 1)),
        # Inward turn of the bent hip carries the foot outwards.
        ("shank", {"hip_flexion": 90, "knee_flexion": 90, "hip_external_rotation": -90}, (0, -1, 0)),
        # With the arm forward and turned in fully the bent forearm lies across the body.
        ("forearm", {"shoulder_flexion": 90, "elbow_flexion": 90, "shoulder_external_rotation": -90}, (0, 1, 0)),
    ],
)
def test_a_limb_points_where_its_angles_say(segment: str, angles: dict[str, float], toward: tuple[float, ...]) -> None:
    assert _points_to(segment, **angles) == pytest.approx(np.array(toward), abs=1e-9)


def test_the_palm_faces_forward_at_first_and_the_midline_after_a_quarter_turn() -> None:
    assert _axes("hand")[:, 0] == pytest.approx([1, 0, 0])
    assert _axes("hand", forearm_pronation=90)[:, 0] == pytest.approx([0, 1, 0], abs=1e-9)
    assert _axes("other-hand", forearm_pronation=90)[:, 0] == pytest.approx([0, -1, 0], abs=1e-9)


def test_valgus_leans_the_shin_outwards_and_dorsiflexion_lifts_the_toes() -> None:
    assert _points_to("shank", knee_valgus=10)[1] < -0.1
    assert _axes("foot", ankle_dorsiflexion=20)[2, 0] > 0.3


def test_segments_keep_their_length_and_hang_together() -> None:
    rng = np.random.default_rng(7)
    for _ in range(20):
        angles = {name: float(rng.uniform(low, high)) for name, (low, high) in RANGES.items()}
        frames = place(Pose(angles, angles), np.eye(3), np.zeros(3)).frames
        for upper, lower in (("upper-arm", "forearm"), ("forearm", "hand"), ("shank", "foot")):
            gap = np.linalg.norm(frames[upper].origin - frames[lower].origin)
            assert gap == pytest.approx(LENGTH[upper])
        for frame in frames.values():
            assert frame.axes.T @ frame.axes == pytest.approx(np.eye(3), abs=1e-9)


def test_an_angle_beyond_the_joint_is_refused_with_what_would_do() -> None:
    with pytest.raises(JointAngleError, match=r"knee_flexion = 190 is outside -12 to 160 degrees"):
        checked({"knee_flexion": 190})
    with pytest.raises(JointAngleError, match="there is no joint angle knee_flextion"):
        checked({"knee_flextion": 10})
    with pytest.raises(JointAngleError, match="there is no joint angle spine_flexion"):
        checked({"spine_flexion": 10}, trunk=False)


@pytest.mark.parametrize("figure", POSTURES)
def test_a_body_rests_on_its_table_or_the_floor(figure: str) -> None:
    placed, _, ground = posture(figure, Pose())
    trunk = (
        [p for n, p in flesh(placed).items() if n in ("pelvis", "thorax")] if ground.table else flesh(placed).values()
    )
    low = min(float((p.centres[:, 2] - p.radii).min()) for p in trunk)
    assert low == pytest.approx(0.0, abs=0.012)


def test_upright_the_figure_is_one_stature_high() -> None:
    parts = flesh(posture("standing", Pose())[0]).values()
    high = max(float((p.centres[:, 2] + p.radii).max()) for p in parts)
    assert high == pytest.approx(1.0, abs=0.015)
