"""Who is asking: paired device and signed-in account, before anything else is looked at.

Public: Gate (ASGI middleware).

Loopback without accounts: open to the user who runs the server, as long as there are no accounts. Loopback with
accounts: sign in. Shared door: a paired device first, then sign in; nothing without accounts.
"""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from endfeel.storage import StoreError
from endfeel.storage.people import Account, Device, People
from endfeel.web.accounts import Doorkeeper
from endfeel.web.doors import DEVICE_COOKIE, cookie, digest, is_shared, session_cookie
from endfeel.web.neighbour import user_at
from endfeel.web.refused import Refused

_JOIN = ("/join", "/join.json")
_SIGN_IN = ("/sign-in", "/sign-in.json")


@dataclass(frozen=True)
class Asking:
    """What is known of who asks. in_use: whether there are accounts."""

    in_use: bool
    device: Device | None
    account: Account | None


class Gate:
    """Hands on only what may come in; the request's state gets in_use, device and account."""

    def __init__(
        self, app: ASGIApp, *, people: People, doorkeeper: Doorkeeper, refuse: Callable[[Scope, Refused], ASGIApp]
    ) -> None:
        self.app = app
        self.people = people
        self.doorkeeper = doorkeeper
        self.refuse = refuse

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Look at one request."""
        if scope["type"] != "http" or scope["path"].startswith("/static/"):
            await self.app(scope, receive, send)
            return
        state = scope.setdefault("state", {})
        app: ASGIApp = self.app
        try:
            asking = await run_in_threadpool(self._look, scope)
            state.update(in_use=asking.in_use, device=asking.device, account=asking.account)
            turned = self._turned(scope, asking)
            if turned is not None:
                app = turned
        except Refused as refused:
            app = self.refuse(scope, refused)
        except StoreError as error:
            app = PlainTextResponse(f"The store can not be asked who this is: {error}.", status_code=503)
        await app(scope, receive, send)

    def _look(self, scope: Scope) -> Asking:
        given = Headers(scope=scope).get("cookie", "")
        shared = is_shared(scope)
        in_use = self.people.any()
        if not in_use:
            return Asking(False, None, None)
        device = None
        if shared:
            held = cookie(given, DEVICE_COOKIE)
            device = self.people.device(digest(held)) if held else None
        token = cookie(given, session_cookie(shared))
        session = self.doorkeeper.session(token, dt.datetime.now(dt.UTC)) if token else None
        if session is not None and session.device_id != (device.device_id if device else None):
            session = None  # a session belongs to the device on which it was begun
        return Asking(True, device, session.account if session else None)

    def _turned(self, scope: Scope, asking: Asking) -> ASGIApp | None:
        """Where the request goes instead; None where it may go on."""
        path = scope["path"]
        if is_shared(scope):
            if not asking.in_use:
                raise Refused(403, "There are no accounts here, so nothing is shared; a lead makes them first.")
            if asking.device is None:
                return None if path in _JOIN else self._to(scope, "/join", "This device is not paired; pair it first.")
        elif not asking.in_use:
            self._check_user(scope)
            return None
        if asking.account is not None or path in _SIGN_IN or (path in _JOIN and is_shared(scope)):
            return None
        back = f"/sign-in?back={quote(path)}" if path not in ("/", "/sign-out") else "/sign-in"
        return self._to(scope, back, "You are signed out; sign in, and what waits on this device will be sent.")

    def _to(self, scope: Scope, where: str, line: str) -> ASGIApp:
        headers = Headers(scope=scope)
        asks_page = scope["method"] == "GET" and not scope["path"].endswith(".json") and "hx-request" not in headers
        if asks_page:
            return RedirectResponse(where, status_code=303)
        # 403, not 401: a page keeps what was refused so, and sends it after the sign-in.
        raise Refused(403, line)

    def _check_user(self, scope: Scope) -> None:
        user = user_at(scope.get("client"), scope.get("server"))
        if user is not None and user not in (0, os.getuid()):
            raise Refused(
                403, "Another user of this machine runs this server; without accounts only that user may open it."
            )
