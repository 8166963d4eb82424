"""From the decision to the note: decide, agree, close, reopen, what turned out later.

Public: router.
"""

from __future__ import annotations

import datetime as dt

from fastapi import APIRouter
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from endfeel.documents.note import note_text
from endfeel.documents.pdf import PaperError, note_pdf
from endfeel.visits.events import Closed, Reopened
from endfeel.visits.state import VisitState
from endfeel.web.agree_view import advised, agree_page, outcome, treated
from endfeel.web.decide_view import decide_page, decided
from endfeel.web.device_routes import AtDesk, Form
from endfeel.web.note_view import NotePage, house_of, note_of, note_page
from endfeel.web.refused import Refused
from endfeel.web.respond import pages
from endfeel.web.visit_routes import now_utc, step

router = APIRouter()
_AT = "/visits/{visit_id}/{problem_id}"

step("decide", "decide.html", decide_page, router)
step("agree", "agree.html", agree_page, router)


def noted(desk: AtDesk, visit_id: str) -> NotePage:
    """The note."""
    return note_page(desk, desk.visit(visit_id), now_utc())


pages(router, "/visits/{visit_id}/note", "note.html", noted)


@router.get("/visits/{visit_id}/note.txt")
def note_as_text(desk: AtDesk, visit_id: str) -> Response:
    """The note as plain text."""
    return PlainTextResponse(note_text(note_of(desk, desk.visit(visit_id), now_utc())))


@router.get("/visits/{visit_id}/note.pdf")
def note_on_paper(desk: AtDesk, visit_id: str) -> Response:
    """The note as PDF."""
    made = note_of(desk, desk.visit(visit_id), now_utc())
    try:
        paper = note_pdf(made, house_of(desk))
    except PaperError as error:
        raise Refused(409, f"{error}; the text to copy holds the same.") from None
    name = "".join(ch if ch.isascii() and ch.isalnum() else "-" for ch in made.code)[:40] or "visit"
    return Response(
        paper, media_type="application/pdf", headers={"Content-Disposition": f'inline; filename="note-{name}.pdf"'}
    )


@router.post(_AT + "/decide")
def decide(desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """Take a decision."""
    desk.keep(visit_id, form, lambda s: decided(desk, s, desk.problem(s, problem_id), form, now_utc()))
    return RedirectResponse(f"/visits/{visit_id}/{problem_id}/agree", status_code=303)


@router.post(_AT + "/agree")
def agree(desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """What the patient was told."""
    desk.keep(visit_id, form, lambda s: advised(desk.problem(s, problem_id), form))
    return RedirectResponse(f"/visits/{visit_id}/{problem_id}/agree", status_code=303)


@router.post(_AT + "/treatment")
def treatment(desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """A treatment begun, or what came of one."""
    desk.keep(visit_id, form, lambda s: treated(desk.problem(s, problem_id), form))
    return RedirectResponse(f"/visits/{visit_id}/{problem_id}/agree", status_code=303)


@router.post("/visits/{visit_id}/outcome")
def turned_out(desk: AtDesk, visit_id: str, form: Form) -> Response:
    """What turned out later."""
    desk.keep(visit_id, form, lambda s: outcome(desk, s, form, dt.date.today()))
    return RedirectResponse(f"/visits/{visit_id}/note", status_code=303)


@router.post("/visits/{visit_id}/close")
def close(desk: AtDesk, visit_id: str, form: Form) -> Response:
    """Close the visit."""

    def made(state: VisitState) -> Closed | None:
        return None if state.closed else Closed(summary=form.text("summary"))

    desk.keep(visit_id, form, made)
    return RedirectResponse(f"/visits/{visit_id}/note", status_code=303)


@router.post("/visits/{visit_id}/reopen")
def reopen(desk: AtDesk, visit_id: str, form: Form) -> Response:
    """Take a closed visit up again."""
    reason = form.needed("reason", "Why the visit is taken up again")
    desk.keep(visit_id, form, lambda state: Reopened(reason=reason) if state.closed else None)
    return RedirectResponse(f"/visits/{visit_id}", status_code=303)
