"""Papers about one problem: referral letter, handout for the patient, plan card, comparison with the last visit.

Public: router. Each lies under the problem's path as ``.pdf``, ``.json`` and (but for the plan card) ``.txt``.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from fastapi import APIRouter
from fastapi.encoders import jsonable_encoder
from starlette.responses import JSONResponse, PlainTextResponse, Response

from endfeel.catalogue.conditions import Urgency
from endfeel.documents.comparison import Comparison, ComparisonError, comparison, comparison_text
from endfeel.documents.handout import Handout, handout, handout_text
from endfeel.documents.letter import Letter, letter, letter_text
from endfeel.documents.pdf import PaperError, comparison_pdf, handout_pdf, letter_pdf, plan_card_pdf
from endfeel.documents.plan_card import PlanCard, plan_card_of
from endfeel.visits.state import VisitState
from endfeel.web.desk import Desk
from endfeel.web.device_routes import AtDesk
from endfeel.web.note_view import figures_for, house_of, moment_of
from endfeel.web.refused import Refused
from endfeel.web.visit_ground import same_ground
from endfeel.web.visit_routes import now_utc

router = APIRouter()
_AT = "/visits/{visit_id}/{problem_id}"


@router.get(_AT + "/letter.{form}")
def a_letter(
    desk: AtDesk,
    visit_id: str,
    problem_id: str,
    form: str,
    to: str = "",
    asked: str = "",
    urgency: Urgency | None = None,
    signed: str = "",
) -> Response:
    """A referral letter. to, signed: one line each line. asked: what is wanted, from the decision where left out."""
    state, at = _visit(desk, visit_id, problem_id)
    made: Letter = letter(
        state,
        desk.catalogue,
        problem_id,
        figures_for(desk, state, problem_id, at),
        to=_lines(to),
        asked=asked[:4000],
        urgency=urgency,
        signed=_lines(signed),
        evidence=desk.evidence,
        now=at,
        zone=_zone(),
    )
    return _sent(form, made, letter_text, lambda: letter_pdf(made, house_of(desk)), f"letter-{made.code}")


@router.get(_AT + "/handout.{form}")
def a_handout(desk: AtDesk, visit_id: str, problem_id: str, form: str, chances: bool = False) -> Response:
    """A handout in plain words. chances: the patient asked how likely things are."""
    state, at = _visit(desk, visit_id, problem_id)
    made: Handout = handout(
        state,
        desk.catalogue,
        problem_id,
        figures_for(desk, state, problem_id, at),
        with_chances=chances,
        evidence=desk.evidence,
        now=at,
        zone=_zone(),
    )
    return _sent(form, made, handout_text, lambda: handout_pdf(made, house_of(desk)), f"handout-{made.code}")


@router.get(_AT + "/plan-card.{form}")
def a_plan_card(desk: AtDesk, visit_id: str, problem_id: str, form: str) -> Response:
    """The route of the examination on one page, with drawings and space to tick."""
    state, at = _visit(desk, visit_id, problem_id)
    figures = figures_for(desk, state, problem_id, at, route=True)
    made: PlanCard = plan_card_of(
        state, desk.catalogue, problem_id, figures, evidence=desk.evidence, now=at, zone=_zone()
    )
    return _sent(form, made, None, lambda: plan_card_pdf(made, house_of(desk)), f"plan-{made.code}")


@router.get(_AT + "/comparison.{form}")
def a_comparison(desk: AtDesk, visit_id: str, problem_id: str, form: str) -> Response:
    """This visit beside the one that it follows."""
    state, _ = _visit(desk, visit_id, problem_id)
    previous = state.opened.previous_visit_id
    if previous is None:
        raise Refused(409, "This visit follows no earlier one; open the next visit from the earlier visit's note.")
    try:
        made: Comparison = comparison(
            desk.visit(previous), state, desk.catalogue, problem_id, evidence=desk.evidence, zone=_zone()
        )
    except ComparisonError as error:
        raise Refused(409, f"{error}.") from None
    made = replace(made, remarks=(*made.remarks, *_other_ground(desk, desk.visit(previous), state)))
    return _sent(form, made, comparison_text, lambda: comparison_pdf(made, house_of(desk)), f"comparison-{made.code}")


def _other_ground(desk: Desk, before: VisitState, now: VisitState) -> tuple[str, ...]:
    """That the chances of two visits are not to be compared as though one thing had been measured twice."""
    if same_ground(desk, before, now):
        return ()
    return (
        f"The chances of the two visits stand on different figures (edition {before.opened.edition or 'not known'}, "
        f"then {now.opened.edition or 'not known'}, or other costs): where they differ, that may be why.",
    )


def _visit(desk: Desk, visit_id: str, problem_id: str) -> tuple[VisitState, dt.datetime]:
    state = desk.visit(visit_id)
    desk.problem(state, problem_id)
    return state, moment_of(state, now_utc())


def _sent(
    form: str, made: Any, text: Callable[[Any], str] | None, pdf: Callable[[], bytes], name: str
) -> Response:
    if form == "json":
        return JSONResponse(jsonable_encoder(made))
    if form == "txt" and text is not None:
        return PlainTextResponse(text(made))
    if form != "pdf":
        raise Refused(404, f"There is no “.{form[:10]}” of this paper; there is .pdf and .json.")
    try:
        paper = pdf()
    except PaperError as error:
        raise Refused(409, f"{error}; the text holds the same.") from None
    safe = "".join(ch if ch.isascii() and ch.isalnum() else "-" for ch in name)[:60]
    disposition = {"Content-Disposition": f'inline; filename="{safe}.pdf"'}
    return Response(paper, media_type="application/pdf", headers=disposition)


def _lines(text: str) -> tuple[str, ...]:
    return tuple(line.strip() for line in text[:2000].splitlines() if line.strip())


def _zone() -> dt.tzinfo:
    return dt.datetime.now().astimezone().tzinfo or dt.UTC
