"""Charts of one pair: a forest plot and a plot in ROC space, as SVG for pages and as PDF or PNG for paper.

One Vega-Lite specification serves page and paper; `as_altair` gives it as an altair chart. Words stand at the marks,
there is no legend; ink and one accent only. The text alternative is the table that `forest_words` gives.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import as_file, files
from typing import Any, Literal

import altair as alt
import vl_convert

from endfeel.evidence.rows import AccuracyRow, StudyRow
from endfeel.pooling.picture import PairPicture, StudyRates
from endfeel.pooling.summary import Interval, PooledAccuracy

Room = Literal["light", "dark", "paper"]
Width = Literal["wide", "narrow"]
Side = Literal["sensitivity", "specificity"]
Spec = dict[str, Any]
"""A Vega-Lite specification."""

_SIDES: tuple[Side, ...] = ("sensitivity", "specificity")
FACE = "Atkinson Hyperlegible"

_AXIS: dict[str, Any] = {
    "values": [0, 0.2, 0.4, 0.6, 0.8, 1],
    "format": "~g",
    "domain": False,
    "tickSize": 0,
    "grid": True,
    "labelFlush": False,
}
_ROW = 36
MOST_LINES = 40
"""More studies than this are not drawn one by one; the table has them all."""


@dataclass(frozen=True)
class Palette:
    """The roles of a chart's two tones."""

    ground: str
    ink: str
    soft: str
    hair: str
    accent: str
    lens: str


PALETTES: dict[Room, Palette] = {
    "light": Palette("#fffdf7", "#1c2a30", "#58656a", "#cfc8b8", "#0b5563", "#b9cfce"),
    "dark": Palette("#192327", "#f2eee3", "#a8b4b4", "#36454b", "#86cbd5", "#2b5a63"),
    "paper": Palette("#ffffff", "#1c2a30", "#58656a", "#cfc8b8", "#0b5563", "#b9cfce"),
}


@dataclass(frozen=True)
class ForestLine:
    """One line of the forest plot in words and figures. kind: study, left-out, average or expected."""

    label: str
    note: str
    sensitivity: Interval
    specificity: Interval
    people: int | None
    kind: Literal["study", "left-out", "average", "expected"]
    rates_only: bool = False


def forest_words(picture: PairPicture, studies: dict[str, StudyRow] | None = None) -> tuple[ForestLine, ...]:
    """The lines of the forest plot, from top to bottom: also its text alternative.

    studies: descriptions by id, for short labels; a rates line brings its own.
    """
    several = [line.row.study_id for line in picture.lines]
    lines = [_line(line, studies or {}, several.count(line.row.study_id) > 1) for line in picture.lines]
    accuracy = picture.accuracy
    return (
        *lines,
        ForestLine(
            "Average clinic", "pooled", accuracy.pooled.sensitivity, accuracy.pooled.specificity, None, "average"
        ),
        ForestLine(
            "A new clinic",
            "to expect",
            accuracy.predictive.sensitivity,
            accuracy.predictive.specificity,
            None,
            "expected",
        ),
    )


def forest_chart(lines: Sequence[ForestLine], room: Room = "light", width: Width = "wide") -> Spec:
    """Sensitivity and specificity, side by side or, where narrow, one above the other; MOST_LINES studies at most."""
    palette = PALETTES[room]
    studies = [line for line in lines if line.kind in ("study", "left-out")]
    drawn = [*studies[:MOST_LINES], *(line for line in lines if line.kind in ("average", "expected"))]
    under = f", the {MOST_LINES} largest of {len(studies)}" if len(studies) > MOST_LINES else ""
    panels = [
        _panel(
            drawn, side, palette, labels=width == "narrow" or side == "sensitivity", wide=width == "wide", under=under
        )
        for side in _SIDES
    ]
    if width == "wide":
        return _dressed([{"hconcat": panels, "spacing": 26}], palette)
    return _dressed(panels, palette)


