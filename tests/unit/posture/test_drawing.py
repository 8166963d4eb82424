"""Drawings: what an entry may say, and that the picture shows it."""

from __future__ import annotations

import tomllib
import xml.etree.ElementTree as ET
from importlib.resources import files
from typing import Any

import numpy as np
import polars as pl
import pytest

from endfeel.posture import PRINT, DrawingError, draw, parse_drawing
from endfeel.posture.camera import camera
from endfeel.posture.contacts import surface, turning
from endfeel.posture.figure import Pose
from endfeel.posture.gallery import gallery
from endfeel.posture.postures import posture
from endfeel.posture.scene import order, window
from endfeel.posture.shapes import fill_path, hull, inside, stroke_path
from endfeel.posture.volumes import Part, flesh

ENTRY: dict[str, Any] = {
    "figure": "supine",
    "frame": "leg",
    "words": "Face up, knee bent, the shin is drawn forward.",
    "joints": {"hip_flexion": 45, "knee_flexion": 90},
    "hands": [{"on": "shank 0.15 outer", "grip": "clasp", "reach": "footward", "label": "hold"}],
    "arrows": [{"at": "shank 0.1 front", "go": "front", "label": "draw"}],
}
SVG = "{http://www.w3.org/2000/svg}"
REGIONS = sorted(
    p.name for p in (files("endfeel.catalogue") / "data").iterdir() if p.is_dir() and (p / "drawings.toml").is_file()
)


def _entries(region: str) -> dict[str, Any]:
    path = files("endfeel.catalogue") / "data" / region / "drawings.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


def test_a_drawing_is_an_accessible_svg_and_always_the_same() -> None:
    svg = draw(parse_drawing(ENTRY), title="Drawer & pull")
    assert svg == draw(parse_drawing(ENTRY), title="Drawer & pull")
    root = ET.fromstring(svg)
    assert root.attrib["role"] == "img"
    assert root.findtext(f"{SVG}title") == "Drawer & pull"
    assert root.findtext(f"{SVG}desc") == ENTRY["words"]
    assert {t.text for t in root.iter(f"{SVG}text")} == {"hold", "draw"}
    for name in ("--ink", "--accent", "--paper"):
        assert f"var({name},#" in svg
    assert "nan" not in svg
    assert "var(" not in draw(parse_drawing(ENTRY), title="Drawer", palette=PRINT)


def test_a_pair_shows_both_positions_with_their_captions() -> None:
    entry = ENTRY | {"caption": "before", "then": {"caption": "after", "joints": {"knee_flexion": 30}}}
    root = ET.fromstring(draw(parse_drawing(entry), title="Two"))
    panels = root.findall(f"{SVG}svg")
    assert len(panels) == 2
    assert ET.tostring(panels[0]) != ET.tostring(panels[1]).replace(b'x="328"', b'x="0"')
    assert [t.text for t in root.findall(f"{SVG}text")] == ["before", "after"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"joints": {"knee_flexion": 200}}, "knee_flexion = 200 is outside"),
        ({"figure": "floating"}, "figure: Input should be"),
        ({"camera": "below"}, "there is no view “below”"),
        ({"colour": "red"}, "colour: Extra inputs"),
        ({"arrows": [{"at": "shank 0.1 front"}]}, "exactly one of go, turn and sweep"),
        ({"arrows": [{"at": "shank 0.1 front", "sweep": True}]}, "a sweep needs “before”"),
        ({"then": {"caption": "after"}}, "a pair needs a caption"),
    ],
)
def test_a_bad_entry_is_refused_in_one_line(change: dict[str, Any], message: str) -> None:
    with pytest.raises(DrawingError, match=message) as caught:
        parse_drawing(ENTRY | change)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"arrows": [{"at": "knee", "go": "front"}]}, "is no place"),
        ({"arrows": [{"at": "shin 0.1 front", "go": "front"}]}, "there is no segment “shin”"),
        ({"arrows": [{"at": "shank 0.1 front", "go": "sideways"}]}, "there is no direction “sideways”"),
        ({"arrows": [{"at": "shank 0.1 front", "go": "front+back"}]}, "points nowhere"),
        ({"camera": "front"}, "straight down"),
    ],
)
def test_what_can_not_be_drawn_says_why(change: dict[str, Any], message: str) -> None:
    with pytest.raises(DrawingError, match=message):
        draw(parse_drawing(ENTRY | change), title="Lachman")


