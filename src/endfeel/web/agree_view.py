"""Agree and plan: what the patient was told, what should bring them back, treatment begun, and closing the visit.

Public: AgreePage, agree_page, advised, treated, outcome.
"""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass

from endfeel.documents.responses import response_words, studied_responses
from endfeel.visits.events import AdviceGiven, OutcomeRecorded, TreatmentRecorded
from endfeel.visits.problem import ProblemState
from endfeel.visits.state import VisitState
from endfeel.web import words
from endfeel.web.desk import Desk
from endfeel.web.forms import Sent
from endfeel.web.refused import Refused
from endfeel.web.visit_head import Head, head

RESPONSES = (("better", "Better"), ("same", "The same"), ("worse", "Worse"))


@dataclass(frozen=True)
class TreatmentLine:
    """A treatment as recorded."""

    words: str
    response: str


@dataclass(frozen=True)
class OpenProblem:
    """Something that is not settled yet when the visit is about to be closed."""

    words: str
    href: str


@dataclass(frozen=True)
class AgreePage:
    """The page “Agree and plan”. told: whether advice was recorded; the texts are a proposal until then.

    moves: what a recorded treatment response does to the chances. studied: findings of that kind (name, address).
    """

    head: Head
    post: str
    treatment: str
    close: str
    onward: str
    decision: str | None
    told: bool
    advice: str
    come_back_if: str
    treatments: tuple[TreatmentLine, ...]
    responses: tuple[tuple[str, str], ...]
    moves: str
    studied: tuple[tuple[str, str], ...]
    unsettled: tuple[OpenProblem, ...]
    closed: bool
    client_id: str
    treatment_id: str
    close_id: str


def agree_page(desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime) -> AgreePage:
    """The page for one problem."""
    base = f"/visits/{state.visit_id}/{problem.problem_id}"
    last = problem.advice[-1] if problem.advice else None
    region = desk.catalogue.region(problem.region)
    decision = problem.decision
    care = region.care.get(decision.event.care_group or "") if decision else None
    advice, back = "", ""
    if last is not None:
        advice, back = last.advice, last.come_back_if
    elif decision is not None and decision.event.action == "send-now":
        screen = desk.catalogue.screens.get(decision.event.screen_id or "")
        advice = screen.patient if screen else ""
    elif care is not None and decision is not None:
        meaning = {"look-further": care.look_further, "start-care": care.start_care}.get(decision.event.action, "")
        advice = f"{care.plain} {meaning}".strip()
        back = care.set_aside
    return AgreePage(
        head=head(desk, state, problem, "agree", now),
        post=f"{base}/agree",
        treatment=f"{base}/treatment",
        close=f"/visits/{state.visit_id}/close",
        onward=f"/visits/{state.visit_id}/note",
        decision=_decision_words(problem, care.name if care else None),
        told=last is not None,
        advice=advice,
        come_back_if=back,
        treatments=tuple(_treatment(t) for t in problem.treatments),
        responses=RESPONSES,
        moves=response_words(desk.evidence, problem.region),
        studied=tuple(
            (desk.name(problem.region, found), f"{base}/findings/{found}")
            for found in studied_responses(desk.evidence, problem.region)
        ),
        unsettled=_unsettled(desk, state, now),
        closed=state.closed,
        client_id=str(uuid.uuid4()),
        treatment_id=str(uuid.uuid4()),
        close_id=str(uuid.uuid4()),
    )


def advised(problem: ProblemState, sent: Sent) -> AdviceGiven:
    """Advice as posted."""
    return AdviceGiven(
        problem_id=problem.problem_id,
        advice=sent.needed("advice", "What the patient was told"),
        come_back_if=sent.text("come_back_if") or "",
    )


def treated(problem: ProblemState, sent: Sent) -> TreatmentRecorded:
    """A treatment as posted."""
    return TreatmentRecorded(
        problem_id=problem.problem_id,
        what=sent.needed("what", "The treatment"),
        dose=sent.text("dose"),
        days=sent.number("days", "Days", 0, 10_000),
        response=sent.choice("response", "The response", ("better", "same", "worse")),  # type: ignore[arg-type]
    )


def outcome(desk: Desk, state: VisitState, sent: Sent, today: dt.date) -> OutcomeRecorded:
    """What turned out later, as posted from the note."""
    problem = desk.problem(state, sent.needed("problem", "The problem"))
    condition = sent.needed("condition", "The condition")
    if condition not in desk.catalogue.region(problem.region).conditions:
        raise Refused(404, f"There is no condition “{condition[:60]}” in this region.")
    on = sent.day("on", "The day it was found") or today
    if on > today:
        raise Refused(400, f"What turned out on {words.day(on)} lies in the future; choose an earlier day.")
    present = sent.choice("present", "Whether it was there", ("yes", "no", "not-verified"))
    if present is None:
        raise Refused(400, "Whether it was there is missing; choose yes, no or not verified.")
    return OutcomeRecorded(
        problem_id=problem.problem_id,
        source=sent.needed("source", "How it was found")[:200],
        on=on,
        condition=condition,
        present={"yes": True, "no": False}.get(present),
        blind={"yes": True, "no": False}.get(sent.choice("blind", "Blind", ("yes", "no")) or ""),
        not_verified_because=sent.text("why") if present == "not-verified" else None,
    )


def _decision_words(problem: ProblemState, care: str | None) -> str | None:
    decision = problem.decision
    if decision is None:
        return None
    said = {
        "send-now": "Send now",
        "look-further": "Look further",
        "start-care": "Start care and look again",
        "set-aside": "Set aside for now",
    }[decision.event.action]
    if care:
        said += f": {care}"
    return said + (f", on {words.day(decision.event.review_on)}" if decision.event.review_on else "")


def _treatment(event: TreatmentRecorded) -> TreatmentLine:
    said = event.what + (f", {event.dose}" if event.dose else "")
    if event.days is not None:
        said += f", {words.plural(round(event.days), 'day')}"
    return TreatmentLine(said, {"better": "better", "same": "the same", "worse": "worse"}.get(event.response or "", ""))


def _unsettled(desk: Desk, state: VisitState, now: dt.datetime) -> tuple[OpenProblem, ...]:
    """What of any problem stays open: a flag without a sending, screens not asked, no decision."""
    out = []
    for problem in state.problems.values():
        base = f"/visits/{state.visit_id}/{problem.problem_id}"
        title = words.side_and_region(problem.side, problem.region)
        sent_for = {d.event.screen_id for d in problem.decisions if d.event.action == "send-now"}
        for view in desk.screens(state, problem, now):
            if view.state == "flag" and view.override is None and view.screen.id not in sent_for:
                out.append(
                    OpenProblem(f"{title}: “{view.screen.name}” is raised and nobody was sent", f"{base}/decide")
                )
        left = sum(len(v.not_asked) for v in desk.screens(state, problem, now))
        if left:
            out.append(OpenProblem(f"{title}: {words.plural(left, 'safety question')} not asked", f"{base}/safety"))
        if problem.decision is None:
            out.append(OpenProblem(f"{title}: not decided", f"{base}/decide"))
    return tuple(out)
