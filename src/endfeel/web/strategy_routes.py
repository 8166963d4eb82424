"""Strategies for a typical patient, and the house protocols that came of them.

Public: router.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.responses import RedirectResponse, Response

from endfeel.documents.pdf import PaperError
from endfeel.documents.strategy_tree import StrategySheet, strategy_pdf
from endfeel.web.clinic_chances import patient_id
from endfeel.web.desk import Desk
from endfeel.web.device_routes import AtDesk, Form
from endfeel.web.house_protocols import HouseProtocol, HouseProtocols
from endfeel.web.note_view import house_of
from endfeel.web.refused import Refused
from endfeel.web.respond import pages
from endfeel.web.strategy_view import (
    ProtocolPage,
    StrategiesPage,
    StrategyPage,
    adopted_words,
    protocol_page,
    strategies_page,
    strategy_page,
    wanted_of,
)
from endfeel.web.strategy_work import StrategyWork
from endfeel.web.visit_routes import now_utc

router = APIRouter()
_LONGEST = 400


def work_of(request: Request) -> StrategyWork:
    """The server's one worker for strategies."""
    found: StrategyWork = request.app.state.strategy_work
    return found


AtWork = Annotated[StrategyWork, Depends(work_of)]


def strategies(desk: AtDesk) -> StrategiesPage:
    """Strategies by region, and the house protocols."""
    return strategies_page(desk, HouseProtocols(desk.store))


def protocol(desk: AtDesk, protocol_id: str) -> ProtocolPage:
    """A house protocol as it was adopted."""
    return protocol_page(desk, HouseProtocols(desk.store).one(protocol_id))


def strategy(
    desk: AtDesk, work: AtWork, region: str, onset: str = "", setting: str = "primary", age: str = ""
) -> StrategyPage:
    """The strategy for a typical patient, as far as it is worked out."""
    return strategy_page(desk, work, wanted_of(desk, region, onset, setting, age))


def whole_strategy(
    desk: AtDesk, work: AtWork, region: str, onset: str = "", setting: str = "primary", age: str = ""
) -> StrategyPage:
    """The same, waited for."""
    return strategy_page(desk, work, wanted_of(desk, region, onset, setting, age), whole=True)


@router.get("/strategies/house/{protocol_id}.pdf")
def protocol_paper(desk: AtDesk, protocol_id: str) -> Response:
    """A house protocol on one page."""
    held = HouseProtocols(desk.store).one(protocol_id)
    return _paper(desk, held.sheet, adopted_words(held) if held.retired_at is None else "Retired: no longer in use")


@router.get("/strategies/{region}.pdf")
def strategy_paper(
    desk: AtDesk, work: AtWork, region: str, onset: str = "", setting: str = "primary", age: str = ""
) -> Response:
    """A strategy on one page."""
    return _paper(desk, work.finished(wanted_of(desk, region, onset, setting, age)), "")


pages(router, "/strategies", "strategies.html", strategies)
pages(router, "/strategies/house/{protocol_id}", "strategy_house.html", protocol)
pages(router, "/strategies/{region}", "strategy.html", strategy, part="strategy_part.html", whole=whole_strategy)


@router.post("/strategies/{region}/adopt")
def adopted(desk: AtDesk, work: AtWork, form: Form, region: str) -> Response:
    """Keep a strategy, as it stands now, as a protocol of the house."""
    wanted = wanted_of(
        desk, region, form.text("onset") or "", form.text("setting") or "primary", form.text("age") or ""
    )
    name = form.needed("name", "The protocol's name")
    note = form.text("note") or ""
    if len(name) > 120 or len(note) > _LONGEST:
        raise Refused(400, f"The name has at most 120 characters, the note at most {_LONGEST}.")
    sheet = work.finished(wanted)
    context = wanted.context
    kept = HouseProtocols(desk.store).adopt(
        HouseProtocol(
            protocol_id="".join(ch for ch in form.client_id.lower() if ch.isalnum())[:24],
            name=name,
            note=note,
            at=form.at or now_utc(),
            by=form.actor,
            onset=context.onset,
            setting=context.setting,
            age=context.age,
            costs=desk.own_costs.number(region),
            chances=patient_id(wanted.context.clinic),
            sheet=sheet,
        )
    )
    return RedirectResponse(f"/strategies/house/{kept.protocol_id}", status_code=303)


@router.post("/strategies/house/{protocol_id}/retire")
def retired(desk: AtDesk, form: Form, protocol_id: str) -> Response:
    """A house protocol holds no longer, for a stated reason."""
    why = form.needed("why", "Why it holds no longer")[:_LONGEST]
    HouseProtocols(desk.store).retire(protocol_id, form.actor, why, form.at or now_utc())
    return RedirectResponse(f"/strategies/house/{protocol_id}", status_code=303)


def _paper(desk: Desk, sheet: StrategySheet, adopted: str) -> Response:
    try:
        paper = strategy_pdf(sheet, house_of(desk), adopted=adopted)
    except PaperError as error:
        raise Refused(409, f"{error}; the page holds the same.") from None
    headers = {"Content-Disposition": f'inline; filename="strategy-{sheet.region}.pdf"'}
    return Response(paper, media_type="application/pdf", headers=headers)
