"""What the clinic sets once for all its devices: its own pathways for safety flags, and the head of its papers.

Public: router.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter
from starlette.responses import RedirectResponse, Response

from endfeel.storage import SettingChanged
from endfeel.web.desk import Desk
from endfeel.web.device_routes import AtDesk, Form
from endfeel.web.note_view import HOUSE, house_of
from endfeel.web.refused import Refused
from endfeel.web.respond import pages
from endfeel.web.safety_summary import LOCAL_PATHWAY, SENDS

router = APIRouter()
LONGEST = 600
_MEANWHILE = "The clinic's settings were changed meanwhile, perhaps by another server; load the page and repeat it."


@dataclass(frozen=True)
class Pathway:
    """The clinic's own words for one urgency; they come first on a flag."""

    id: str
    name: str
    words: str


@dataclass(frozen=True)
class ClinicPage:
    """The page “This clinic”. seen: tells what it showed, so that what another set meanwhile is not written over."""

    pathways: tuple[Pathway, ...]
    name: str
    lines: str
    footer: str
    paper: str
    seen: str


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
        seen=_seen(_held(desk)),
    )


pages(router, "/clinic", "clinic.html", clinic)


@router.post("/clinic")
def clinic_set(desk: AtDesk, form: Form) -> Response:
    """Keep what was set."""
    for field in ("name", "footer", "lines", *SENDS):
        if len(form.text(field) or "") > LONGEST:
            raise Refused(400, f"{field}: at most {LONGEST} characters.")
    held = _held(desk)
    if form.text("seen") not in (None, _seen(held)):
        raise Refused(409, _MEANWHILE)
    made: dict[str, Any] = {LOCAL_PATHWAY + key: form.text(key) or "" for key in SENDS if key in form.fields}
    if "name" in form.fields:
        lines = [line.strip() for line in (form.text("lines") or "").splitlines() if line.strip()]
        paper = form.choice("paper", "The paper", ("a4", "us-letter")) or "a4"
        footer = form.text("footer") or ""
        made[HOUSE] = {"name": form.text("name") or "", "lines": lines, "footer": footer, "paper": paper}
    try:
        desk.store.change_settings({key: (held[key], value) for key, value in made.items()})
    except SettingChanged:
        raise Refused(409, _MEANWHILE) from None
    return RedirectResponse("/clinic", status_code=303)


def _held(desk: Desk) -> dict[str, Any]:
    """The settings of this page as they are kept, by key."""
    return {key: desk.store.setting(key) for key in (HOUSE, *(LOCAL_PATHWAY + key for key in SENDS))}


def _seen(held: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(held, sort_keys=True).encode()).hexdigest()[:16]
