"""The visit from its opening to its examination: list, where, story, neighbours, look and move.

Public: router.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from endfeel.catalogue.entries import HistoryItem
from endfeel.catalogue.result import work_out
from endfeel.visits.events import FindingRecorded, ProblemAdded, ProblemMoved, Side, VisitOpened, WhereMarked
from endfeel.visits.problem import ProblemState
from endfeel.visits.state import VisitState
from endfeel.web.desk import Desk
from endfeel.web.device_routes import READ, AtDesk, Form
from endfeel.web.forms import Sent
from endfeel.web.look_view import base_recorded, look_page, neighbours_page, rest_of_card
from endfeel.web.refused import Refused
from endfeel.web.respond import pages, render
from endfeel.web.safety_view import safety_page
from endfeel.web.story_view import context_told, story_page, told
from endfeel.web.visit_head import Head, head
from endfeel.web.visits_view import SETTINGS, NewPage, VisitsPage, new_page, visits_page
from endfeel.web.where_view import WherePage, changed_marks, where_page

router = APIRouter()


@dataclass(frozen=True)
class HeadOnly:
    """The renewed top of a visit's page."""

    head: Head


def now_utc() -> dt.datetime:
    """The present moment."""
    return dt.datetime.now(dt.UTC)


def answer(request: Request, sent: Sent, template: str, view: Any, otherwise: str, *, status: int = 200) -> Response:
    """After a recording: the renewed part for htmx (with the visit's head), or a turn to the whole page."""
    if not sent.swap:
        return RedirectResponse(otherwise, status_code=303)
    return render(request, template, view, status=status)


# ---- the list


def visits(desk: AtDesk, q: str = "", offset: int = 0) -> VisitsPage:
    """The list of visits."""
    return visits_page(desk, q.strip()[:200], max(0, min(offset, 10_000_000)), dt.date.today())


def new(desk: AtDesk, previous: str | None = None) -> NewPage:
    """The form of a new visit. Meanwhile what it will stand on is kept, once for each state of the evidence."""
    desk.kept.ahead(desk.bases.keep_today)
    return new_page(desk, previous)


pages(router, "/visits", "visits.html", visits)
pages(router, "/visits/new", "new.html", new)


@router.post("/visits")
def opened(desk: AtDesk, form: Form) -> Response:
    """Open a visit; its id follows from the form's own id, so that sending the form twice opens one visit."""
    visit_id = f"v{''.join(ch for ch in form.client_id.lower() if ch.isalnum())[:24]}"
    event = VisitOpened(
        patient_code=form.needed("code", "The patient's code")[:200],
        birth_year=form.whole("birth_year", "Birth year", 1880, dt.date.today().year),
        sex=form.choice("sex", "Sex", ("female", "male", "other")),  # type: ignore[arg-type]
        initials=form.text("initials"),
        setting=form.choice("setting", "Where", tuple(s for s, _ in SETTINGS)) or "primary",  # type: ignore[arg-type]
        previous_visit_id=form.text("previous"),
        edition=desk.edition.id,
        software=desk.software,
    )
    desk.store.append(visit_id, event, form.actor, form.client_id, form.at, basis=desk.bases.keep_today())
    return RedirectResponse(f"/visits/{visit_id}/where", status_code=303)


@router.get("/visits/{visit_id}")
def visit(desk: AtDesk, visit_id: str) -> Response:
    """To the step where the visit stands."""
    state = desk.visit(visit_id)
    if state.closed:
        return RedirectResponse(f"/visits/{visit_id}/note", status_code=303)
    problem = next(iter(state.problems.values()), None)
    if problem is None:
        return RedirectResponse(f"/visits/{visit_id}/where", status_code=303)
    step = "bench" if problem.findings else "look" if problem.base else "safety" if problem.answers else "story"
    return RedirectResponse(f"/visits/{visit_id}/{problem.problem_id}/{step}", status_code=303)


# ---- where


def where(desk: AtDesk, visit_id: str) -> WherePage:
    """Where it is."""
    return where_page(desk, desk.visit(visit_id), now_utc())


pages(router, "/visits/{visit_id}/where", "where.html", where)


@router.post("/visits/{visit_id}/where")
def marked(request: Request, desk: AtDesk, visit_id: str, form: Form) -> Response:
    """One tap on the figure."""
    state = desk.keep(visit_id, form, lambda before: WhereMarked(marks=changed_marks(before, form)))
    kind = form.text("kind") or "pain"
    view = where_page(desk, state, now_utc(), kind if kind in ("pain", "tingling", "numbness") else "pain")
    return answer(request, form, "where_swap.html", view, f"/visits/{visit_id}/where")


@router.post("/visits/{visit_id}/problems")
def problem_added(desk: AtDesk, visit_id: str, form: Form) -> Response:
    """One more region and side."""
    region, _, side = form.needed("problem", "The problem").partition("/")
    if region not in desk.catalogue.regions or side not in ("left", "right", "both", "none"):
        raise Refused(400, f"“{region[:40]}/{side[:10]}” is no region and side; choose one from the list.")

    def made(state: VisitState) -> ProblemAdded | None:
        if any((p.region, p.side) == (region, side) for p in state.problems.values()):
            return None
        number = len(state.problems) + len(state.withdrawn_problems) + 1
        return ProblemAdded(problem_id=f"p{number}", region=region, side=side)  # type: ignore[arg-type]

    state = desk.keep(visit_id, form, made)
    last = next((p for p in reversed(list(state.problems.values())) if (p.region, p.side) == (region, side)), None)
    return RedirectResponse(f"/visits/{visit_id}/{last.problem_id}/story" if last else f"/visits/{visit_id}/where", 303)