def test_the_nearer_leg_covers_the_further_one() -> None:
    placed, axes, _ = posture("standing", Pose())
    parts = flesh(placed)
    for view, last in (("outer side", "thigh"), ("inner side", "other-thigh")):
        eye = camera(view, axes, tilt=0)
        everything = np.concatenate([p.centres for p in parts.values()])
        seen = order([parts["thigh"], parts["other-thigh"]], window(eye, everything, np.full(len(everything), 0.05)))
        assert seen[-1].name == last


def test_what_is_wholly_hidden_is_not_drawn() -> None:
    eye = camera("front", np.eye(3), tilt=0)
    ball, small = (Part(n, np.array([[x, 0.0, 0.0]]), np.array([r])) for n, x, r in (("a", 0.5, 0.3), ("b", -0.5, 0.1)))
    assert [p.name for p in order([small, ball], window(eye, ball.centres, ball.radii))] == ["a"]


def test_a_hull_touches_every_circle_and_holds_them_all() -> None:
    circles = (np.array([[0.0, 0.0], [40.0, 0.0], [20.0, 1.0]]), np.array([10.0, 6.0, 3.0]))
    runs = hull(circles)
    assert {run.r for run in runs} == {10.0, 6.0}
    assert fill_path(runs).endswith("Z")
    assert inside(circles, np.array([[20.0, 0.0], [46.5, 0.0], [0.0, 10.5]])).tolist() == [True, False, False]
    assert stroke_path(runs, lambda points: np.zeros(len(points), dtype=bool)) is None
    assert stroke_path(runs, lambda points: np.ones(len(points), dtype=bool)) == ""
    half = stroke_path(runs, lambda points: points[:, 0] > 20)
    assert half is not None
    assert half.count("M") == 1


def test_outward_turn_goes_down_on_the_near_side_of_a_right_shin_seen_from_outside() -> None:
    placed, axes, _ = posture("supine", Pose({"hip_flexion": 90, "knee_flexion": 90}))
    parts = flesh(placed)
    eye = camera("outer side", axes)
    spot = surface("shank 0.5 front", placed, parts, axes)
    path = turning(spot, True, "examiner", eye.near).path
    assert path[-1, 2] < path[0, 2]
    back = turning(spot, False, "examiner", eye.near).path
    assert back[-1, 2] > back[0, 2]


@pytest.mark.parametrize("region", REGIONS)
def test_every_drawing_of_the_catalogue_can_be_drawn_and_is_light(region: str) -> None:
    findings = pl.read_csv(str(files("endfeel.evidence") / "data" / region / "findings.csv"), infer_schema=False)
    kinds = dict(zip(findings["finding_id"], findings["kind"], strict=True))
    positions = dict(zip(findings["finding_id"], findings["patient_position"], strict=True))
    entries = _entries(region)
    for identifier, entry in entries.items():
        assert kinds.get(identifier) not in (None, "history", "imaging", "laboratory"), identifier
        figure, position = entry["figure"], positions[identifier]
        assert figure == position or position not in ("supine", "prone", "side-lying"), (identifier, figure, position)
    for drawn in gallery(entries, {}):
        limit = 12_000 if "then" not in entries[drawn.finding_id] else 22_000
        assert len(drawn.svg) < limit, (drawn.finding_id, len(drawn.svg))
        ET.fromstring(drawn.svg)


def test_the_gallery_names_every_drawing_that_fails() -> None:
    with pytest.raises(DrawingError, match=r"\[one\].*knee_flexion.*\n\[two\].*figure"):
        gallery({"one": ENTRY | {"joints": {"knee_flexion": 999}}, "two": ENTRY | {"figure": "x"}}, {})
