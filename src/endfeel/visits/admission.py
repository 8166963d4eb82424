"""Which events a visit takes: those that refer to something that is there.

Only what could never make sense is refused. A recording that comes late (the visit was closed, the problem taken back)
is taken, kept and marked by replay: losing it would be worse.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence

from endfeel.visits.corrections import root_of
from endfeel.visits.events import Corrected, Event, ProblemAdded, StoredEvent, VisitOpened


class EventRefused(ValueError):
    """The visit can't take the event; the message is one line that says why."""


def admit(events: Sequence[StoredEvent], event: Event, at: dt.datetime) -> None:
    """Return if the event may follow the given events of one visit; raise EventRefused if not."""
    if not events:
        if not isinstance(event, VisitOpened):
            raise EventRefused(f"the visit is not open yet: its first event must be visit-opened, not {event.type}")
        _check_born(event, at)
        return
    if isinstance(event, VisitOpened):
        raise EventRefused("the visit is open already: correct its first event instead of opening it again")
    if isinstance(event, ProblemAdded) and event.problem_id in _problem_ids(events):
        raise EventRefused(f"this visit has a problem {event.problem_id} already: give the new one another id")
    if isinstance(event, Corrected):
        _check_correction(events, event, at)
    elif not isinstance(event, ProblemAdded):
        _check_problem(events, event)


def _check_correction(events: Sequence[StoredEvent], event: Corrected, at: dt.datetime) -> None:
    try:
        root = root_of(events, event.of)
    except KeyError as error:
        raise EventRefused(f"nothing to correct: {error.args[0]}") from None
    new = event.replacement
    if new is None:
        if isinstance(root.event, VisitOpened) and root.seq == event.of:
            raise EventRefused("the opening of a visit can be replaced, not taken back")
        return
    if new.type != root.event.type:
        raise EventRefused(f"event {root.seq} is {root.event.type}; it can't be replaced by {new.type}")
    if isinstance(new, VisitOpened):
        _check_born(new, at)
    elif isinstance(new, ProblemAdded) and isinstance(root.event, ProblemAdded):
        if new.problem_id != root.event.problem_id:
            raise EventRefused(f"a correction keeps the problem's id ({root.event.problem_id})")
    else:
        _check_problem(events, new)


def _check_problem(events: Sequence[StoredEvent], event: Event) -> None:
    problem_id = getattr(event, "problem_id", None)
    if problem_id is not None and problem_id not in (known := _problem_ids(events)):
        names = ", ".join(known) or "none yet"
        raise EventRefused(f"this visit has no problem {problem_id} (it has: {names})")


def _check_born(event: VisitOpened, at: dt.datetime) -> None:
    if event.birth_year is not None and event.birth_year > at.year:
        raise EventRefused(f"birth year {event.birth_year} lies in the future")


def _problem_ids(events: Iterable[StoredEvent]) -> dict[str, None]:
    return {s.event.problem_id: None for s in events if isinstance(s.event, ProblemAdded)}
