"""All posture drawings, by region: to look at them one by one, to teach from, to print.

Public: router.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from fastapi import APIRouter
from starlette.responses import Response

from endfeel.catalogue.entries import HandsOn
from endfeel.documents.wording import POSITIONS
from endfeel.posture import DARK, PRINT, DrawingError, draw, parse_drawing
from endfeel.web import words
from endfeel.web.desk import Desk
from endfeel.web.device_routes import AtDesk
from endfeel.web.evidence_words import check_region
from endfeel.web.refused import Refused
from endfeel.web.respond import pages

router = APIRouter()
_FACE = 'font-family="Atkinson Hyperlegible, Verdana, sans-serif"'


@dataclass(frozen=True)
class DrawnRegion:
    """One region, how many of its findings are drawn, and how many findings it has."""

    id: str
    name: str
    href: str
    drawn: int
    findings: int


@dataclass(frozen=True)
class DrawingsPage:
    """The regions that have drawings first."""

    regions: tuple[DrawnRegion, ...]


@dataclass(frozen=True)
class Picture:
    """One drawing: its address, what it shows in words, and the finding's own page."""

    id: str
    name: str
    image: str
    words: str
    position: str
    wide: bool
    href: str


@dataclass(frozen=True)
class PositionGroup:
    """Drawings of one position of the patient."""

    name: str
    pictures: tuple[Picture, ...]


@dataclass(frozen=True)
class RegionDrawings:
    """All drawings of a region by position; undrawn: names of the hands-on findings that have none yet."""

    id: str
    name: str
    groups: tuple[PositionGroup, ...]
    drawn: int
    undrawn: tuple[str, ...]


def drawings(desk: AtDesk) -> DrawingsPage:
    """How much is drawn, by region."""
    found = [
        DrawnRegion(
            region, words.region(region), f"/drawings/{region}", len(entries.drawings), len(_hands_on(desk, region))
        )
        for region, entries in desk.catalogue.regions.items()
    ]
    return DrawingsPage(tuple(sorted(found, key=lambda r: not r.drawn)))


def region_drawings(desk: AtDesk, region: str) -> RegionDrawings:
    """All drawings of a region, by position."""
    check_region(desk, region)
    entries = desk.catalogue.region(region).drawings
    groups: dict[str, list[Picture]] = {}
    for finding_id, entry in entries.items():
        row = desk.row(region, finding_id)
        drawing = parse_drawing(entry)
        position = words.capital(POSITIONS.get(row.patient_position, row.patient_position))
        groups.setdefault(position, []).append(
            Picture(
                finding_id, row.name, f"/drawings/{region}/{finding_id}.svg", drawing.words, position,
                drawing.then is not None, f"/evidence/{region}/finding/{finding_id}",
            )
        )  # fmt: skip
    return RegionDrawings(
        region,
        words.region(region),
        tuple(PositionGroup(name, tuple(groups[name])) for name in groups),
        len(entries),
        tuple(name for finding_id, name in _hands_on(desk, region) if finding_id not in entries),
    )


pages(router, "/drawings", "drawings.html", drawings)
pages(router, "/drawings/{region}", "drawings_region.html", region_drawings)


@router.get("/drawings/{region}/{finding_id}.svg")
def drawing_image(desk: AtDesk, region: str, finding_id: str, room: Literal["light", "dark"] = "light") -> Response:
    """One drawing as an image: in its printed colours, or in those of a dark room."""
    check_region(desk, region)
    entry = desk.catalogue.region(region).drawings.get(finding_id)
    if entry is None:
        raise Refused(404, f"There is no drawing of “{finding_id[:60]}” in this region.")
    name = desk.row(region, finding_id).name
    try:
        made = draw(parse_drawing(entry), title=name, palette=DARK if room == "dark" else PRINT)
    except DrawingError as error:
        raise Refused(404, f"{error}; the words remain.") from None
    # An image inherits no typeface from the page that shows it.
    return Response(made.replace('font-family="inherit"', _FACE), media_type="image/svg+xml")


def _hands_on(desk: Desk, region: str) -> list[tuple[str, str]]:
    """Ids and names of the findings that hands or eyes elicit, in table order."""
    entries = desk.catalogue.region(region).findings
    return [
        (row.finding_id, row.name)
        for row in desk.evidence.findings_of(region)
        if isinstance(entries.get(row.finding_id), HandsOn)
    ]
