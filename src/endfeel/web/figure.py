"""The body on which pain is marked: four outlines of our own, and the places that a mark can be named by.

Public: VIEWS, Outline, outline, Place, PLACES, nearest, WIDTH, HEIGHT.

Coordinates of marks are fractions of a view's box (x from the reader's left, y from the top). In the front view the
patient's right is on the reader's left. An outline is a list of points joined by a smooth closed curve.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from endfeel.visits.events import Side

WIDTH, HEIGHT = 200, 470
VIEWS = ("front", "back", "left", "right")


@dataclass(frozen=True)
class Outline:
    """One view: its closed outlines and the few lines within, as SVG path data in a WIDTH × HEIGHT box."""

    view: str
    name: str
    bodies: tuple[str, ...]
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Place:
    """A spot that has a name: where it lies on a view, and the problem that a mark there suggests."""

    id: str
    name: str
    view: str
    x: float
    y: float
    region: str
    side: Side


@cache
def outline(view: str) -> Outline:
    """The outline of one of VIEWS; ValueError for another name."""
    if view == "front":
        return Outline(view, "Front", (_mirrored(_HALF),), tuple(_both(_FRONT_LINES)))
    if view == "back":
        return Outline(view, "Back", (_mirrored(_HALF),), tuple(_both(_BACK_LINES)))
    if view in ("left", "right"):
        flip = view == "right"
        parts = [[(WIDTH - x if flip else x, y) for x, y in part] for part in (_PROFILE, _PROFILE_ARM)]
        line = [[(WIDTH - x if flip else x, y) for x, y in part] for part in _PROFILE_LINES]
        return Outline(
            view, f"{view.capitalize()} side", tuple(_closed(p) for p in parts), tuple(_open(p) for p in line)
        )
    raise ValueError(f"there is no view “{view}”; the views are {', '.join(VIEWS)}")


def nearest(view: str, x: float, y: float) -> Place:
    """The named place nearest to a mark (distance in the box's own units)."""
    here = [p for p in PLACES if p.view == view]
    if not here:
        raise ValueError(f"there is no view “{view}”; the views are {', '.join(VIEWS)}")
    return min(here, key=lambda p: ((p.x - x) * WIDTH) ** 2 + ((p.y - y) * HEIGHT) ** 2)


# half a body from the front: distance from the middle line, height; from the crown down outside, then up inside
_HALF: tuple[tuple[float, float], ...] = (
    (0, 6), (11, 8), (19, 17), (21, 31), (19, 45), (13, 56), (10.5, 63), (11, 72), (19, 79), (34, 84), (47, 89),
    (57, 99), (61, 115), (62, 135), (65, 155), (69, 172), (73, 190), (75, 210), (76, 228), (80, 243), (82, 258),
    (79, 271), (73, 275), (69, 268), (66, 256), (66, 244), (68, 228), (63, 208), (57, 188), (53, 170), (49, 150),
    (44.5, 130), (43, 118), (41, 136), (37, 160), (35, 178), (37, 196), (42, 214), (46, 234), (46, 262), (42, 296),
    (37, 326), (34, 345), (35.5, 362), (37, 380), (33, 404), (25, 428), (23, 438), (29, 450), (31, 458), (24, 462),
    (14, 461), (10, 452), (12, 436), (13, 418), (10, 394), (8.5, 374), (11, 352), (9.5, 336), (6, 306), (3, 268),
    (0, 247),
)  # fmt: skip

_FRONT_LINES: tuple[tuple[tuple[float, float], ...], ...] = (
    ((4, 92), (18, 89), (33, 90)),
    ((14, 343), (16, 334), (23, 332), (29, 336), (30, 345), (26, 353), (18, 353), (14, 343)),
    ((6, 140), (20, 143), (33, 134)),
    ((40, 224), (24, 240), (8, 252)),
    ((56, 172), (62, 175), (67, 171)),
)
_BACK_LINES: tuple[tuple[tuple[float, float], ...], ...] = (
    ((0, 66), (0, 110), (0, 160), (0, 206)),
    ((12, 102), (15, 120), (24, 136), (31, 122), (34, 106)),
    ((2, 262), (14, 266), (30, 263), (41, 254)),
    ((0, 212), (0, 236), (0, 258)),
    ((12, 346), (21, 349), (32, 345)),
    ((57, 170), (62, 173), (68, 169)),
    ((15, 438), (18, 450)),
)

# the body seen from its left (facing the reader's left)
_PROFILE: tuple[tuple[float, float], ...] = (
    (104, 6), (91, 9), (83, 20), (82, 30), (77, 38), (81, 43), (82, 51), (88, 57), (95, 59), (97, 68), (92, 78),
    (84, 92), (78, 110), (76, 126), (80, 146), (79, 166), (78, 188), (80, 208), (82, 226), (78, 252), (77, 282),
    (80, 312), (84, 332), (83, 344), (86, 358), (88, 384), (93, 412), (95, 432), (86, 444), (72, 452), (68, 460),
    (80, 463), (112, 462), (120, 457), (119, 446), (113, 432), (116, 410), (122, 388), (122, 368), (115, 348),
    (116, 332), (121, 306), (127, 278), (130, 254), (131, 236), (128, 220), (121, 202), (118, 184), (123, 160),
    (128, 136), (129, 112), (124, 94), (115, 80), (113, 66), (118, 54), (125, 42), (126, 26), (118, 12),
)  # fmt: skip
_PROFILE_ARM: tuple[tuple[float, float], ...] = (
    (106, 92), (96, 97), (92, 110), (94, 132), (96, 156), (95, 174), (92, 194), (91, 214), (91, 230), (86, 244),
    (85, 258), (88, 270), (95, 271), (100, 262), (102, 246), (101, 231), (106, 210), (110, 190), (111, 172),
    (113, 150), (117, 128), (117, 108), (113, 96),
)  # fmt: skip
_PROFILE_LINES: tuple[tuple[tuple[float, float], ...], ...] = (
    ((108, 30), (112, 27), (114, 33), (110, 39)),
    ((86, 345), (92, 352), (97, 350)),
    ((105, 434), (108, 442)),
)


def _mirrored(half: Sequence[tuple[float, float]]) -> str:
    middle = WIDTH / 2
    right = [(middle + x, y) for x, y in half]
    left = [(middle - x, y) for x, y in reversed(half) if x]
    return _closed(right + left)


def _both(lines: Sequence[Sequence[tuple[float, float]]]) -> list[str]:
    middle = WIDTH / 2
    out = []
    for line in lines:
        out.append(_open([(middle + x, y) for x, y in line]))
        if any(x for x, _ in line):
            out.append(_open([(middle - x, y) for x, y in line]))
    return out


def _closed(points: Sequence[tuple[float, float]]) -> str:
    n = len(points)
    return _curve([points[(i - 1) % n] for i in range(n + 3)]) + "Z"


def _open(points: Sequence[tuple[float, float]]) -> str:
    return _curve([points[0], *points, points[-1]])


def _curve(p: Sequence[tuple[float, float]]) -> str:
    """Cubic Bézier path of the centripetal-free Catmull-Rom spline through p[1] … p[-2]."""
    out = [f"M{p[1][0]:.1f} {p[1][1]:.1f}"]
    for a, b, c, d in zip(p, p[1:], p[2:], p[3:], strict=False):
        x1, y1 = b[0] + (c[0] - a[0]) / 6, b[1] + (c[1] - a[1]) / 6
        x2, y2 = c[0] - (d[0] - b[0]) / 6, c[1] - (d[1] - b[1]) / 6
        out.append(f"C{x1:.1f} {y1:.1f} {x2:.1f} {y2:.1f} {c[0]:.1f} {c[1]:.1f}")
    return "".join(out)


def _sided(stem: str, name: str, view: str, dx: float, y: float, region: str) -> tuple[Place, Place]:
    """The same spot on the right and on the left, ``dx`` from the middle line in box units."""
    sign = -1 if view == "front" else 1
    return (
        Place(f"{stem}-right", f"right {name}", view, (WIDTH / 2 + sign * dx) / WIDTH, y / HEIGHT, region, "right"),
        Place(f"{stem}-left", f"left {name}", view, (WIDTH / 2 - sign * dx) / WIDTH, y / HEIGHT, region, "left"),
    )


def _middle(stem: str, name: str, view: str, y: float, region: str) -> Place:
    return Place(stem, name, view, 0.5, y / HEIGHT, region, "none")


def _seen_from_side(stem: str, name: str, x: float, y: float, region: str) -> tuple[Place, Place]:
    return (
        Place(f"{stem}-right", f"right {name}", "right", (WIDTH - x) / WIDTH, y / HEIGHT, region, "right"),
        Place(f"{stem}-left", f"left {name}", "left", x / WIDTH, y / HEIGHT, region, "left"),
    )


PLACES: tuple[Place, ...] = (
    _middle("throat", "front of the neck", "front", 70, "cervical"),
    *_sided("shoulder-front", "shoulder, front", "front", 50, 98, "shoulder"),
    *_sided("collarbone-outer", "outer collarbone", "front", 36, 87, "shoulder"),
    *_sided("upper-arm-front", "upper arm, front", "front", 54, 135, "shoulder"),
    *_sided("elbow-front", "elbow, front", "front", 61, 172, "elbow-wrist-hand"),
    *_sided("forearm-front", "forearm, palm side", "front", 68, 203, "elbow-wrist-hand"),
    *_sided("wrist-front", "wrist, palm side", "front", 72, 230, "elbow-wrist-hand"),
    *_sided("hand-front", "hand, palm side", "front", 74, 255, "elbow-wrist-hand"),
    *_sided("groin", "groin", "front", 22, 234, "hip"),
    *_sided("hip-front", "hip, front", "front", 36, 222, "hip"),
    *_sided("thigh-front", "thigh, front", "front", 25, 285, "hip"),
    *_sided("knee-front", "knee, front", "front", 22, 342, "knee"),
    *_sided("knee-inner", "knee, inner side", "front", 12, 346, "knee"),
    *_sided("knee-outer", "knee, outer side", "front", 33, 346, "knee"),
    *_sided("shin", "shin", "front", 22, 390, "ankle-foot"),
    *_sided("ankle-front", "ankle, front", "front", 18, 432, "ankle-foot"),
    *_sided("ankle-outer", "ankle, outer side", "front", 25, 438, "ankle-foot"),
    *_sided("foot-front", "top of the foot", "front", 20, 454, "ankle-foot"),
    _middle("neck-back", "back of the neck", "back", 70, "cervical"),
    _middle("between-blades", "between the shoulder blades", "back", 112, "cervical"),
    *_sided("neck-side", "side of the neck", "back", 14, 76, "cervical"),
    *_sided("shoulder-blade", "shoulder blade", "back", 26, 112, "shoulder"),
    *_sided("shoulder-back", "shoulder, back", "back", 48, 98, "shoulder"),
    *_sided("upper-arm-back", "upper arm, back", "back", 54, 135, "shoulder"),
    *_sided("elbow-back", "elbow, back", "back", 62, 171, "elbow-wrist-hand"),
    *_sided("forearm-back", "forearm, back", "back", 68, 203, "elbow-wrist-hand"),
    *_sided("wrist-back", "wrist, back", "back", 72, 230, "elbow-wrist-hand"),
    *_sided("hand-back", "hand, back", "back", 74, 255, "elbow-wrist-hand"),
    _middle("mid-back", "middle of the back", "back", 150, "lumbar-pelvis"),
    _middle("low-back", "low back", "back", 188, "lumbar-pelvis"),
    *_sided("low-back-side", "low back, side", "back", 20, 190, "lumbar-pelvis"),
    *_sided("sacroiliac", "back of the pelvis", "back", 14, 216, "lumbar-pelvis"),
    *_sided("buttock", "buttock", "back", 24, 242, "hip"),
    *_sided("hamstring", "thigh, back", "back", 24, 292, "hip"),
    *_sided("knee-back", "back of the knee", "back", 22, 346, "knee"),
    *_sided("calf", "calf", "back", 23, 384, "ankle-foot"),
    *_sided("achilles", "Achilles tendon", "back", 18, 428, "ankle-foot"),
    *_sided("heel", "heel", "back", 18, 452, "ankle-foot"),
    *_seen_from_side("neck-from-side", "neck, seen from the side", 105, 66, "cervical"),
    *_seen_from_side("shoulder-outer", "shoulder, outer side", 105, 106, "shoulder"),
    *_seen_from_side("elbow-outer", "elbow, outer side", 104, 174, "elbow-wrist-hand"),
    *_seen_from_side("thumb-side", "wrist, thumb side", 96, 236, "elbow-wrist-hand"),
    *_seen_from_side("low-back-from-side", "low back, seen from the side", 119, 190, "lumbar-pelvis"),
    *_seen_from_side("hip-outer", "hip, outer side", 106, 236, "hip"),
    *_seen_from_side("thigh-outer", "thigh, outer side", 102, 288, "hip"),
    *_seen_from_side("knee-side", "knee, outer side seen from the side", 98, 345, "knee"),
    *_seen_from_side("lower-leg-outer", "lower leg, outer side", 104, 388, "ankle-foot"),
    *_seen_from_side("ankle-side", "ankle, outer side seen from the side", 104, 438, "ankle-foot"),
    *_seen_from_side("foot-side", "foot, outer edge", 86, 456, "ankle-foot"),
)  # fmt: skip
