"""Every request about patients, accounts or devices becomes a line of the audit trail, whatever came of it.

Public: Watch (ASGI middleware).

The same page read again by the same person on the same device within a minute is one line. Searches are noted
without what was searched for, since that is a patient's code. A route may set ``request.state.audit_who`` (who tried
to sign in) and ``audit_about`` (whose account or which device was changed).
"""

from __future__ import annotations

import datetime as dt
import re
import time
from collections import OrderedDict

from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from endfeel.storage.audit import AuditTrail, Entry
from endfeel.web.forms import WHO_COOKIE, clean_name

AGAIN = 60.0  # seconds within which a page read again is no new line
_REMEMBERED = 5000
_VISIT = re.compile(r"^/visits/(?!new(?:\.json)?$)([^/]+)")
_NOTHING_PRIVATE = re.compile(r"^/(static/|evidence|theme$|openapi\.json$|sign-in|join|start|device(\.json)?$|$)")
_SAFE = ("GET", "HEAD", "OPTIONS")


class Watch:
    """Notes requests once they are answered."""

    def __init__(self, app: ASGIApp, *, trail: AuditTrail) -> None:
        self.app = app
        self.trail = trail
        self._last: OrderedDict[tuple[str, ...], float] = OrderedDict()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let one request pass and note it."""
        if scope["type"] != "http" or scope["path"].startswith("/static/"):
            await self.app(scope, receive, send)
            return
        status = 500

        async def noticing(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self.app(scope, receive, noticing)
        finally:
            self._note(scope, status)

    def _note(self, scope: Scope, status: int) -> None:
        path, safe = scope["path"], scope["method"] in _SAFE
        state = scope.get("state", {})
        what = _what(path, safe, status)
        if _NOTHING_PRIVATE.match(path) and what == "read":
            return
        account, device = state.get("account"), state.get("device")
        who = state.get("audit_who") or (account.name if account else _named(scope, bool(state.get("in_use"))))
        source = str((scope.get("client") or ("",))[0])
        if what == "read" and status < 400 and self._again(who, source, device.name if device else "", path):
            return
        visit = _VISIT.match(path)
        self.trail.note(
            Entry(
                at=dt.datetime.now(dt.UTC),
                who=who,
                role=account.role if account else "",
                what=what,
                page=f"{path}: {about}" if (about := state.get("audit_about")) else path,
                visit_id=visit[1].removesuffix(".json") if visit else None,
                status=status,
                source=source,
                device=device.name if device else "",
            )
        )

    def _again(self, *key: str) -> bool:
        now = time.monotonic()
        last = self._last.get(key)
        if last is not None and now - last < AGAIN:
            return True
        self._last[key] = now
        self._last.move_to_end(key)
        while len(self._last) > _REMEMBERED:
            self._last.popitem(last=False)
        return False


def _what(path: str, safe: bool, status: int) -> str:
    if status in (401, 403, 421, 429):
        return "refused"
    if path == "/sign-in" and not safe:
        return "sign-in"
    if path == "/sign-out":
        return "sign-out"
    if path.startswith(("/accounts", "/password")) and not safe:
        return "account"
    if path.startswith(("/devices", "/pair", "/join")) and not safe:
        return "device"
    if path.startswith("/audit.csv"):
        return "export"
    return "read" if safe else "write"


def _named(scope: Scope, in_use: bool) -> str:
    """The name set on the device, which counts for something only where there are no accounts."""
    if in_use:
        return "signed out"
    return clean_name(cookie_parser(Headers(scope=scope).get("cookie", "")).get(WHO_COOKIE, ""))
