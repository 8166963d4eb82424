"""The evidence pages: regions, what each finding can do, and the studies behind one pair.

Public: router.
"""

from __future__ import annotations

from fastapi import APIRouter

from endfeel.web.device_routes import AtDesk
from endfeel.web.evidence_view import EvidencePage, PairPage, RegionsPage, evidence_page, pair_page, regions_page
from endfeel.web.respond import pages

router = APIRouter()


def regions(desk: AtDesk) -> RegionsPage:
    """How much was read for each region."""
    return regions_page(desk)


def evidence(desk: AtDesk, region: str, condition: str = "", q: str = "") -> EvidencePage:
    """The findings of a region by what they can do."""
    return evidence_page(desk, region, condition[:120], q.strip()[:100])


def pair(desk: AtDesk, region: str, observable: str, condition: str) -> PairPage:
    """One finding for one condition, with its studies."""
    return pair_page(desk, region, observable, condition)


pages(router, "/evidence", "evidence.html", regions)
pages(router, "/evidence/{region}", "evidence_region.html", evidence)
pages(router, "/evidence/{region}/{observable}/{condition}", "evidence_pair.html", pair)
