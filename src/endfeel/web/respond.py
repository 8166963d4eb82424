"""How a page leaves the server: the same view as HTML or, under the path plus ``.json``, as JSON.

Public: pages (registers a page and its twin), render, refusal, templates.

A page is a function from the request to a frozen dataclass (its view); the view is the JSON, and the template only
lays it out. A request by htmx gets the named part of the template instead of the whole page.
"""

from __future__ import annotations

import inspect
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request
from fastapi.encoders import jsonable_encoder
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.types import ASGIApp, Scope

from endfeel.web import words
from endfeel.web.locked import locked
from endfeel.web.refused import Refused
from endfeel.web.security import FIELD

_HERE = Path(__file__).parent

templates = Environment(
    loader=FileSystemLoader(_HERE / "templates"),
    autoescape=select_autoescape(default=True),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
templates.globals["words"] = words
templates.globals["token_field"] = FIELD
templates.globals["htmx_settings"] = json.dumps(
    {
        "allowEval": False,
        "includeIndicatorStyles": False,
        "selfRequestsOnly": True,
        "historyCacheSize": 0,
        "defaultSwapStyle": "outerHTML",
        "defaultSettleDelay": 20,
        "scrollIntoViewOnBoost": False,
        "timeout": 8000,
    }
)


def pages(
    router: APIRouter,
    path: str,
    template: str,
    view: Callable[..., Any],
    *,
    part: str | None = None,
    whole: Callable[..., Any] | None = None,
) -> None:
    """Serve ``view`` at ``path`` through ``template``, and as JSON at ``path`` + ``.json``.

    The view's parameters are FastAPI's. ``part`` names a template that an htmx request gets instead. ``whole``, with
    the same parameters, gives the JSON where a page may leave out what it fetches a moment later.
    """
    signature = inspect.signature(view, eval_str=True)

    def as_json(**given: Any) -> Response:
        return JSONResponse(jsonable_encoder((whole or view)(**_wanted(given))))

    def as_html(**given: Any) -> Response:
        request: Request = given["request"]
        name = part if part and request.headers.get("hx-request") else template
        return render(request, name, view(**_wanted(given)))

    takes_request = "request" in signature.parameters

    def _wanted(given: dict[str, Any]) -> dict[str, Any]:
        return given if takes_request else {k: v for k, v in given.items() if k != "request"}

    parameters = list(signature.parameters.values())
    if not takes_request:
        parameters.insert(0, inspect.Parameter("request", inspect.Parameter.POSITIONAL_OR_KEYWORD, annotation=Request))
    shown = signature.replace(parameters=parameters, return_annotation=Response)
    as_json.__signature__ = shown  # type: ignore[attr-defined]
    as_html.__signature__ = shown  # type: ignore[attr-defined]
    as_json.__annotations__ = as_html.__annotations__ = {p.name: p.annotation for p in parameters}
    as_json.__doc__ = as_html.__doc__ = view.__doc__
    if path != "/":
        router.add_api_route(path + ".json", as_json, methods=["GET"], name=view.__name__ + "_json")
    router.add_api_route(path, as_html, methods=["GET"], response_class=HTMLResponse, name=view.__name__)


def render(
    request: Request, template: str, view: Any, *, status: int = 200, headers: dict[str, str] | None = None
) -> Response:
    """The template with ``view`` and what every page needs (token, theme, path, account)."""
    text = templates.get_template(template).render(
        view=view,
        token=getattr(request.state, "token", ""),
        theme=theme_of(request.cookies.get("endfeel_theme")),
        path=request.url.path,
        account=getattr(request.state, "account", None),
        signed_out=getattr(request.state, "in_use", False) and getattr(request.state, "account", None) is None,
    )
    account = getattr(request.state, "account", None)
    if account is not None:
        text = locked(text, account.role)
    return HTMLResponse(text, status_code=status, headers=headers)


def theme_of(cookie: str | None) -> str:
    """The room's theme as chosen: ``light``, ``dark`` or, where nothing was chosen, ``auto``."""
    return cookie if cookie in ("light", "dark") else "auto"


def refusal(request: Request, refused: Refused) -> Response:
    """A 4xx in the form that was asked for: JSON, one plain line for htmx, or a page."""
    if request.url.path.endswith(".json") or request.headers.get("accept", "").startswith("application/json"):
        return JSONResponse({"error": refused.line}, status_code=refused.status)
    if request.headers.get("hx-request") or request.headers.get("x-endfeel-queue"):
        return Response(refused.line, status_code=refused.status, media_type="text/plain")
    return render(request, "refused.html", refused, status=refused.status)


def refusing(scope: Scope, refused: Refused) -> ASGIApp:
    """The same for a request that never reached a route."""
    return refusal(Request(scope), refused)
