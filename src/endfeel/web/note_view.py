"""The note of a visit: to read, to copy, to print; and what turned out later.

Public: NotePage, note_page, note_of, house_of, figures_for, moment_of.
"""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass

from endfeel.documents.figures import ProblemFigures, figures_of
from endfeel.documents.note import Note, note, note_text
from endfeel.documents.pdf import House
from endfeel.documents.wording import URGENCIES
from endfeel.visits.safety import chances_withheld
from endfeel.visits.state import VisitState
from endfeel.web import words
from endfeel.web.desk import Desk
from endfeel.web.visit_head import Head, head

HOUSE = "house"
SOURCES = ("MRI", "X-ray", "Ultrasound", "Surgery", "Specialist's opinion", "Course over time", "Other")


@dataclass(frozen=True)
class ConditionChoice:
    """A condition that an outcome can be about."""

    problem_id: str
    problem: str
    id: str
    name: str


@dataclass(frozen=True)
class PaperLine:
    """The papers about one problem; comparison where the visit follows an earlier one."""

    title: str
    letter: str
    handout: str
    plan_card: str
    comparison: str | None


@dataclass(frozen=True)
class NotePage:
    """The page “Note”. note: by sections; text: the same to copy."""

    head: Head
    note: Note
    text: str
    pdf: str
    txt: str
    close: str
    reopen: str
    outcome: str
    follow: str
    papers: tuple[PaperLine, ...]
    urgencies: tuple[tuple[str, str], ...]
    closed: bool
    conditions: tuple[ConditionChoice, ...]
    sources: tuple[str, ...]
    today: str
    client_id: str
    outcome_id: str


def note_page(desk: Desk, state: VisitState, now: dt.datetime) -> NotePage:
    """The page of a visit's note."""
    made = note_of(desk, state, now)
    base = f"/visits/{state.visit_id}"
    first = next(iter(state.problems.values()), None)
    conditions = []
    for problem in state.problems.values():
        title = words.side_and_region(problem.side, problem.region)
        for entry in desk.catalogue.region(problem.region).conditions.values():
            if entry.claim != "sign":
                conditions.append(ConditionChoice(problem.problem_id, title, entry.id, entry.name))
    return NotePage(
        head=head(desk, state, first, "note", now),
        note=made,
        text=note_text(made),
        pdf=f"{base}/note.pdf",
        txt=f"{base}/note.txt",
        close=f"{base}/close",
        reopen=f"{base}/reopen",
        outcome=f"{base}/outcome",
        follow=f"/visits/new?previous={state.visit_id}",
        papers=tuple(
            PaperLine(
                words.side_and_region(p.side, p.region),
                f"{base}/{p.problem_id}/letter",
                f"{base}/{p.problem_id}/handout",
                f"{base}/{p.problem_id}/plan-card",
                f"{base}/{p.problem_id}/comparison" if state.opened.previous_visit_id else None,
            )
            for p in state.problems.values()
        ),
        urgencies=tuple(URGENCIES.items()),
        closed=state.closed,
        conditions=tuple(conditions),
        sources=SOURCES,
        today=now.date().isoformat(),
        client_id=str(uuid.uuid4()),
        outcome_id=str(uuid.uuid4()),
    )


def note_of(desk: Desk, state: VisitState, now: dt.datetime) -> Note:
    """The note as it stands; a closed visit is judged at the moment of its last event."""
    at = moment_of(state, now)
    figures = {problem_id: figures_for(desk, state, problem_id, at) for problem_id in state.problems}
    zone = dt.datetime.now().astimezone().tzinfo or dt.UTC
    return note(state, desk.catalogue, figures, evidence=desk.evidence, now=at, zone=zone)


def house_of(desk: Desk) -> House:
    """The clinic's head and foot, as set."""
    kept = desk.store.setting(HOUSE)
    if not isinstance(kept, dict):
        return House()
    paper = kept.get("paper")
    return House(
        name=str(kept.get("name", "")),
        lines=tuple(str(line) for line in kept.get("lines", ())),
        footer=str(kept.get("footer", "")),
        paper="us-letter" if paper == "us-letter" else "a4",
    )


def moment_of(state: VisitState, now: dt.datetime) -> dt.datetime:
    """The moment that a paper about a visit speaks of: now, or the last event of a closed visit."""
    return state.last_at if state.closed else now


def figures_for(
    desk: Desk, state: VisitState, problem_id: str, at: dt.datetime, *, route: bool = False
) -> ProblemFigures:
    """What was computed for one problem. route: with the whole route, which takes longer."""
    problem = state.problems[problem_id]
    model = desk.model(problem, at)
    if model is None:
        return ProblemFigures(no_chances=chances_withheld(problem, at.date()), edition=desk.edition.id)
    belief = desk.belief(problem, model)
    situation = desk.situation(problem, at)
    planned = desk.plan_with_route if route else desk.plan
    return figures_of(
        model,
        belief,
        desk.explained(model, belief),
        desk.decision(problem, model, belief),
        planned(problem, model, belief, situation),
        model.edition,
    )
