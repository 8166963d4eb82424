"""From a problem's state to what belief and planning ask for."""

from __future__ import annotations

import datetime as dt

from endfeel.belief.context import Context
from endfeel.catalogue import Catalogue
from endfeel.catalogue.entries import HandsOn
from endfeel.evidence import EvidenceBase, load_evidence
from endfeel.planning.situation import Situation
from endfeel.visits.irritability import irritability_of
from endfeel.visits.problem import ProblemState
from endfeel.visits.safety import precautions_from, screen_views, screens_open, trauma_recent

STRONGLY_PROVOKING = 2  # grade in findings.csv from which consent to provoking tests is asked for


def context_of(problem: ProblemState, on: dt.date | None = None) -> Context:
    """What belief starts from. on: the day of the visit; the day the problem was added where left out.

    A sudden onset without an injury counts as gradual; one that was not told is unknown.
    """
    today = on or problem.added.at.date()
    injury = problem.story.onset == "injury"
    return Context(
        region=problem.region,
        setting=problem.setting,
        age=problem.age(today),
        sex=problem.person.sex,
        onset="injury" if injury else "unknown" if problem.story.onset is None else "gradual",
        days_since_injury=problem.days_since_onset(today) if injury else None,
        chances=problem.context.chances or {},
    )


def situation_of(
    problem: ProblemState, catalogue: Catalogue, now: dt.datetime, evidence: EvidenceBase | None = None
) -> Situation:
    """The moment as planning needs it. evidence: for positions and provocation; the shipped tables where left out.

    Minutes run from when they were set. For a visit that is over, give the time of its last event as now.
    """
    rows = evidence or load_evidence()
    return Situation(
        precautions=precautions_from(problem, catalogue, now),
        irritability=irritability_of(problem, now.date()).level,
        minutes_left=_minutes_left(problem, now),
        position=_position(problem, catalogue, rows),
        screens_open=screens_open(problem, catalogue, now),
        trauma_recent=trauma_recent(problem, now),
        sent_first=_sent_first(problem, catalogue, now),
        withdrawn=_withdrawn(problem, catalogue, rows),
        made_worse=sum(event.after > event.before for event in problem.made_worse),
        done=frozenset(problem.results()),
        age=problem.age(now.date()),
    )


def _sent_first(problem: ProblemState, catalogue: Catalogue, now: dt.datetime) -> str:
    raised = (
        view.screen.name
        for view in screen_views(problem, catalogue, now)
        if view.state == "flag" and view.override is None and view.sends_for == "emergency"
    )
    return next(raised, "")


def _minutes_left(problem: ProblemState, now: dt.datetime) -> float | None:
    minutes, since = problem.context.minutes, problem.minutes_set_at
    if minutes is None or since is None:
        return None
    gone = max(0.0, (now - since).total_seconds() / 60)  # a clock that went back takes nothing away
    return max(0.0, minutes - gone)


def _position(problem: ProblemState, catalogue: Catalogue, evidence: EvidenceBase) -> str | None:
    where: dict[int, str] = {}
    for recorded in problem.findings.values():
        try:
            row = evidence.finding(recorded.observable, problem.region)
        except KeyError:
            continue
        if row.patient_position != "any" and recorded.event.result != "not-done":
            where[recorded.made.seq] = row.patient_position
    region = catalogue.regions.get(problem.region)
    card_of = {item.id: card.position for card in region.cards for item in card.item} if region else {}
    for (item_id, _), item in problem.base.items():
        if card_of.get(item_id, "any") != "any":
            where[item.made.seq] = card_of[item_id]
    return where[max(where)] if where else None


def _withdrawn(problem: ProblemState, catalogue: Catalogue, evidence: EvidenceBase) -> frozenset[str]:
    withdrawn = set(problem.withdrawn_findings)
    scopes = problem.withdrawn_scopes
    for row in evidence.findings_of(problem.region):
        if "visit" in scopes or ("provoking" in scopes and row.provocation >= STRONGLY_PROVOKING):
            withdrawn.add(row.finding_id)
    region = catalogue.regions.get(problem.region)
    for finding in region.findings.values() if region else ():
        if "visit" in scopes or ("intimate" in scopes and isinstance(finding, HandsOn) and finding.intimate):
            withdrawn.add(finding.id)
    return frozenset(withdrawn)