@router.post("/visits/{visit_id}/{problem_id}/move")
def problem_moved(desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """The problem is on another side."""
    side: Side = form.choice("side", "The side", ("left", "right", "both", "none"))  # type: ignore[assignment]
    if side is None:
        raise Refused(400, "The side is missing; choose one.")
    event = ProblemMoved(
        problem_id=problem_id,
        side=side,
        reason=form.needed("reason", "Why the side is changed"),
        recordings_move=form.text("recordings_move") == "yes",
    )
    desk.problem(desk.visit(visit_id), problem_id)
    desk.keep(visit_id, form, lambda _: event)
    return RedirectResponse(f"/visits/{visit_id}/where", status_code=303)


# ---- the steps of a problem


def step(
    path: str,
    template: str,
    view: Callable[[Desk, VisitState, ProblemState, dt.datetime], Any],
    at: APIRouter = router,
) -> None:
    """Register the page of one step of a problem."""

    def page(desk: AtDesk, visit_id: str, problem_id: str) -> Any:
        state = desk.visit(visit_id)
        problem = desk.problem(state, problem_id)
        desk.warm(visit_id, problem_id)
        return view(desk, state, problem, now_utc())

    page.__name__ = path
    page.__doc__ = view.__doc__
    pages(at, f"/visits/{{visit_id}}/{{problem_id}}/{path}", template, page)


step("story", "story.html", story_page)
step("safety", "safety.html", safety_page)
step("neighbours", "neighbours.html", neighbours_page)
step("look", "look.html", look_page)


@router.post("/visits/{visit_id}/{problem_id}/story")
def story_told(request: Request, desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """What of the story is new."""
    today = dt.date.today()
    desk.keep(visit_id, form, lambda s: told(desk.problem(s, problem_id), form, today), "story")
    state = desk.keep(visit_id, form, lambda s: context_told(desk.problem(s, problem_id), form), "context")
    view = story_page(desk, state, desk.problem(state, problem_id), now_utc())
    return answer(request, form, "story_swap.html", view, f"/visits/{visit_id}/{problem_id}/story")


@router.post("/visits/{visit_id}/{problem_id}/answer-history")
def history_answered(request: Request, desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """An answer to a history item, from the story."""
    state = desk.keep(visit_id, form, lambda s: answered(desk, desk.problem(s, problem_id), form))
    return head_only(request, desk, state, problem_id, form, "story")


def answered(desk: Desk, problem: ProblemState, form: Sent) -> FindingRecorded:
    """A history item's answer as a finding; the catalogue says which answers count."""
    observable = form.needed("observable", "The question")
    finding = desk.catalogue.region(problem.region).findings.get(observable.partition(":")[0])
    if not isinstance(finding, HistoryItem) or observable not in finding.observables():
        raise Refused(404, f"“{observable[:60]}” is no question of this region.")
    if form.text("result") == "not-done":
        return FindingRecorded(
            problem_id=problem.problem_id, observable=observable, side=problem.side, result="not-done"
        )
    given = form.needed("answer", "The answer")
    try:
        result = work_out(finding, {"answer": given})
    except ValueError as error:
        raise Refused(400, f"{error}.") from None
    return FindingRecorded(
        problem_id=problem.problem_id, observable=observable, side=problem.side, result=result,
        observations={"answer": given},
    )  # fmt: skip


@router.post("/visits/{visit_id}/{problem_id}/base")
def base(request: Request, desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """One item of the base examination, or a neighbour."""
    state = desk.keep(visit_id, form, lambda s: base_recorded(desk, desk.problem(s, problem_id), form))
    problem = desk.problem(state, problem_id)
    item_id = form.text("item") or ""
    now = now_utc()
    if any(n.id == item_id for n in desk.catalogue.region(problem.region).neighbours):
        page = neighbours_page(desk, state, problem, now)
        item = next(i for i in page.items if i.id == item_id)
        return answer(
            request,
            form,
            "base_swap.html",
            {"head": page.head, "post": page.post, "item": item},
            f"/visits/{visit_id}/{problem_id}/neighbours",
        )
    look = look_page(desk, state, problem, now)
    item = next(i for card in look.cards for i in card.items if i.id == item_id)
    view = {"head": look.head, "post": look.post, "item": item, "end_feels": look.end_feels}
    return answer(request, form, "base_swap.html", view, f"/visits/{visit_id}/{problem_id}/look")


@router.post("/visits/{visit_id}/{problem_id}/card")
def card(request: Request, desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """The rest of a card: looked at, nothing found."""
    state = desk.keep(visit_id, form, lambda s: rest_of_card(desk, desk.problem(s, problem_id), form))
    view = look_page(desk, state, desk.problem(state, problem_id), now_utc())
    return answer(request, form, "look_swap.html", view, f"/visits/{visit_id}/{problem_id}/look")


def head_only(request: Request, desk: Desk, state: VisitState, problem_id: str, form: Sent, at: str) -> Response:
    """The renewed head after a recording that changes nothing else on its page."""
    view = HeadOnly(head(desk, state, desk.problem(state, problem_id), at, now_utc()))
    return answer(request, form, "head_swap.html", view, f"/visits/{state.visit_id}/{problem_id}/{at}")


__all__ = ["READ", "answer", "answered", "head_only", "now_utc", "router", "step"]
