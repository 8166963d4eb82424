"""The top of every page of a visit: who, what day, safety in words, the steps and what of them was not asked.

Public: Head, head.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from endfeel.visits.problem import ProblemState
from endfeel.visits.state import VisitState
from endfeel.web import words
from endfeel.web.desk import Desk
from endfeel.web.safety_summary import FlagBlock, SafetySummary, flags_of, summary_of
from endfeel.web.visit_ground import EvidenceNotice, visit_notice

STEPS = (
    ("where", "Where"),
    ("story", "Story"),
    ("safety", "Safety"),
    ("neighbours", "Neighbours"),
    ("look", "Look and move"),
    ("bench", "Next findings"),
    ("decide", "Decide"),
    ("agree", "Agree and plan"),
    ("note", "Note"),
)
_ACTIONS = {
    "send-now": "send now",
    "look-further": "look further",
    "start-care": "start care",
    "set-aside": "set aside",
}


@dataclass(frozen=True)
class Step:
    """One step: how far it is, in words, and where it lies."""

    key: str
    name: str
    words: str
    href: str
    current: bool


@dataclass(frozen=True)
class ProblemTab:
    """One of the visit's problems."""

    id: str
    title: str
    href: str
    current: bool


@dataclass(frozen=True)
class Head:
    """What stands above every page of a visit.

    seq: number of the last event that is shown here. evidence: that the visit stands on other figures than
    today's; None where it does not.
    """

    visit_id: str
    problem_id: str | None
    patient: str
    title: str
    here: str
    facts: tuple[str, ...]
    safety: SafetySummary | None
    flags: tuple[FlagBlock, ...]
    problems: tuple[ProblemTab, ...]
    steps: tuple[Step, ...]
    closed: str | None
    seq: int
    evidence: EvidenceNotice | None


def head(desk: Desk, state: VisitState, problem: ProblemState | None, step: str, now: dt.datetime) -> Head:
    """The head of a visit's page; ``problem`` is None before there is one."""
    base = f"/visits/{state.visit_id}"
    tabs = tuple(
        ProblemTab(
            p.problem_id,
            words.side_and_region(p.side, p.region),
            f"{base}/{p.problem_id}/{step}" if step not in ("where", "note") else f"{base}/{p.problem_id}/story",
            problem is not None and p.problem_id == problem.problem_id,
        )
        for p in state.problems.values()
    )
    code = patient_words(state)
    return Head(
        visit_id=state.visit_id,
        problem_id=problem.problem_id if problem else None,
        patient=code,
        title=words.side_and_region(problem.side, problem.region) if problem else code,
        here=dict(STEPS)[step],
        facts=_facts(desk, state, problem, code, now),
        safety=summary_of(desk, state, problem, now) if problem else None,
        flags=flags_of(desk, state, problem, now) if problem else (),
        problems=tabs,
        steps=_steps(desk, state, problem, step, base, now),
        closed=words.day(state.closed_at) if state.closed and state.closed_at else None,
        seq=state.seq,
        evidence=visit_notice(desk, state, problem, now) if problem else None,
    )


def patient_words(state: VisitState) -> str:
    """The patient as the clinic knows them: code, and initials where they were given."""
    return state.opened.patient_code + (f" ({state.opened.initials})" if state.opened.initials else "")


def _facts(desk: Desk, state: VisitState, problem: ProblemState | None, code: str, now: dt.datetime) -> tuple[str, ...]:
    if problem is None:
        return ("where does it hurt?",)
    facts = [code]
    age = problem.age(now.date())
    if age is not None:
        facts.append(f"{age} years")
    if problem.story.onset_date is not None:
        facts.append(words.day_count(problem.story.onset_date, now.date()))
    facts.append(f"{desk.irritability(problem, now).level} irritability")
    left = desk.minutes_left(problem, now)
    if left is not None:
        facts.append(f"{max(0, round(left))} minutes left" if left >= 1 else "planned time is over")
    return tuple(facts)


def _steps(
    desk: Desk, state: VisitState, problem: ProblemState | None, current: str, base: str, now: dt.datetime
) -> tuple[Step, ...]:
    said = {"where": words.plural(len(state.marks), "mark") if state.marks else "not marked"}
    if problem is not None:
        said |= _how_far(desk, state, problem, now)
    out = []
    for key, name in STEPS:
        if key == "where" or problem is None:
            href = f"{base}/where"
        elif key == "note":
            href = f"{base}/note"
        else:
            href = f"{base}/{problem.problem_id}/{key}"
        out.append(Step(key, name, said.get(key, "not asked"), href, key == current))
    return tuple(out)


def _how_far(desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime) -> dict[str, str]:
    region = desk.catalogue.region(problem.region)
    looked = {item for item, _ in problem.base}
    neighbours = [n.id for n in region.neighbours]
    items = [i.id for card in region.cards for i in card.item]
    safety = summary_of(desk, state, problem, now)
    decision = problem.decision
    return {
        "story": "told" if problem.story_told else "not asked",
        "safety": safety.short,
        "neighbours": _of(sum(n in looked for n in neighbours), len(neighbours), "not checked"),
        "look": _of(sum(i in looked for i in items), len(items), "not looked"),
        "bench": f"{len(problem.findings)} recorded" if problem.findings else "none yet",
        "decide": _ACTIONS[decision.event.action] if decision else "not decided",
        "agree": "told" if problem.advice else "not told",
        "note": "closed" if state.closed else "open",
    }


def _of(done: int, total: int, none: str) -> str:
    if not done:
        return none
    return "all" if done >= total else f"{done} of {total}"
