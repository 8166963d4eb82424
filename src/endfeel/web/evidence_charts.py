"""The plots of a pair as images: SVG for pages, PDF and PNG for paper, each drawn once.

Public: chart_image, CHARTS, MEDIA.
"""

from __future__ import annotations

import base64
from functools import cache
from importlib.resources import files

from endfeel.documents.charts import (
    FACE,
    Room,
    Spec,
    Width,
    chart_pdf,
    chart_png,
    chart_svg,
    forest_chart,
    roc_chart,
)
from endfeel.web.desk import Desk
from endfeel.web.evidence_finding_view import pair_words
from endfeel.web.refused import Refused

CHARTS = ("forest", "roc")
MEDIA = {"svg": "image/svg+xml", "png": "image/png", "pdf": "application/pdf"}


def chart_image(
    desk: Desk, region: str, observable: str, condition: str, chart: str, form: str, room: Room, width: Width
) -> bytes:
    """One chart in one form; Refused(404) where there is no such chart or pair."""
    if chart not in CHARTS or form not in MEDIA:
        there = f"there are {', '.join(CHARTS)} as svg, png, pdf"
        raise Refused(404, f"There is no plot “{chart[:20]}.{form[:10]}”; {there}.")
    picture, forest = pair_words(desk, region, observable, condition)

    def make() -> bytes:
        tone: Room = "paper" if form != "svg" else room
        spec = forest_chart(forest.lines, tone, width) if chart == "forest" else roc_chart(picture, tone, width)
        return _drawn(spec, form)

    key = ("chart", desk.edition.id, region, observable, condition, chart, form, room, width)
    return desk.kept.once(key, make)


def _drawn(spec: Spec, form: str) -> bytes:
    if form == "svg":
        return chart_svg(spec, _faces()).encode()
    return chart_pdf(spec) if form == "pdf" else chart_png(spec)


@cache
def _faces() -> str:
    """The typeface as rules that an image can carry: an image loads nothing from elsewhere."""
    folder = files("endfeel.web") / "static" / "fonts"
    found = []
    for weight in (400, 700):
        held = (folder / f"atkinson-hyperlegible-latin-{weight}-normal.woff2").read_bytes()
        source = f"url(data:font/woff2;base64,{base64.b64encode(held).decode()}) format('woff2')"
        found.append(f"@font-face{{font-family:'{FACE}';font-weight:{weight};src:{source}}}")
    return "".join(found)
