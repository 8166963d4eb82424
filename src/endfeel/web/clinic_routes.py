"""What the clinic sets once for all its devices: its own pathways for safety flags, and the head of its papers.

Public: router.
"""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter
from starlette.responses import RedirectResponse, Response

from endfeel.web.device_routes import AtDesk, Form
from endfeel.web.note_view import HOUSE, house_of
from endfeel.web.refused import Refused
from endfeel.web.respond import pages
from endfeel.web.safety_summary import LOCAL_PATHWAY, SENDS

router = APIRouter()
LONGEST = 600


@dataclass(frozen=True)
class Pathway:
    """The clinic's own words for one urgency; they come first on a flag."""

    id: str
    name: str
    words: str


@dataclass(frozen=True)
class ClinicPage:
    """The page “This clinic”."""

    pathways: tuple[Pathway, ...]
    name: str
    lines: str
    footer: str
    paper: str


def clinic(desk: AtDesk) -> ClinicPage:
    """What is set for the clinic."""
    house = house_of(desk)
    kept = {key: str(desk.store.setting(LOCAL_PATHWAY + key) or "") for key in SENDS}
    return ClinicPage(
        pathways=tuple(Pathway(key, said, kept[key]) for key, said in SENDS.items()),
        name=house.name,
        lines="\n".join(house.lines),
        footer=house.footer,
        paper=house.paper,
    )


pages(router, "/clinic", "clinic.html", clinic)


@router.post("/clinic")
def clinic_set(desk: AtDesk, form: Form) -> Response:
    """Keep what was set."""
    for field in ("name", "footer", "lines", *SENDS):
        if len(form.text(field) or "") > LONGEST:
            raise Refused(400, f"{field}: at most {LONGEST} characters.")
    for key in SENDS:
        if key in form.fields:
            desk.store.set_setting(LOCAL_PATHWAY + key, form.text(key) or "")
    if "name" in form.fields:
        lines = [line.strip() for line in (form.text("lines") or "").splitlines() if line.strip()]
        paper = form.choice("paper", "The paper", ("a4", "us-letter")) or "a4"
        house = {"name": form.text("name") or "", "lines": lines, "footer": form.text("footer") or "", "paper": paper}
        desk.store.set_setting(HOUSE, house)
    return RedirectResponse("/clinic", status_code=303)