def roc_chart(picture: PairPicture, room: Room = "light", width: Width = "wide") -> Spec:
    """Each study, the average clinic with its 95 % region, and the region for a new clinic."""
    palette = PALETTES[room]
    scale = {"domain": [0, 1], "nice": False}
    across = _field("x", scale=scale, axis={"title": "Positive without the condition (1 − specificity)", **_AXIS})
    up = _field("y", scale=scale, axis={"title": "Positive with the condition (sensitivity)", **_AXIS})
    place = {"x": across, "y": up}
    path = {**place, "order": _field("i")}
    region = {"type": "line", "color": palette.accent, "strokeWidth": 1.5, "fill": palette.lens}
    studies = [
        {
            "x": 1 - line.specificity.mean,
            "y": line.sensitivity.mean,
            "size": _area(40, 260, line.people),
            "hollow": line.with_condition is None,
        }
        for line in picture.lines
        if line.used
    ]
    full, hollow = ([s for s in studies if s["hollow"] is kind] for kind in (False, True))
    sized = {**place, "size": _field("size", scale=None)}
    point = {"type": "point", "opacity": 1, "strokeWidth": 1.5}
    average = [{"x": picture.average[0], "y": picture.average[1]}]
    dotted = {"type": "line", "strokeDash": [2, 4]}
    layers = [
        _layer(_points([(0, 0), (1, 1)]), path, {**dotted, "color": palette.soft, "strokeWidth": 1}),
        _layer(_points(picture.prediction), path, {**region, "strokeDash": [6, 4], "fillOpacity": 0.25}),
        _layer(_points(picture.confidence), path, {**region, "fillOpacity": 0.8}),
        _layer(full, sized, {**point, "filled": True, "color": palette.ink, "stroke": palette.ground}),
        _layer(hollow, sized, {**point, "filled": False, "color": palette.ink, "shape": "diamond"}),
        _layer(
            average, place,
            {**point, "filled": True, "shape": "square", "size": 90, "color": palette.accent, "stroke": palette.ground},
        ),
        *_region_words(picture, place, palette),
    ]  # fmt: skip
    side = 380 if width == "wide" else 270
    return _dressed([{"layer": [one for one in layers if one], "width": side, "height": side}], palette)


def as_altair(spec: Spec) -> alt.VConcatChart:
    """The same chart as an altair object, checked against the schema: for notebooks and tests."""
    chart: alt.VConcatChart = alt.VConcatChart.from_dict(spec)
    return chart


def chart_svg(chart: Spec, faces: str = "") -> str:
    """The chart as SVG. faces: @font-face rules that it is to carry, for where it is shown as an image of its own."""
    _fonts()
    svg = str(vl_convert.vegalite_to_svg(chart))
    style = f"<style>{faces}</style>" if faces else ""
    return re.sub(r"(<svg[^>]*>)", lambda m: m[1] + style, svg, count=1)


def chart_png(chart: Spec, scale: float = 2.0) -> bytes:
    """The chart as PNG, `scale` pixels per point."""
    _fonts()
    return bytes(vl_convert.vegalite_to_png(chart, scale=scale))


def chart_pdf(chart: Spec) -> bytes:
    """The chart as PDF with its typeface embedded."""
    _fonts()
    return bytes(vl_convert.vegalite_to_pdf(chart))


def short_citation(citation: str, year: int) -> str:
    """First author and year; the first words where a citation begins with a title."""
    first = re.split(r"[,;(]", citation)[0].strip()
    name = re.sub(r"\s+(et al\.?|and others).*$", "", first)
    words = name.split()
    if len(words) > 2 and not re.fullmatch(r"[A-Z]{1,3}", words[-1]):
        name = " ".join(words[:2]) + "…"
    elif len(words) > 1 and re.fullmatch(r"[A-Z]{1,3}", words[-1]):
        name = " ".join(words[:-1])
    return f"{name} {year}"


