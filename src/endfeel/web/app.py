"""The server: one factory that opens the store and puts the pages together.

Public: create_app.
"""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from pydantic import ValidationError
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import PlainTextResponse, Response
from starlette.staticfiles import StaticFiles

from endfeel.belief.refusal import BeliefError
from endfeel.planning.costs import CostError
from endfeel.storage import ClientIdTaken, SettingChanged, StoreError
from endfeel.visits.admission import EventRefused
from endfeel.visits.events import EventError
from endfeel.web import (
    account_routes,
    audit_routes,
    away_routes,
    bench_routes,
    chances_routes,
    clinic_routes,
    closing_routes,
    costs_routes,
    device_routes,
    drawing_routes,
    evidence_routes,
    pair_routes,
    pairing_routes,
    paper_routes,
    safety_routes,
    scans_routes,
    strategy_routes,
    study_routes,
    visit_routes,
)
from endfeel.web.accounts import Doorkeeper
from endfeel.web.demo import fill
from endfeel.web.desk import Desk
from endfeel.web.gate import Gate
from endfeel.web.pairing import Pairing
from endfeel.web.refused import Refused
from endfeel.web.respond import refusal, refusing, render
from endfeel.web.roles import allowed
from endfeel.web.security import Guard, new_secret
from endfeel.web.settings import Settings
from endfeel.web.strategy_work import StrategyWork
from endfeel.web.throttle import Throttle
from endfeel.web.watch import Watch

_STATIC = Path(__file__).parent / "static"
_SECRET = "page-secret"
_STORE_STATUS = {"no-such-visit": 404, "locked": 503, "read-only": 503, "disk-full": 507, "unreachable": 503}


def create_app(settings: Settings) -> FastAPI:
    """The server for these settings. Opens the store: StoreError, EvidenceError or CatalogueError with one line."""
    desk = Desk(settings)
    if settings.demo:
        fill(desk.store, desk.catalogue, desk.edition.id, desk.software, dt.datetime.now(dt.UTC))
    desk.kept.ahead(desk.bases.adopt_earlier)
    secret = _Secret(desk)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        yield
        desk.close()

    app = FastAPI(title="Endfeel", lifespan=lifespan, docs_url=None, redoc_url=None, openapi_url="/openapi.json")
    app.state.desk = desk
    app.state.doorkeeper = Doorkeeper(desk.people)
    app.state.pairing = Pairing()
    app.state.strategy_work = StrategyWork(desk)
    app.state.join_throttle = Throttle(5, 300)
    app.mount("/static", StaticFiles(directory=_STATIC), name="static")
    parts = (
        away_routes,
        device_routes, clinic_routes, bench_routes, closing_routes, paper_routes, safety_routes, visit_routes,
        costs_routes, study_routes, evidence_routes, pair_routes, account_routes, pairing_routes, audit_routes,
        strategy_routes, drawing_routes, chances_routes, scans_routes,
    )  # fmt: skip
    for part in parts:
        app.include_router(part.router, dependencies=[Depends(allowed)])
    _refuse_clearly(app)
    app.add_middleware(GZipMiddleware, minimum_size=2000, compresslevel=4)
    app.add_middleware(Gate, people=desk.people, doorkeeper=app.state.doorkeeper, refuse=refusing)
    app.add_middleware(
        Guard,
        hosts=settings.allowed_hosts,
        shared_host=settings.shared_host,
        secret=secret.value,
        refuse=refusing,
    )
    app.add_middleware(Watch, trail=desk.trail)
    return app


class _Secret:
    """The store's own secret, made when it is first needed."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.known = ""
        self.lock = threading.Lock()

    def value(self) -> str:
        """The secret; made and kept on first use."""
        with self.lock:
            if not self.known:
                kept = self.desk.store.setting(_SECRET)
                if not isinstance(kept, str):
                    # Another server on this store may make one at this moment: both then use that.
                    with suppress(SettingChanged):
                        self.desk.store.change_setting(_SECRET, kept, new_secret())
                    kept = str(self.desk.store.setting(_SECRET))
                self.known = kept
            return self.known


def _refuse_clearly(app: FastAPI) -> None:
    """Every error that a request can cause becomes one clear line."""

    @app.exception_handler(Refused)
    def refused(request: Request, error: Refused) -> Response:
        return refusal(request, error)

    @app.exception_handler(RequestValidationError)
    def not_valid(request: Request, error: RequestValidationError) -> Response:
        first = error.errors()[0]
        where = ".".join(str(p) for p in first["loc"] if p not in ("query", "path", "body"))
        return refusal(request, Refused(422, f"{where or 'The request'}: {first['msg']}."))

    @app.exception_handler(ValidationError)
    def no_such_event(request: Request, error: ValidationError) -> Response:
        # An event made from a form's fields says itself what it can not hold, a control character for instance.
        first = error.errors(include_url=False, include_context=False)[0]
        where = ".".join(str(p) for p in first["loc"]).replace("_", " ")
        return refusal(request, Refused(400, f"{where or 'The form'}: {first['msg']}."))

    @app.exception_handler(HTTPException)
    def http(request: Request, error: HTTPException) -> Response:
        line = "Nothing lies under this address." if error.status_code == 404 else f"{error.detail}."
        return refusal(request, Refused(error.status_code if 400 <= error.status_code < 500 else 400, line))

    @app.exception_handler(EventRefused)
    @app.exception_handler(ClientIdTaken)
    def not_taken(request: Request, error: Exception) -> Response:
        return refusal(request, Refused(409, f"Not recorded: {error}."))

    @app.exception_handler(EventError)
    @app.exception_handler(BeliefError)
    @app.exception_handler(CostError)
    def no_event(request: Request, error: Exception) -> Response:
        return refusal(request, Refused(400, f"{error}."))

    @app.exception_handler(StoreError)
    def store(request: Request, error: StoreError) -> Response:
        status = _STORE_STATUS.get(error.kind, 500)
        if 400 <= status < 500:
            return refusal(request, Refused(status, f"{error}."))
        return _trouble(request, status, f"Not kept: {error}.")


def _trouble(request: Request, status: int, line: str) -> Response:
    """The server's own trouble in one line, in the form that was asked for."""
    if (
        request.url.path.endswith(".json")
        or request.headers.get("hx-request")
        or request.headers.get("x-endfeel-queue")
    ):
        return PlainTextResponse(line, status_code=status)
    return render(request, "trouble.html", {"status": status, "line": line}, status=status)
