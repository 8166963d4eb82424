"""The evidence of a finding and of a condition, and the plots of each pair.

Public: router.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.responses import Response

from endfeel.documents.charts import Room, Width
from endfeel.web.device_routes import AtDesk
from endfeel.web.evidence_charts import MEDIA, chart_image
from endfeel.web.evidence_condition_view import ConditionEvidence, condition_evidence
from endfeel.web.evidence_finding_view import FindingEvidence, Hangs, finding_evidence, pair_hangs
from endfeel.web.evidence_words import check_region
from endfeel.web.respond import pages
from endfeel.web.visit_ground import VisitMoves, unmoved, visit_moves
from endfeel.web.visit_routes import now_utc

router = APIRouter()


def finding(desk: AtDesk, region: str, observable: str) -> FindingEvidence:
    """A finding for every condition that it was studied for."""
    return finding_evidence(desk, region, observable)


def condition(
    desk: AtDesk, region: str, condition: str, setting: str = "primary", onset: str = "gradual"
) -> ConditionEvidence:
    """A condition: its findings, and where its starting chance comes from."""
    return condition_evidence(desk, region, condition, setting, onset)


def pair(desk: AtDesk, region: str, observable: str, condition: str) -> FindingEvidence:
    """A finding for one condition."""
    return finding_evidence(desk, region, observable, condition)


def whole_finding(desk: AtDesk, region: str, observable: str) -> FindingEvidence:
    """The same with what each reading hangs on."""
    return finding_evidence(desk, region, observable, whole=True)


def whole_pair(desk: AtDesk, region: str, observable: str, condition: str) -> FindingEvidence:
    """The same with what the reading hangs on."""
    return finding_evidence(desk, region, observable, condition, whole=True)


def hangs(desk: AtDesk, region: str, observable: str, condition: str) -> Hangs:
    """Whether the reading of a pair hangs on some of its studies."""
    check_region(desk, region)
    return pair_hangs(desk, region, observable, condition)


pages(router, "/evidence/{region}/finding/{observable}", "evidence_finding.html", finding, whole=whole_finding)
pages(router, "/evidence/{region}/condition/{condition}", "evidence_condition.html", condition)
pages(router, "/evidence/{region}/{observable}/{condition}", "evidence_finding.html", pair, whole=whole_pair)
pages(
    router,
    "/evidence/{region}/{observable}/{condition}/hangs",
    "evidence_hangs.html",
    hangs,
    part="evidence_hangs_part.html",
)


@router.get("/evidence/{region}/{observable}/{condition}/{chart}.{form}")
def chart(
    desk: AtDesk,
    region: str,
    observable: str,
    condition: str,
    chart: str,
    form: str,
    room: Annotated[Room, Query()] = "light",
    width: Annotated[Width, Query()] = "wide",
) -> Response:
    """A plot of one pair as an image."""
    made = chart_image(desk, region, observable, condition, chart, form, room, width)
    name = f"{chart}-{observable.replace(':', '-')}-{condition}.{form}"
    shown = {} if form == "svg" else {"Content-Disposition": f'inline; filename="{name}"'}
    return Response(made, media_type=MEDIA[form], headers=shown)


def moved(desk: AtDesk, visit_id: str, problem_id: str) -> VisitMoves:
    """This visit's recordings under its own figures and under today's."""
    state = desk.visit(visit_id)
    problem = desk.problem(state, problem_id)
    return visit_moves(desk, state, problem, now_utc()) or unmoved(desk, state, problem)


pages(router, "/visits/{visit_id}/{problem_id}/evidence", "evidence_visit.html", moved)
