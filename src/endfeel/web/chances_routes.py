"""The table of starting chances.

Public: router.
"""

from __future__ import annotations

from collections.abc import Mapping

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from endfeel.web.chances_view import ChancesPage, People, chances_page, people_of, refuse_misfits, values_of
from endfeel.web.clinic_chances import ALL_AGES, ChancesSet
from endfeel.web.desk import Desk
from endfeel.web.device_routes import AtDesk, Form
from endfeel.web.refused import Refused
from endfeel.web.respond import pages, render

router = APIRouter()
TEMPLATE = "chances.html"
_FIELD = "chance "


def chances(
    desk: AtDesk, region: str = "", setting: str = "primary", onset: str = "gradual", ages: str = ALL_AGES
) -> ChancesPage:
    """Every starting chance of a region, where it comes from, and the clinic's own."""
    return chances_page(desk, people_of(desk, region, setting, onset, ages))


pages(router, "/chances", TEMPLATE, chances)


@router.post("/chances")
def kept(request: Request, desk: AtDesk, form: Form) -> Response:
    """Keep the clinic's values of a section, show what they would move, or go back to ours for one line or for all."""
    people = people_of(
        desk, form.text("region") or "", form.text("setting") or "", form.text("onset") or "", form.text("ages") or ""
    )
    act = form.choice("act", "What is to be done", ("keep", "try", "ours"))
    seen = form.whole("seen", "The page's state", 0, 10_000_000)
    given = {n.removeprefix(_FIELD): form.text(n) or "" for n in form.fields if n.startswith(_FIELD)}
    reset = form.text("reset")
    try:
        _no_stranger(desk, people, given)
        if reset is not None:
            return _line_given_back(request, desk, people, reset, given, form.actor, seen)
        wanted = {} if act == "ours" else values_of(desk, people, given)
        after = {**desk.own_chances.of(people.region), people.section: wanted}
        refuse_misfits(desk, people, after)
        if act == "try":
            return render(request, TEMPLATE, chances_page(desk, people, given=given, tried=after, seen=seen))
        desk.own_chances.set(people.region, people.section, wanted, form.actor, seen)
    except Refused as error:
        view = chances_page(desk, people, given=given, refused=error.line, seen=seen)
        return render(request, TEMPLATE, view, status=error.status)
    return RedirectResponse(people.href, status_code=303)


def _no_stranger(desk: Desk, people: People, given: Mapping[str, str]) -> None:
    for condition in given:
        if condition not in desk.catalogue.region(people.region).conditions:
            raise Refused(404, f"There is no condition “{condition[:60]}” in this region.")


def _line_given_back(
    request: Request, desk: Desk, people: People, condition: str, given: Mapping[str, str], by: str, seen: int | None
) -> Response:
    """One line back to ours. What was typed elsewhere stays typed and is not kept."""
    held: ChancesSet = desk.own_chances.of(people.region)
    values = {c: v for c, v in held.get(people.section, {}).items() if c != condition}
    refuse_misfits(desk, people, {**held, people.section: values})
    desk.own_chances.set(people.region, people.section, values, by, seen)
    rest = {c: text for c, text in given.items() if c != condition}
    return render(request, TEMPLATE, chances_page(desk, people, given={**rest, condition: ""}))
