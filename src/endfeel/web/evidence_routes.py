"""The evidence by region: how much was read, and what each finding can do.

Public: router.
"""

from __future__ import annotations

from fastapi import APIRouter

from endfeel.web.device_routes import AtDesk
from endfeel.web.evidence_view import RegionPage, RegionsPage, region_page, regions_page
from endfeel.web.evidence_words import USUAL_LEAST
from endfeel.web.respond import pages

router = APIRouter()


def regions(desk: AtDesk) -> RegionsPage:
    """How much was read for each region."""
    return regions_page(desk)


def region(
    desk: AtDesk,
    region: str,
    condition: str = "",
    q: str = "",
    can: str = "",
    least: int = USUAL_LEAST,
    sort: str = "telling",
) -> RegionPage:
    """The findings of a region, sorted and filtered by what they can do."""
    return region_page(desk, region, condition=condition[:120], query=q.strip()[:100], can=can, least=least, sort=sort)


pages(router, "/evidence", "evidence.html", regions)
pages(router, "/evidence/{region}", "evidence_region.html", region)
