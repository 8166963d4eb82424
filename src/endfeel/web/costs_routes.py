"""Costs and the thresholds that follow from them.

Public: router.
"""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from endfeel.planning.costs import CostError
from endfeel.web.clinic_costs import cost_values
from endfeel.web.costs_view import CostsPage, RegionCosts, costs_page, region_costs
from endfeel.web.device_routes import AtDesk, Form
from endfeel.web.evidence_words import check_region
from endfeel.web.refused import Refused
from endfeel.web.respond import pages, render

router = APIRouter()
LARGEST = 1e6


def costs(desk: AtDesk) -> CostsPage:
    """All regions."""
    return costs_page(desk)


def region(desk: AtDesk, region: str, onset: str = "gradual", visit: str = "") -> RegionCosts:
    """The costs of a region."""
    return region_costs(desk, region, onset, visit)


pages(router, "/costs", "costs.html", costs)
pages(router, "/costs/{region}", "costs_region.html", region)


@router.post("/costs/{region}")
def kept(request: Request, desk: AtDesk, form: Form, region: str, onset: str = "gradual", visit: str = "") -> Response:
    """Keep a region's table, or go back to the shipped one."""
    check_region(desk, region)
    usual = cost_values(desk.own_costs.shipped(region))
    seen = form.whole("seen", "The page's state", 0, 10_000_000)
    given = {name: form.text(name) or "" for name in usual if name in form.fields}
    try:
        values: dict[str, float] = {}
        if form.text("act") != "shipped":
            for name in given:
                number = form.number(name, f"The cost “{name}”", 0, LARGEST)
                if number is not None:
                    values[name] = number
        desk.own_costs.set(region, values, form.actor, seen)
    except (Refused, CostError) as error:
        line = error.line if isinstance(error, Refused) else f"{error}."
        status = error.status if isinstance(error, Refused) else 400
        view = region_costs(desk, region, onset, visit, given=given, refused=line, seen=seen)
        return render(request, "costs_region.html", view, status=status)
    return RedirectResponse(f"/costs/{region}?onset={onset}" + (f"&visit={visit}" if visit else ""), status_code=303)