def in_words(interval: Interval, single: bool = False) -> str:
    """A rate as “0.79 (0.72 to 0.85)”; single: without its ends."""
    if single:
        return f"{interval.mean:.2f}"
    return f"{interval.mean:.2f} ({interval.low:.2f} to {interval.high:.2f})"


def forest_title(accuracy: PooledAccuracy, finding: str, condition: str) -> str:
    """What the plot shows, in one line, for those who can not see it."""
    expected = accuracy.predictive
    return (
        f"{finding} for {condition}: {accuracy.k} studies; expected in a new clinic sensitivity "
        f"{in_words(expected.sensitivity)}, specificity {in_words(expected.specificity)}"
    )


def _region_words(picture: PairPicture, place: Spec, palette: Palette) -> list[Spec]:
    """Words at the lower edge of each region; the inner ones are left out where the two would meet."""
    found = []
    inner, outer = (outline[outline[:, 1].argmin()] for outline in (picture.confidence, picture.prediction))
    for (across, up), said in ((outer, "a new clinic"), (inner, "average clinic")):
        if said == "average clinic" and abs(inner[1] - outer[1]) < 0.08:
            continue
        value = {"x": float(min(max(across, 0.14), 0.86)), "y": float(up), "said": said}
        mark = {"type": "text", "dy": -10 if up < 0.06 else 13, "color": palette.accent, "fontSize": 13}
        found.append(_layer([value], {**place, "text": _field("said", "nominal")}, mark))
    return found


def _line(line: StudyRates, studies: dict[str, StudyRow], several: bool) -> ForestLine:
    row, study = line.row, studies.get(line.row.study_id)
    if study is not None:
        label = short_citation(study.citation, study.year)
    elif isinstance(row, AccuracyRow):
        label = row.study_id
    else:
        label = short_citation(row.citation, row.year)
    if several:
        label += f", {row.criterion if len(row.criterion) < 22 else row.criterion[:20].rstrip() + ' …'}"
    note = f"{line.with_condition} with, {line.without} without"
    if line.with_condition is None:
        note = f"{line.people} people"
    kind: Literal["study", "left-out"] = "study" if line.used else "left-out"
    return ForestLine(label, note, line.sensitivity, line.specificity, line.people, kind, line.with_condition is None)


