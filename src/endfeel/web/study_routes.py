"""Studies of the clinic's own: add, edit, retire, bring back, as a form or as tables; the page of any study.

Public: router.
"""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from endfeel.evidence import EvidenceError
from endfeel.evidence.own_csv import OWN_TABLES, read_own_tables, write_own
from endfeel.web.clinic_evidence import Wanted
from endfeel.web.desk import Desk
from endfeel.web.device_routes import AtDesk, Form
from endfeel.web.evidence_words import check_region
from endfeel.web.forms import Sent
from endfeel.web.refused import Refused
from endfeel.web.respond import pages, render
from endfeel.web.study_form import StudyFields, blank, fields_of, study_of, typed, with_more
from endfeel.web.study_view import (
    ChangePage,
    OwnPage,
    StudyForm,
    StudyPage,
    change_page,
    doubts_of,
    own_page,
    study_form,
    study_page,
)

router = APIRouter()
OWN = "/evidence/studies/own"


def own(desk: AtDesk) -> OwnPage:
    """The clinic's own studies."""
    return own_page(desk)


def new(desk: AtDesk, region: str = "shoulder") -> StudyForm:
    """The form of a new study."""
    return study_form(desk, blank(region), f"{OWN}/new?region={region}")


def change(desk: AtDesk, number: int) -> ChangePage:
    """One entry of the history and what it moved."""
    return change_page(desk, number)


def edit(desk: AtDesk, study_id: str) -> StudyForm:
    """The form of a study that is kept."""
    return study_form(desk, _kept(desk, study_id), f"/evidence/studies/{study_id}/edit")


def study(desk: AtDesk, study_id: str) -> StudyPage:
    """Any study with all its lines."""
    return study_page(desk, study_id)


pages(router, OWN, "evidence_own.html", own)
pages(router, f"{OWN}/new", "evidence_study_form.html", new)
pages(router, f"{OWN}/changes/{{number}}", "evidence_change.html", change)
pages(router, "/evidence/studies/{study_id}/edit", "evidence_study_form.html", edit)
pages(router, "/evidence/studies/{study_id}", "evidence_study.html", study)


@router.post(f"{OWN}/new")
def added(request: Request, desk: AtDesk, form: Form, region: str = "shoulder") -> Response:
    """Look at, or keep, a new study."""
    check_region(desk, region)
    return _answered(request, desk, form, typed(form, region, ""), f"{OWN}/new?region={region}")


@router.post("/evidence/studies/{study_id}/edit")
def edited(request: Request, desk: AtDesk, form: Form, study_id: str) -> Response:
    """Look at, or keep, another version of a study."""
    before = _kept(desk, study_id)
    fields = typed(form, before.region, study_id, before.described)
    return _answered(request, desk, form, fields, f"/evidence/studies/{study_id}/edit")


@router.post("/evidence/studies/{study_id}/retire")
def retired(desk: AtDesk, form: Form, study_id: str) -> Response:
    """Use a study no longer, for a stated reason."""
    why = form.needed("why", "Why it is no longer used")
    desk.own.change([Wanted("retire", study_id, why=why[:400])], form.actor, _seen(form))
    return RedirectResponse(OWN, status_code=303)


@router.post("/evidence/studies/{study_id}/restore")
def restored(desk: AtDesk, form: Form, study_id: str) -> Response:
    """Use a study again."""
    desk.own.change([Wanted("restore", study_id, why=(form.text("why") or "")[:400])], form.actor, _seen(form))
    return RedirectResponse(OWN, status_code=303)


@router.post(f"{OWN}/import")
def imported(desk: AtDesk, form: Form) -> Response:
    """Bring in studies as tables: all of them or none."""
    region = form.text("region")
    if region is not None:
        check_region(desk, region)
    tables = {name: form.text(name) or "" for name in OWN_TABLES}
    try:
        studies = read_own_tables(tables, region)
    except EvidenceError as error:
        more = f" (and {len(error.faults) - 1} more)" if len(error.faults) > 1 else ""
        raise Refused(400, f"Nothing was taken: {error.faults[0]}{more}.") from None
    known = desk.own.now().wanted.own
    wanted = [Wanted("edit" if s.study_id in known else "add", s.study_id, s, "as a table") for s in studies]
    desk.own.change(wanted, form.actor, _seen(form))
    return RedirectResponse(OWN, status_code=303)


@router.get(f"{OWN}/table/{{name}}")
def table(desk: AtDesk, name: str) -> Response:
    """One of the clinic's own tables as CSV."""
    if name not in OWN_TABLES:
        raise Refused(404, f"There is no table “{name[:40]}”; there are {', '.join(OWN_TABLES)}.")
    text = write_own(desk.own.now().wanted).get(name, "")
    headers = {"Content-Disposition": f'attachment; filename="own-{name}"'}
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)


def _answered(request: Request, desk: Desk, form: Sent, fields: StudyFields, post: str) -> Response:
    """What a sent form leads to: one more line, a look at what it would move, or the study kept."""
    seen = _seen(form)
    if form.text("act") == "more":
        return render(request, "evidence_study_form.html", study_form(desk, with_more(fields), post, seen=seen))
    try:
        made = study_of(fields, frozenset({*desk.own.base.studies, *desk.own.now().wanted.own}))
        act = "edit" if fields.study_id else "add"
        wanted = [Wanted("edit" if act == "edit" else "add", made.study_id, made, (form.text("why") or "")[:400])]
        if form.text("act") == "look":
            imagined = desk.own.imagined(wanted, form.actor)
            view = study_form(desk, fields, post, doubts=doubts_of(desk, made), imagined=imagined, seen=seen)
            return render(request, "evidence_study_form.html", view)
        standing = desk.own.change(wanted, form.actor, seen)
    except Refused as refused:
        view = study_form(desk, fields, post, refused=refused.line, seen=seen)
        return render(request, "evidence_study_form.html", view, status=refused.status)
    return RedirectResponse(f"{OWN}/changes/{standing.log.number}", status_code=303)


def _kept(desk: Desk, study_id: str) -> StudyFields:
    held = desk.own.now().wanted.own.get(study_id)
    if held is None:
        raise Refused(404, f"“{study_id[:80]}” is none of your own studies; only those can be edited.")
    return fields_of(held, held.readings[0].region if held.readings else "shoulder")


def _seen(form: Sent) -> int | None:
    return form.whole("seen", "The page's state", 0, 10_000_000)
