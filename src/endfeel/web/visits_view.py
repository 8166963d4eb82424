"""The list of visits, and the form of a new one.

Public: VisitsPage, NewPage, visits_page, new_page, SETTINGS.
"""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass
from urllib.parse import urlencode

from endfeel.visits.line import VisitLine
from endfeel.web import words
from endfeel.web.desk import Desk

PER_PAGE = 40
MOST_LEFT_OPEN = 200
SETTINGS = (
    ("primary", "First contact"),
    ("sports", "Sports clinic"),
    ("secondary", "Referred to me"),
    ("tertiary", "Specialist centre"),
    ("emergency", "Emergency department"),
    ("military", "Service clinic"),
)
_ACTIONS = {
    "send-now": "sent now",
    "look-further": "looking further",
    "start-care": "care started",
    "set-aside": "set aside",
}


@dataclass(frozen=True)
class VisitRow:
    """One visit in the list."""

    visit_id: str
    href: str
    patient: str
    about: str
    when: str
    closed: bool


@dataclass(frozen=True)
class Group:
    """Visits that belong together in the list."""

    words: str
    visits: tuple[VisitRow, ...]


@dataclass(frozen=True)
class VisitsPage:
    """The list, the last opened first; ``more`` leads to older ones."""

    query: str
    groups: tuple[Group, ...]
    more: str | None
    total: int


@dataclass(frozen=True)
class NewPage:
    """The form of a new visit; what is known from the previous one is filled in."""

    client_id: str
    code: str
    birth_year: str
    sex: str | None
    setting: str
    settings: tuple[tuple[str, str], ...]
    previous: str | None
    previous_when: str


def visits_page(desk: Desk, query: str, offset: int, today: dt.date) -> VisitsPage:
    """Due visits first, then those left open on an earlier day (neither where something is searched for), then open
    ones, then closed ones, each the newest first."""
    lines = desk.store.visits(query, PER_PAGE + 1, offset)
    shown = lines[:PER_PAGE]
    due = [] if query or offset else desk.store.due(today)
    due_ids = {line.visit_id for line in due}
    left = [] if query or offset else _left_open(desk, today, due_ids)
    above = due_ids | {line.visit_id for line in left}
    rest = [line for line in shown if line.visit_id not in above]
    groups = (
        Group("To be looked at again", tuple(_row(line, today, due=True) for line in due)),
        Group("Left open", tuple(_row(line, today, left=True) for line in left)),
        Group("Open", tuple(_row(line, today) for line in rest if not line.closed)),
        Group("Closed", tuple(_row(line, today) for line in rest if line.closed)),
    )
    more = None
    if len(lines) > PER_PAGE:
        more = "/visits?" + urlencode({"q": query, "offset": offset + PER_PAGE})
    return VisitsPage(query, tuple(g for g in groups if g.visits), more, desk.store.count(query))


def new_page(desk: Desk, previous_id: str | None) -> NewPage:
    """An empty form, or one that follows a previous visit of the same person."""
    previous = desk.visit(previous_id) if previous_id else None
    opened = previous.opened if previous else None
    return NewPage(
        client_id=str(uuid.uuid4()),
        code=opened.patient_code if opened else "",
        birth_year=str(opened.birth_year) if opened and opened.birth_year else "",
        sex=opened.sex if opened else None,
        setting=opened.setting if opened else "primary",
        settings=SETTINGS,
        previous=previous.visit_id if previous else None,
        previous_when=words.day(previous.opened_at) if previous else "",
    )


def _left_open(desk: Desk, today: dt.date, due: set[str]) -> list[VisitLine]:
    """Visits that nobody finished on the day: nothing of them is lost, and they do not sink below newer ones."""
    found = desk.store.visits("", MOST_LEFT_OPEN, 0, closed=False)
    return [v for v in found if v.visit_id not in due and v.last_at.astimezone().date() < today]


def _row(line: VisitLine, today: dt.date, due: bool = False, left: bool = False) -> VisitRow:
    about = []
    for problem in line.problems:
        said = words.side_and_region(problem.side, problem.region)
        about.append(f"{said}, {_ACTIONS[problem.action]}" if problem.action else said)
    opened = line.opened_at.astimezone().date()
    when = "today" if opened == today else words.day(opened)
    if due and line.review_on:
        when = "look again today" if line.review_on == today else f"look again since {words.day(line.review_on)}"
        if line.review_on > today:
            when = f"look again on {words.day(line.review_on)}"
    if left:
        when = f"left open since {words.day(line.last_at)}"
    return VisitRow(
        line.visit_id,
        f"/visits/{line.visit_id}",
        line.patient_code + (f" ({line.initials})" if line.initials else ""),
        "; ".join(about) or "no problem yet",
        when,
        line.closed,
    )
