"""First start, this device (who is examining, keys, room) and nothing else.

Public: router.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.responses import RedirectResponse, Response

from endfeel.web.desk import Desk
from endfeel.web.forms import WHO_COOKIE, Sent, own_path, sent, who
from endfeel.web.refused import Refused
from endfeel.web.respond import pages, theme_of

router = APIRouter()
_YEAR = 365 * 24 * 3600
READ = "cautions-read"

CAUTIONS = (
    "It informs a licensed clinician. Your examination, judgement and scope of practice come first, and so do "
    "local law and local protocols.",
    "Red flags follow your local emergency and referral pathways. What was not asked is never shown as clear.",
    "The chances come from published studies of adults, mostly from specialist clinics. They are often wide, and they "
    "say so. Under 16 there are none.",
    "Every provoking test says when not to do it and when to stop. Texts marked “draft” were not yet checked by a "
    "licensed reviewer.",
)


@dataclass(frozen=True)
class StartPage:
    """First start: intended use, cautions, where the data lie."""

    cautions: tuple[str, ...]
    place: str
    who: str
    read: bool


@dataclass(frozen=True)
class Key:
    """One thing that a key does."""

    id: str
    words: str


@dataclass(frozen=True)
class DevicePage:
    """What is set on this device: who is examining, and the keys (they lie in the browser)."""

    who: str
    theme: str
    pedal: tuple[Key, ...]
    keys: tuple[Key, ...]
    place: str
    software: str
    edition: str


def desk_of(request: Request) -> Desk:
    """The desk that the server was opened with; under a visit's path, on what that visit stands on."""
    desk: Desk = request.app.state.desk
    visit_id = request.path_params.get("visit_id")
    return desk if visit_id is None else desk.on(str(visit_id))


AtDesk = Annotated[Desk, Depends(desk_of)]
Form = Annotated[Sent, Depends(sent)]


def start_page(request: Request) -> StartPage:
    """First start."""
    desk = desk_of(request)
    name = who(request)
    read = bool(desk.store.setting(READ))
    return StartPage(CAUTIONS, str(desk.settings.data_dir), "" if name == "clinician" else name, read)


def device_page(request: Request) -> DevicePage:
    """This device."""
    desk = desk_of(request)
    name = who(request)
    return DevicePage(
        who="" if name == "clinician" else name,
        theme=theme_of(request.cookies.get("endfeel_theme")),
        pedal=(
            Key("negative", "Negative"), Key("positive", "Positive"), Key("open", "Open the next finding, or close it"),
        ),
        keys=(
            Key("unclear", "Unclear"), Key("not-done", "Not done"), Key("undo", "Take back the last"),
            Key("find", "Add any finding"),
            Key("next", "On to the next step"), Key("keys", "This list"),
        ),
        place=str(desk.settings.data_dir),
        software=desk.software,
        edition=desk.edition.id,
    )  # fmt: skip


pages(router, "/start", "start.html", start_page)
pages(router, "/device", "device.html", device_page)


@router.get("/")
def begin(desk: AtDesk) -> Response:
    """To the visits; to the cautions as long as nobody has read them here."""
    return RedirectResponse("/visits" if desk.store.setting(READ) else "/start", status_code=303)


@router.post("/start")
def begun(desk: AtDesk, form: Form) -> Response:
    """The cautions were read."""
    desk.store.set_setting(READ, {"by": form.text("who") or form.actor})
    return _named(RedirectResponse("/visits", status_code=303), form)


@router.post("/device")
def device_set(form: Form) -> Response:
    """Who is examining on this device."""
    return _named(RedirectResponse("/device", status_code=303), form)


@router.post("/theme")
def theme(form: Form) -> Response:
    """The room is light or dark."""
    wanted = form.choice("theme", "The room", ("light", "dark", "auto"))
    if wanted is None:
        raise Refused(400, "The room is missing; choose light or dark.")
    answer = RedirectResponse(own_path(form.text("back") or "", "/visits"), status_code=303)
    answer.set_cookie("endfeel_theme", wanted, max_age=_YEAR, samesite="strict", path="/")
    return answer


def _named(answer: RedirectResponse, form: Sent) -> Response:
    name = form.text("who")
    if name:
        if len(name) > 60 or not name.isprintable() or not name.isascii():
            raise Refused(400, "Who is examining: at most 60 plain letters, figures and signs.")
        answer.set_cookie(WHO_COOKIE, name, max_age=_YEAR, samesite="strict", httponly=True, path="/")
    return answer
