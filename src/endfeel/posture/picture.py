"""The picture of a drawing: one or two panels of SVG.

Public: picture.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from html import escape

import numpy as np

from endfeel.posture.camera import Camera, camera
from endfeel.posture.contacts import Hand, Mark, PlaceError, direction, hand_parts, straight, surface, turning
from endfeel.posture.entry import Arrow, Drawing
from endfeel.posture.figure import Array, Frame, Placed, Pose
from endfeel.posture.labels import Label, marks_svg, placed_labels
from endfeel.posture.palette import Palette
from endfeel.posture.postures import ARMS, Ground, posture, posture_angles
from endfeel.posture.scene import HEIGHT, WIDTH, Window, circles, draw_ghost, draw_parts, draw_slab, order, window
from endfeel.posture.volumes import Part, flesh

_GAP = 8
_LEG = ("thigh", "shank", "foot", "kneecap")
_ARM = ("upper-arm", "forearm", "hand", "fingers", "fingertips", "thumb")
_FAINT = {
    "other leg": tuple("other-" + p for p in _LEG), "other arm": tuple("other-" + p for p in _ARM), "tested arm": _ARM,
    "head": ("head", "nose", "ear", "other-ear"),
}  # fmt: skip
# Which parts a frame must hold, or the place in its middle and how far about it, in statures.
_FRAMED: Mapping[str, tuple[str, ...]] = {
    "leg": ("thigh", "shank", "foot"),
    "legs": ("pelvis", "thigh", "shank", "foot", "other-thigh", "other-shank", "other-foot"),
    "trunk": ("pelvis", "thorax", "head"), "upper": ("head", "thorax", "abdomen", *_ARM, *("other-" + p for p in _ARM)),
    "arm": ("head", "thorax", *_ARM),
}  # fmt: skip
_AROUND: Mapping[str, tuple[str, float, float]] = {
    "knee": ("shank", 0.0, 0.17), "thigh": ("thigh", -0.12, 0.22), "hip": ("thigh", -0.02, 0.24),
    "shoulder": ("upper-arm", -0.01, 0.20),
    "forearm": ("forearm", -0.08, 0.16), "foot": ("foot", 0.0, 0.15),
}  # fmt: skip


@dataclass(frozen=True)
class _Body:
    placed: Placed
    parts: Mapping[str, Part]
    axes: Array
    ground: Ground


def picture(drawing: Drawing, title: str, palette: Palette) -> str:
    """The whole SVG element. Raises PlaceError, ViewError, JointAngleError (from the modules that find the fault)."""
    panels = [_panel(drawing, palette)]
    captions = [drawing.caption]
    if drawing.then is not None:
        step = drawing.then
        changed: dict[str, object] = {
            "joints": {**drawing.joints, **step.joints}, "other": {**drawing.other, **step.other}, "then": None,
            "before": step.before, "before_other": {},
        }  # fmt: skip
        changed |= {"lean_side": step.lean_side} if step.lean_side is not None else {}
        changed |= {"hands": step.hands} if step.hands is not None else {}
        changed |= {"arrows": step.arrows} if step.arrows is not None else {}
        panels.append(_panel(drawing.model_copy(update=changed), palette))
        captions.append(step.caption)
    width = WIDTH * len(panels) + _GAP * (len(panels) - 1)
    height = HEIGHT + (26 if any(captions) else 0)
    body = []
    for k, (panel, caption) in enumerate(zip(panels, captions, strict=True)):
        x = k * (WIDTH + _GAP)
        body.append(f'<svg x="{x}" width="{WIDTH}" height="{HEIGHT}">{panel}</svg>')
        if caption:
            body.append(
                f'<text x="{x + WIDTH // 2}" y="{HEIGHT + 18}" text-anchor="middle" font-size="19" '
                f'fill="{palette.ink}">{escape(caption)}</text>'
            )
    if len(panels) == 2:
        body.append(f'<path d="M{WIDTH + _GAP // 2} 12V{HEIGHT - 12}" stroke="{palette.ink}" stroke-opacity=".35"/>')
    style = f' style="{palette.style}"' if palette.style else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="posture" viewBox="0 0 {width} {height}" role="img" '
        f'font-family="inherit"{style}><title>{escape(title)}</title><desc>{escape(drawing.words)}</desc>{"".join(body)}</svg>'
    )


def _panel(drawing: Drawing, palette: Palette) -> str:
    body = _body(drawing, drawing.joints, drawing.other)
    view_from = camera(drawing.camera, body.axes, turn=drawing.turn, tilt=drawing.tilt)
    hands = []
    for k, laid in enumerate(drawing.hands):
        spot = surface(laid.on, body.placed, body.parts, body.axes)
        toward = direction(laid.reach, spot.frame, body.axes)
        fingers = direction(laid.fingers, spot.frame, body.axes) if laid.fingers else None
        hands.append(hand_parts(Hand(spot, laid.grip, toward, laid.flip, fingers), f"hand{k}"))
    start = None
    if drawing.before is not None or drawing.before_other:
        start = _body(drawing, {**drawing.joints, **(drawing.before or {})}, {**drawing.other, **drawing.before_other})
    between = _between(drawing) if any(arrow.sweep for arrow in drawing.arrows) else []
    marks = [(arrow, _marks(arrow, body, start, between, view_from.near)) for arrow in drawing.arrows]
    window_ = _window(drawing, body, start, hands, [m for _, ms in marks for m in ms], view_from)
    parts = dict(body.parts)
    faint = [n for what in drawing.faint for n in _FAINT[what]]
    pale = [parts.pop(n) for n in faint]
    for hand in hands:
        parts.update({p.name: p for p in hand})
    for prop in drawing.props:
        if prop.kind in ("roll", "pillow", "ball"):
            made = _soft(prop.kind, prop.at, body)
            parts[made.name] = made
    ordered = order(list(parts.values()), window_)
    style = {
        "body": ("", ""), "tested": (f' fill="{palette.tested}"', ""), "prop": (f' fill="{palette.thing}"', ""),
        "hand": (f' fill="{palette.hand}"', f' stroke="{palette.accent}"'),
    }  # fmt: skip
    out = [
        f'<g stroke="{palette.ink}" stroke-width="1.8" stroke-linejoin="round" stroke-linecap="round" '
        f'fill="{palette.body}">'
    ]
    hidden = [p for p in ordered if _under_table(p, body.ground, window_)]
    out.append(draw_parts(hidden, parts, window_, style))
    out.append(_supports(drawing, body, window_, palette))
    if start is not None:
        moved = [
            p for n, p in start.parts.items()
            if not np.allclose(p.centres, body.parts[n].centres, atol=4e-3) and n not in ("kneecap", "other-kneecap")
        ]  # fmt: skip
        path = draw_ghost(moved, window_)
        out.append(f'<path d="{path}" fill="none" stroke-dasharray="5 4" stroke-width="1.4" stroke-opacity=".75"/>')
    if pale:
        out.append(f'<path d="{draw_ghost(pale, window_)}" fill="none" stroke-dasharray="1 5" stroke-width="1.6"/>')
    out.append(draw_parts([p for p in ordered if p not in hidden], parts, window_, style))
    out.append("</g>")
    svg, labels = marks_svg(marks, window_, palette)
    for laid, hand in zip(drawing.hands, hands, strict=True):
        if laid.label:
            x, y, _ = window_.put(hand[-1].centres.mean(axis=0)[None])[0]
            labels.append(Label(laid.label, (float(x), float(y)), laid.label_at))
    solid = [circles(p, window_) for p in ordered]
    return "".join(out) + svg + placed_labels(labels, solid, window_, palette)


def _body(drawing: Drawing, joints: Mapping[str, float], other: Mapping[str, float]) -> _Body:
    rest = ARMS[drawing.arms] if drawing.arms else {}
    placed, axes, ground = posture(
        drawing.figure, Pose({**rest, **joints}, {**rest, **other}), lean=drawing.lean, lean_side=drawing.lean_side,
        table={str(k): v for k, v in drawing.table.items()},
    )  # fmt: skip
    return _Body(placed, flesh(placed), axes, ground)


def _between(drawing: Drawing, steps: int = 7) -> list[_Body]:
    """The body on its way from “before” to where the drawing shows it."""
    own, others = (posture_angles(drawing.figure)[k] for k in (0, 1))
    bodies = []
    for t in np.linspace(0, 1, steps + 2)[1:-1]:
        ways = []
        for mine, now, first in (
            (own, drawing.joints, drawing.before or {}),
            (others, drawing.other, drawing.before_other),
        ):
            end = {**mine, **now}
            ways.append({**now, **{n: (1 - float(t)) * v + float(t) * end.get(n, 0.0) for n, v in first.items()}})
        bodies.append(_body(drawing, ways[0], ways[1]))
    return bodies


def _window(
    drawing: Drawing, body: _Body, start: _Body | None, hands: list[list[Part]], marks: list[Mark], view_from: Camera
) -> Window:
    centres: list[Array] = []
    radii: list[Array] = []
    if drawing.frame in _AROUND:
        segment, along, far = _AROUND[drawing.frame]
        frame: Frame = body.placed.frames[segment]
        centres.append(frame.at(0, 0, along)[None])
        radii.append(np.array([far]))
    else:
        names = _FRAMED.get(drawing.frame, tuple(body.parts))
        for parts in (body.parts, start.parts if start is not None and drawing.frame != "whole" else {}):
            centres += [parts[n].centres for n in names if n in parts]
            radii += [parts[n].radii for n in names if n in parts]
    for hand in hands:
        for part in hand:
            if not part.name.endswith("forearm"):
                centres.append(part.centres)
                radii.append(part.radii)
    for mark in marks:
        centres.append(mark.path)
        radii.append(np.full(len(mark.path), 0.005))
    return window(view_from, np.concatenate(centres), np.concatenate(radii))


def _under_table(part: Part, ground: Ground, view: Window) -> bool:
    """Whether the table hides the part: it hangs below the top, and not in front of a side that the camera sees."""
    if ground.table is None or part.look == "prop":
        return False
    if float(part.centres[:, 2].mean()) > -0.02:
        return False
    low_x, high_x, low_y, high_y = ground.table
    middle, near = part.centres.mean(axis=0), view.camera.near
    faces = ((0, -1, low_x), (0, 1, high_x), (1, -1, low_y), (1, 1, high_y))
    return not any(sign * near[i] > 0.15 and sign * (middle[i] - edge) > 0 for i, sign, edge in faces)


def _supports(drawing: Drawing, body: _Body, view: Window, palette: Palette) -> str:
    attributes = f' stroke-opacity=".55" fill="{palette.thing}"'
    out = []
    if body.ground.table is not None:
        low_x, high_x, low_y, high_y = body.ground.table
        out.append(draw_slab(np.array([low_x, low_y, -0.045]), np.array([high_x, high_y, 0.0]), view, attributes))
    else:
        out.append(draw_slab(np.array([-0.26, -0.26, -0.006]), np.array([0.30, 0.26, 0.0]), view, attributes))
    for prop in drawing.props:
        if prop.kind in ("step", "rail"):
            at = surface(prop.at, body.placed, body.parts, body.axes).point
            if prop.kind == "step":
                low, high = at - np.array([0.20, 0.10, 0.0]), at + np.array([0.065, 0.10, 0.0])
                low[2] = 0.0
            else:
                low, high = at - np.array([0.012, 0.05, 0.0]), at + np.array([0.012, 0.05, 0.0])
                low[2] = 0.0
            out.append(draw_slab(low, high, view, attributes))
    return "".join(out)


def _soft(kind: str, at: str, body: _Body) -> Part:
    spot = surface(at, body.placed, body.parts, body.axes)
    if kind == "ball":
        return Part("prop-ball", (spot.point + 0.035 * spot.normal)[None], np.array([0.035]), (), "prop")
    across = np.cross(spot.normal, spot.axis)
    # The roll fills what lies between the skin and the table, at most a roll's usual thickness.
    thick = float(np.clip(abs(spot.point[2]) / 2, 0.014, 0.036)) if body.ground.table is not None else 0.03
    middle = spot.point + thick * spot.normal
    half = 0.075 if kind == "roll" else 0.06
    ends = [middle + half * across, middle - half * across]
    return Part(f"prop-{kind}-{at}", np.array(ends), np.array([thick, thick]), (), "prop")


def _marks(arrow: Arrow, body: _Body, start: _Body | None, between: list[_Body], near: Array) -> list[Mark]:
    whose = "patient" if arrow.kind == "active" else "examiner"
    spot = surface(arrow.at, body.placed, body.parts, body.axes)
    if arrow.sweep:
        if start is None:
            raise PlaceError("a sweep needs “before”")
        return [
            Mark(np.stack([surface(arrow.at, b.placed, b.parts, b.axes).point for b in [start, *between, body]]), whose)
        ]
    if arrow.turn is not None:
        outwards = arrow.turn == "out"
        if arrow.kind == "resist":
            return [
                turning(spot, outwards, "patient", near, 0.018, 110),
                turning(spot, not outwards, "examiner", near, 0.048, 110),
            ]
        return [turning(spot, outwards, whose, near)]
    way = direction(arrow.go or "", spot.frame, body.axes)
    if arrow.kind == "resist":
        point = spot.point + 0.008 * spot.normal
        return [
            Mark(np.stack([point - arrow.length * way, point - 0.006 * way]), "patient"),
            Mark(np.stack([point + arrow.length * way, point + 0.006 * way]), "examiner"),
        ]
    return [straight(spot, way, arrow.length, whose)]