def _panel(lines: Sequence[ForestLine], side: Side, palette: Palette, *, labels: bool, wide: bool, under: str) -> Spec:
    rows = [_row(place, line, side) for place, line in enumerate(lines)]
    x: Spec = {"scale": {"domain": [0, 1], "nice": False}, "axis": {**_AXIS, "title": None, "orient": "top"}}
    y = _field("row", scale={"domain": [-0.5, len(lines) - 0.15], "reverse": True, "nice": False}, axis=None)
    at = {"x": _field("mean", **x), "y": y}
    span = {"x": _field("low", **x), "x2": {"field": "high"}, "y": y}
    point = {"type": "point", "opacity": 1, "strokeWidth": 1.5}

    def of(*kinds: str, hollow: bool | None = None) -> list[Spec]:
        return [r for r in rows if r["kind"] in kinds and hollow in (None, r["hollow"])]

    pooled = ("average", "expected")
    edged = {"stroke": palette.accent}
    hollow = {**point, "filled": False}
    layers = [
        _layer(
            of("expected"), span,
            {**edged, "type": "bar", "height": 12, "cornerRadius": 6, "color": palette.lens, "strokeWidth": 1.5},
        ),
        _layer(of("average"), span, {"type": "rule", "color": palette.accent, "strokeWidth": 3}),
        _layer(of("study", hollow=False), span, {"type": "rule", "color": palette.ink, "strokeWidth": 1.5}),
        _layer(
            of("left-out", hollow=False), span,
            {"type": "rule", "color": palette.soft, "strokeWidth": 1.5, "strokeDash": [3, 3]},
        ),
        _layer(
            of("study", hollow=False), {**at, "size": _field("size", scale=None)},
            {**point, "filled": True, "shape": "square", "color": palette.ink},
        ),
        _layer(of("study", hollow=True), at, {**hollow, "shape": "diamond", "size": 90, "color": palette.ink}),
        _layer(of("left-out"), at, {**hollow, "shape": "square", "size": 50, "color": palette.soft}),
        _layer(
            of(*pooled), at,
            {**point, "filled": True, "shape": "circle", "size": 80, "color": palette.accent, "stroke": palette.ground},
        ),
    ]  # fmt: skip
    written = [("said", 10, 0, palette.ink, 160)]
    if labels and wide:
        written += [("label", -152, -8, palette.ink, 144), ("note", -152, 8, palette.soft, 144)]
    elif labels:
        written += [("label", -126, -8, palette.ink, 120), ("note", -126, 8, palette.soft, 120)]
    for field, dx, dy, colour, limit in written:
        for weight, kinds in (("normal", ("study", "left-out")), ("bold", pooled)):
            text = {
                "type": "text", "align": "left", "baseline": "middle", "dx": dx, "dy": dy, "color": colour,
                "fontSize": 12 if field == "note" else 13, "limit": limit,
                "fontWeight": "normal" if field == "note" else weight,
            }  # fmt: skip
            data = [{**r, "at": 1 if field == "said" else 0} for r in of(*kinds)]
            layers.append(_layer(data, {"x": _field("at", **x), "y": y, "text": _field(field, "nominal")}, text))
    return {
        "layer": [one for one in layers if one],
        "width": 165 if wide else 132,
        "height": round((len(lines) + 0.35) * _ROW),
        "title": {
            "text": side.capitalize() + under,
            "anchor": "start",
            "fontSize": 15,
            "fontWeight": "bold",
            "offset": 8,
        },
    }


def _row(place: int, line: ForestLine, side: Side) -> Spec:
    interval: Interval = getattr(line, side)
    ends = "" if line.rates_only else f"  {interval.low:.2f}–{interval.high:.2f}"
    return {
        "row": place + (0.35 if line.kind in ("average", "expected") else 0),
        "label": line.label,
        "note": line.note,
        "low": interval.low,
        "mean": interval.mean,
        "high": interval.high,
        "said": f"{interval.mean:.2f}{ends}",
        "size": _area(30, 170, line.people or 0),
        "kind": line.kind,
        "hollow": line.rates_only,
    }


def _layer(values: list[Spec], encoding: Spec, mark: Spec) -> Spec:
    """One mark with its data; empty where there is nothing to draw."""
    return {"data": {"values": values}, "encoding": encoding, "mark": mark} if values else {}


def _field(name: str, kind: str = "quantitative", /, **more: Any) -> Spec:
    return {"field": name, "type": kind, **more}


def _area(least: float, more: float, people: int) -> float:
    return least + more * min(1.0, people / 400)


def _points(outline: Any) -> list[Spec]:
    return [{"x": float(a), "y": float(b), "i": i} for i, (a, b) in enumerate(outline)]


def _dressed(parts: list[Spec], palette: Palette) -> Spec:
    text = {"font": FACE, "color": palette.ink}
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "vconcat": parts,
        "spacing": 22,
        "background": palette.ground,
        "padding": {"left": 12, "right": 14, "top": 10, "bottom": 10},
        "config": {
            "font": FACE,
            "view": {"stroke": None},
            "axis": {
                "labelFont": FACE, "titleFont": FACE, "labelColor": palette.soft, "titleColor": palette.ink,
                "gridColor": palette.hair, "labelFontSize": 12, "titleFontSize": 13, "titleFontWeight": "normal",
                "gridWidth": 1, "labelPadding": 6, "titlePadding": 8,
            },
            "title": text,
            "text": {"font": FACE},
        },
    }  # fmt: skip


@cache
def _fonts() -> None:
    with as_file(files("endfeel.documents") / "fonts") as folder:
        vl_convert.register_font_directory(str(folder))
