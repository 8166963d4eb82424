"""The two doors of the server: this machine's own (loopback, HTTP) and the shared one (the clinic's network, HTTPS).

Public: SharedDoor, is_shared, session_cookie, DEVICE_COOKIE, cookie, digest.
"""

from __future__ import annotations

import hashlib

from starlette.requests import cookie_parser
from starlette.types import ASGIApp, Receive, Scope, Send

_MARK = "endfeel.shared"
# A browser keeps a cookie of this name only from HTTPS, for this host alone.
DEVICE_COOKIE = "__Host-endfeel_device"


class SharedDoor:
    """ASGI wrapper around the app for the listener on the network. Nothing in a request can make or unmake the mark."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Mark and hand on."""
        scope[_MARK] = True
        await self.app(scope, receive, send)


def is_shared(scope: Scope) -> bool:
    """Whether a request came in by the shared door."""
    return scope.get(_MARK) is True


def session_cookie(shared: bool) -> str:
    """Name of the cookie that holds a session's token."""
    return "__Host-endfeel_session" if shared else "endfeel_session"


def cookie(header: str, name: str) -> str | None:
    """One value of a Cookie header; None where it is missing or no token of ours could look so."""
    # Not the standard library's parser: that gives up at another program's odd cookie and ours would be lost with it.
    value = cookie_parser(header).get(name, "")
    return value if 16 <= len(value) <= 64 and value.isascii() else None


def digest(token: str) -> str:
    """What the store keeps of a token: SHA-256, hexadecimal. Tokens have 256 random bits, so no salt is needed."""
    return hashlib.sha256(token.encode()).hexdigest()
