"""What scans show in people without symptoms: every line that was read for a region.

Public: router, ScansPage, scans_page.
"""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter

from endfeel.documents.incidental import SCANS
from endfeel.documents.wording import listed
from endfeel.evidence.incidental import IncidentalRow, load_incidental
from endfeel.web import words
from endfeel.web.desk import Desk
from endfeel.web.device_routes import AtDesk
from endfeel.web.evidence_view import Choice
from endfeel.web.evidence_words import check_region, condition_name
from endfeel.web.respond import pages

router = APIRouter()

_KINDS = {
    "paper-table": "a table of the paper", "paper-text": "the paper's text",
    "review-table": "a table of another paper that reprints it", "review-text": "a text that reports it",
}  # fmt: skip


@dataclass(frozen=True)
class ScanLine:
    """One printed share. share: 0 to 1. per_cent: the same in words."""

    ages: str
    sex: str
    share: float
    per_cent: str
    counted: str
    citation: str
    url: str
    read: str


@dataclass(frozen=True)
class Sight:
    """One sight on one kind of scan in one kind of people. taken_for: conditions that it would be taken for."""

    seen: str
    scan: str
    population: str
    taken_for: tuple[str, ...]
    lines: tuple[ScanLine, ...]


@dataclass(frozen=True)
class ScansPage:
    """The page. without: scans that this region asks for and of which no source was read."""

    region: str
    region_name: str
    regions: tuple[Choice, ...]
    sights: tuple[Sight, ...]
    without: tuple[str, ...]


def scans_page(desk: Desk, region: str) -> ScansPage:
    """The page of a region; Refused(404) where there is none."""
    region = region or next(iter(desk.catalogue.regions))
    check_region(desk, region)
    rows = [row for row in load_incidental() if row.region == region]
    groups: dict[tuple[object, ...], list[IncidentalRow]] = {}
    for row in rows:
        groups.setdefault((row.seen, row.modality, row.population), []).append(row)
    asked = dict.fromkeys(g.modality for g in desk.catalogue.region(region).care.values() if g.modality in SCANS)
    read = {m for row in rows for m in row.modality}
    return ScansPage(
        region=region,
        region_name=words.region(region),
        regions=tuple(Choice(r, words.region(r), r == region) for r in desk.catalogue.regions),
        sights=tuple(_sight(desk, region, found) for found in groups.values()),
        without=tuple(SCANS[m] for m in asked if m not in read),
    )


def scans(desk: AtDesk, region: str = "") -> ScansPage:
    """What scans show in people without symptoms."""
    return scans_page(desk, region)


pages(router, "/scans", "scans.html", scans)


def _sight(desk: Desk, region: str, rows: list[IncidentalRow]) -> Sight:
    first = rows[0]
    return Sight(
        seen=first.seen,
        scan=listed([SCANS[m] for m in first.modality]).replace(" and ", " or "),
        population=first.population,
        taken_for=tuple(condition_name(desk, region, c) for c in first.conditions),
        lines=tuple(_line(row) for row in sorted(rows, key=lambda r: (r.age_low or 0, r.age_high or 200))),
    )


def _line(row: IncidentalRow) -> ScanLine:
    low, high = row.age_low, row.age_high
    if low is not None and high is not None:
        ages = f"{low:g} to {high:g} years"
    elif low is not None:
        ages = f"{low:g} years or over"
    else:
        ages = f"under {high + 1:g} years" if high is not None else "ages not given"
    counts = f", {row.n_with} of {row.n_total}" if row.n_with is not None else ""
    return ScanLine(
        ages=ages,
        sex={"female": "women", "male": "men"}.get(row.sex or "", ""),
        share=row.share,
        per_cent=f"{100 * row.share:.3g} %{counts}",
        counted=row.counted,
        citation=row.citation,
        url=row.source_url,
        read=_read(row),
    )


def _read(row: IncidentalRow) -> str:
    said = row.read_at[:1].lower() + row.read_at[1:]
    return f"the {said}" if row.source_kind == "abstract" else f"{_KINDS[row.source_kind]}: {said}"
