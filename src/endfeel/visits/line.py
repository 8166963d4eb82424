"""One line about a visit, for lists: a pure function of its state."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from endfeel.visits.events import Action, Id, Setting, Side
from endfeel.visits.state import VisitState


@dataclass(frozen=True)
class LineProblem:
    """A problem in a list: where it is, and what was last decided about it."""

    region: Id
    side: Side
    action: Action | None
    review_on: dt.date | None


@dataclass(frozen=True)
class VisitLine:
    """What a list shows of a visit. seq: number of its last event. review_on: the earliest day to look again."""

    visit_id: str
    seq: int
    patient_code: str
    initials: str | None
    birth_year: int | None
    setting: Setting
    opened_at: dt.datetime
    last_at: dt.datetime
    closed: bool
    problems: tuple[LineProblem, ...]
    review_on: dt.date | None
    previous_visit_id: str | None

    @property
    def status(self) -> str:
        """`open` or `closed`."""
        return "closed" if self.closed else "open"


def line_of(state: VisitState) -> VisitLine:
    """The line of a visit."""
    problems = tuple(
        LineProblem(
            region=problem.region,
            side=problem.side,
            action=problem.decision.event.action if problem.decision else None,
            review_on=problem.decision.event.review_on if problem.decision else None,
        )
        for problem in state.problems.values()
    )
    return VisitLine(
        visit_id=state.visit_id,
        seq=state.seq,
        patient_code=state.opened.patient_code,
        initials=state.opened.initials,
        birth_year=state.opened.birth_year,
        setting=state.opened.setting,
        opened_at=state.opened_at,
        last_at=state.last_at,
        closed=state.closed,
        problems=problems,
        review_on=min((p.review_on for p in problems if p.review_on is not None), default=None),
        previous_visit_id=state.opened.previous_visit_id,
    )
