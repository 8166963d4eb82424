"""The audit trail for the clinical lead: who read or wrote what, when, from where; as a page and as CSV.

Public: router.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter
from starlette.responses import Response, StreamingResponse

from endfeel.storage import StoreError
from endfeel.storage.audit import WHAT, audit_lines
from endfeel.web.device_routes import AtDesk
from endfeel.web.refused import Refused
from endfeel.web.respond import pages

router = APIRouter()
PER_PAGE = 100


@dataclass(frozen=True)
class AuditLine:
    """One entry, its time as the serving machine's clock tells it."""

    when: str
    who: str
    role: str
    what: str
    page: str
    visit_id: str
    status: int
    where: str


@dataclass(frozen=True)
class AuditPage:
    """Entries, the newest first. trouble: why new ones can't be kept at the moment."""

    who: str
    visit: str
    what: str
    day: str
    kinds: tuple[str, ...]
    lines: tuple[AuditLine, ...]
    total: int
    more: str | None
    csv: str
    trouble: str | None
    in_use: bool


def audit_page(
    desk: AtDesk, who: str = "", visit: str = "", what: str = "", day: str = "", offset: int = 0
) -> AuditPage:
    """Who read or wrote what."""
    offset = max(0, min(offset, 10_000_000))
    wanted = _wanted(who, visit, what, day)
    try:
        desk.trail.flush()
    except StoreError as error:
        trouble: str | None = str(error)
    else:
        trouble = None
    found = desk.trail.entries(**wanted, limit=PER_PAGE + 1, offset=offset)
    asked = {"who": who, "visit": visit, "what": what, "day": day}
    more = None
    if len(found) > PER_PAGE:
        more = "/audit?" + urlencode(asked | {"offset": offset + PER_PAGE}, errors="replace")
    lines = tuple(
        AuditLine(
            when=f"{e.at.astimezone():%Y-%m-%d %H:%M:%S}",
            who=e.who,
            role=e.role,
            what=e.what,
            page=e.page,
            visit_id=e.visit_id or "",
            status=e.status,
            where=f"{e.device}, {e.source}" if e.device else e.source,
        )
        for e in found[:PER_PAGE]
    )
    return AuditPage(
        who=who[:200], visit=visit[:120], what=what if what in WHAT else "", day=day[:10], kinds=WHAT, lines=lines,
        total=desk.trail.count(**wanted), more=more, csv="/audit.csv?" + urlencode(asked, errors="replace"),
        trouble=trouble, in_use=desk.people.any(),
    )  # fmt: skip


pages(router, "/audit", "audit.html", audit_page)


@router.get("/audit.csv")
def audit_csv(desk: AtDesk, who: str = "", visit: str = "", what: str = "", day: str = "") -> Response:
    """The same entries as CSV, the oldest first."""
    wanted = _wanted(who, visit, what, day)
    desk.trail.flush()

    def lines() -> Iterator[str]:
        yield from audit_lines(desk.trail.everything(**wanted))

    name = {"Content-Disposition": 'attachment; filename="audit.csv"'}
    return StreamingResponse(lines(), media_type="text/csv; charset=utf-8", headers=name)


def _wanted(who: str, visit: str, what: str, day: str) -> dict[str, Any]:
    since = until = None
    if day.strip():
        try:
            since = dt.datetime.combine(dt.date.fromisoformat(day.strip()), dt.time()).astimezone()
            until = since + dt.timedelta(days=1)
        except (ValueError, OverflowError):
            raise Refused(400, f"“{day[:20]}” is no date; write it as 2026-03-31.") from None
    if what and what not in WHAT:
        raise Refused(400, f"“{what[:20]}” is none of {', '.join(WHAT)}.")
    return {"who": who[:200].strip(), "visit_id": visit[:120].strip(), "what": what, "since": since, "until": until}
