"""Paired devices: the lead's list and code on the serving machine, and the page on which a tablet types the code.

Public: router.
"""

from __future__ import annotations

import datetime as dt
import secrets
from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from endfeel.storage.people import AccountError
from endfeel.web import words
from endfeel.web.device_routes import AtDesk, Form
from endfeel.web.doors import DEVICE_COOKIE, digest, is_shared
from endfeel.web.pairing import LASTS, Pairing
from endfeel.web.refused import Refused
from endfeel.web.respond import pages, render
from endfeel.web.throttle import Throttle

router = APIRouter()
_YEAR = 365 * 24 * 3600
_TOO_OFTEN = "Too many codes were tried from this device; wait some minutes."


@dataclass(frozen=True)
class DeviceLine:
    """One paired device."""

    device_id: str
    name: str
    paired: str
    by: str
    revoked: str


@dataclass(frozen=True)
class DevicesPage:
    """All paired devices. address: where a tablet opens the shared door; empty while nothing is shared."""

    devices: tuple[DeviceLine, ...]
    address: str


@dataclass(frozen=True)
class PairPage:
    """The code, on the serving machine. code: empty where none is in force. fingerprint: of the certificate."""

    address: str
    fingerprint: str
    code: str
    until: str
    minutes: int


@dataclass(frozen=True)
class JoinPage:
    """Where a tablet types the code."""

    trouble: str
    name: str


def devices_page(desk: AtDesk) -> DevicesPage:
    """All paired devices."""
    lines = tuple(
        DeviceLine(
            d.device_id, d.name, words.day(d.paired_at), d.paired_by, words.day(d.revoked_at) if d.revoked_at else ""
        )
        for d in desk.people.devices()
    )
    return DevicesPage(lines, _address(desk.settings.shared_host))


def pair_page(request: Request, desk: AtDesk) -> PairPage:
    """The code that is in force."""
    _here_only(request)
    code = _pairing(request).current(dt.datetime.now(dt.UTC))
    return PairPage(
        address=_address(desk.settings.shared_host),
        fingerprint=desk.settings.shared_fingerprint,
        code=code.shown if code else "",
        until=f"{code.ends_at.astimezone():%H:%M}" if code else "",
        minutes=int(LASTS.total_seconds() // 60),
    )


def join_page(request: Request) -> JoinPage:
    """Where a tablet types the code."""
    if not is_shared(request.scope):
        raise Refused(409, "This machine runs the server and needs no pairing.")
    return JoinPage("", "")


pages(router, "/devices", "paired_devices.html", devices_page)
pages(router, "/pair", "pair_code.html", pair_page)
pages(router, "/join", "pair_join.html", join_page)


@router.post("/pair")
def code_made(request: Request, desk: AtDesk, form: Form) -> Response:
    """A new code; an earlier one is void."""
    _here_only(request)
    if desk.settings.shared_host is None:
        raise Refused(409, "Nothing is shared now; start the server with “endfeel serve --share”.")
    _pairing(request).begin(form.actor, dt.datetime.now(dt.UTC))
    return RedirectResponse("/pair", status_code=303)


@router.post("/devices/{device_id}/revoke")
def device_revoked(request: Request, desk: AtDesk, device_id: str, form: Form) -> Response:
    """Shut a device out."""
    request.state.audit_about = next((d.name for d in desk.people.devices() if d.device_id == device_id), "")
    try:
        desk.people.revoke(device_id[:40], dt.datetime.now(dt.UTC))
    except AccountError as error:
        raise Refused(404, f"{error}.") from None
    return RedirectResponse("/devices", status_code=303)


@router.post("/join")
def joined(request: Request, desk: AtDesk, form: Form) -> Response:
    """A tablet types the code: it gets its own token, which a lead can take back."""
    join_page(request)
    now = dt.datetime.now(dt.UTC)
    name = (form.text("name") or "tablet")[:60]
    request.state.audit_about = name
    limit: Throttle = request.app.state.join_throttle
    source = request.client.host if request.client else ""
    if limit.take(source):
        return render(request, "pair_join.html", JoinPage(_TOO_OFTEN, name), status=429)
    code = _pairing(request).use(form.text("code") or "", now)
    if code is None:
        line = "This code is not in force; look at the serving machine, and ask for a new one there if need be."
        return render(request, "pair_join.html", JoinPage(line, name), status=403)
    token = secrets.token_urlsafe(32)
    try:
        desk.people.add_device(name, digest(token), code.by, now)
    except AccountError as error:
        raise Refused(400, f"{error}; ask for a new code and try again.") from None
    limit.forget(source)
    answer = RedirectResponse("/sign-in", status_code=303)
    answer.set_cookie(DEVICE_COOKIE, token, max_age=_YEAR, path="/", httponly=True, samesite="strict", secure=True)
    return answer


def _pairing(request: Request) -> Pairing:
    pairing: Pairing = request.app.state.pairing
    return pairing


def _here_only(request: Request) -> None:
    if is_shared(request.scope):
        raise Refused(403, "The code is shown on the serving machine only; open this page there.")


def _address(shared_host: str | None) -> str:
    return f"https://{shared_host}/" if shared_host else ""
