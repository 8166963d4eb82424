"""Safety: answers to the screens, going on for a reason, the person's precautions, agreement.

Public: router.
"""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from endfeel.visits.events import ScreenAnswered, ScreenOverridden
from endfeel.visits.state import VisitState
from endfeel.web.desk import Desk
from endfeel.web.device_routes import AtDesk, Form
from endfeel.web.forms import Sent
from endfeel.web.refused import Refused
from endfeel.web.safety_view import consented, precautions_told, safety_page, screen_part
from endfeel.web.visit_routes import answer, now_utc

router = APIRouter()


@router.post("/visits/{visit_id}/{problem_id}/safety")
def answered(request: Request, desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """One answer."""
    problem = desk.problem(desk.visit(visit_id), problem_id)
    screen = screen_part(desk, problem, form.needed("screen", "The screen"))
    item_id = form.needed("item", "The question")
    if item_id not in {i.id for i in screen.item}:
        raise Refused(404, f"The screen “{screen.name}” has no question “{item_id[:60]}”.")
    said = form.choice("answer", "The answer", ("yes", "no", "unsure"))
    if said is None:
        raise Refused(400, "No answer was chosen; tap yes, no or unsure.")
    event = ScreenAnswered(problem_id=problem_id, screen_id=screen.id, item_id=item_id, answer=said)  # type: ignore[arg-type]
    state = desk.keep(visit_id, form, lambda _: event)
    return _screen(request, desk, state, problem_id, form, screen.id)


@router.post("/visits/{visit_id}/{problem_id}/safety/rest")
def rest(request: Request, desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """Everything on a screen that was not answered yet, or is to be asked again: asked, no. One event a question."""
    state = desk.visit(visit_id)
    screen = screen_part(desk, desk.problem(state, problem_id), form.needed("screen", "The screen"))
    for item in screen.item:

        def made(before: VisitState, item_id: str = item.id) -> ScreenAnswered | None:
            problem = desk.problem(before, problem_id)
            views = (v for v in desk.screens(before, problem, now_utc()) if v.screen.id == screen.id)
            again = {i.id for v in views for i in v.to_ask}
            if item_id in problem.screens.get(screen.id, {}) and item_id not in again:
                return None
            return ScreenAnswered(problem_id=problem_id, screen_id=screen.id, item_id=item_id, answer="no")

        state = desk.keep(visit_id, form, made, item.id)
    return _screen(request, desk, state, problem_id, form, screen.id)


@router.post("/visits/{visit_id}/{problem_id}/safety/override")
def overridden(request: Request, desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """Going on although a screen is not complete or, where one is named, raised; a reason is needed."""
    problem = desk.problem(desk.visit(visit_id), problem_id)
    screen_id = form.text("screen")
    if screen_id:
        screen_part(desk, problem, screen_id)
    reason = form.needed("reason", "The reason for going on")
    if len(reason) < 3:
        raise Refused(400, "The reason is too short to be read later; write a few words.")
    event = ScreenOverridden(problem_id=problem_id, reason=reason, screen_id=screen_id)
    state = desk.keep(visit_id, form, lambda _: event)
    view = safety_page(desk, state, desk.problem(state, problem_id), now_utc())
    return answer(request, form, "safety.html", view, f"/visits/{visit_id}/{problem_id}/safety")


@router.post("/visits/{visit_id}/{problem_id}/person")
def person(request: Request, desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """Precautions."""
    state = desk.keep(visit_id, form, lambda s: precautions_told(desk, desk.problem(s, problem_id), form))
    return _person(request, desk, state, problem_id, form)


@router.post("/visits/{visit_id}/{problem_id}/consent")
def consent(request: Request, desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """Agreement, or its withdrawal."""
    desk.problem(desk.visit(visit_id), problem_id)
    state = desk.keep(visit_id, form, lambda _: consented(form))
    return _person(request, desk, state, problem_id, form)


def _screen(request: Request, desk: Desk, state: VisitState, problem_id: str, form: Sent, screen_id: str) -> Response:
    view = safety_page(desk, state, desk.problem(state, problem_id), now_utc(), screen_id)
    return answer(
        request, form, "screen_swap.html", view, f"/visits/{state.visit_id}/{problem_id}/safety#screen-{screen_id}"
    )


def _person(request: Request, desk: Desk, state: VisitState, problem_id: str, form: Sent) -> Response:
    view = safety_page(desk, state, desk.problem(state, problem_id), now_utc())
    return answer(request, form, "person_swap.html", view, f"/visits/{state.visit_id}/{problem_id}/safety#person")
