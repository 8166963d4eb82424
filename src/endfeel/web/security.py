"""Who may speak to the server and what a page may load: host, origin, token and header checks.

Public: Guard (ASGI middleware), token_for, new_secret.

The token is an HMAC of a random browser cookie under a secret kept in the store, so it stays valid when the
server restarts and a queued recording can still be delivered. No inline script or style is ever needed. Each door
answers to its own names only, and what is set by the shared door travels by HTTPS only.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Callable
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from endfeel.web.doors import cookie, is_shared
from endfeel.web.refused import Refused

COOKIE = "endfeel_browser"
FIELD = "csrf"
HEADER = "x-endfeel-token"
MAX_BODY = 512 * 1024
_YEAR = 365 * 24 * 3600
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",
        "font-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)


def new_secret() -> str:
    """A new secret for a store: 64 hexadecimal digits."""
    return secrets.token_hex(32)


def token_for(secret: str, browser: str) -> str:
    """The token that a page made for this browser carries (hexadecimal SHA-256 HMAC)."""
    return hmac.new(secret.encode(), browser.encode(), hashlib.sha256).hexdigest()


class Guard:
    """ASGI middleware: refuses foreign hosts, foreign origins and posts without a token; sets the headers.

    ``refuse`` renders a Refused for the scope; ``secret`` gives the store's secret when it is first needed.
    The request's scope gets ``scope["state"]["token"]`` for the templates.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        hosts: frozenset[str],
        shared_host: str | None,
        secret: Callable[[], str],
        refuse: Callable[[Scope, Refused], ASGIApp],
    ) -> None:
        self.app = app
        self.hosts = hosts
        self.shared_host = shared_host
        self.secret = secret
        self.refuse = refuse

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request and hand it on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        shared = is_shared(scope)
        name = f"__Host-{COOKIE}" if shared else COOKIE
        browser = cookie(headers.get("cookie", ""), name)
        fresh = browser is None
        if browser is None:
            browser = secrets.token_urlsafe(24)
        state = scope.setdefault("state", {})
        state["token"] = ""

        async def sealed(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                out["Content-Security-Policy"] = POLICY
                out["X-Content-Type-Options"] = "nosniff"
                out["Referrer-Policy"] = "same-origin"
                out["Cross-Origin-Opener-Policy"] = "same-origin"
                out["Cross-Origin-Resource-Policy"] = "same-origin"
                out["Permissions-Policy"] = "camera=(), microphone=(), geolocation=()"
                if not scope["path"].startswith("/static/"):
                    out["Cache-Control"] = "no-store"
                    if fresh:
                        out.append(
                            "Set-Cookie", f"{name}={browser}; Path=/; HttpOnly; SameSite=Strict; Max-Age={_YEAR}"
                        )
                if shared:
                    _only_by_https(out)
            await send(message)

        app: ASGIApp = self.app
        try:
            self._check_host(headers, shared)
            if not scope["path"].startswith("/static/"):
                state["token"] = token_for(self.secret(), browser)
            if scope["method"] not in _SAFE:
                self._check_origin(headers, shared)
                receive = await self._check_token(headers, receive, state["token"])
        except Refused as refused:
            app = self.refuse(scope, refused)
        await app(scope, receive, sealed)

    def _check_host(self, headers: Headers, shared: bool) -> None:
        if shared:
            if self.shared_host is None or headers.get("host", "").lower() != self.shared_host.lower():
                raise Refused(421, f"This server does not answer to that name; use https://{self.shared_host}/.")
            return
        name = _host_name(headers.get("host", ""))
        if name not in self.hosts:
            raise Refused(421, f"This server does not answer to the name “{name[:80]}”; use localhost.")

    def _check_origin(self, headers: Headers, shared: bool) -> None:
        origin = headers.get("origin")
        if origin is None:
            return
        try:
            site = urlsplit(origin)
        except ValueError:
            site = urlsplit("")
        if site.netloc != headers.get("host", "") or (shared and site.scheme != "https"):
            raise Refused(
                403, "This was sent from another site, so it was not done; open Endfeel itself and send it there."
            )

    async def _check_token(self, headers: Headers, receive: Receive, wanted: str) -> Receive:
        body, receive = await _peek(receive)
        given = headers.get(HEADER, "")
        if not given and headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
            given = parse_qs(body.decode("latin-1")).get(FIELD, [""])[0]
        if not hmac.compare_digest(given.encode(), wanted.encode()):
            raise Refused(
                403, "The page was too old to send this, so it was not done; load the page again and repeat it."
            )
        return receive


async def _peek(receive: Receive) -> tuple[bytes, Receive]:
    """The whole body (at most MAX_BODY bytes) and a ``receive`` that plays it again."""
    parts: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            break
        part = message.get("body", b"")
        size += len(part)
        if size > MAX_BODY:
            raise Refused(413, f"More than {MAX_BODY // 1024} kB were sent at once; shorten the text.")
        parts.append(part)
        if not message.get("more_body", False):
            break
    body = b"".join(parts)
    sent = False

    async def again() -> Message:
        nonlocal sent
        if not sent:
            sent = True
            return {"type": "http.request", "body": body, "more_body": False}
        return await receive()

    return body, again


def _only_by_https(headers: MutableHeaders) -> None:
    """Add “Secure” to every cookie that is set without it."""
    for at, (key, value) in enumerate(headers.raw):
        if key == b"set-cookie" and b"; secure" not in value.lower():
            headers.raw[at] = (key, value + b"; Secure")


def _host_name(host: str) -> str:
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.rpartition(":")[0] if ":" in host else host
