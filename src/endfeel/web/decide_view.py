"""Decide: what is advised and by what costs, send now where a flag stands, and what was decided.

Public: DecidePage, decide_page, decided.
"""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass

from endfeel.belief.infer import Belief
from endfeel.belief.model import RegionModel
from endfeel.documents.incidental import Chanced, chanced_for
from endfeel.documents.wording import ACTIONS, modality_name
from endfeel.planning.decide import Advice
from endfeel.visits.events import Decided
from endfeel.visits.problem import Decision, ProblemState
from endfeel.visits.safety import chances_withheld
from endfeel.visits.state import VisitState
from endfeel.web import words
from endfeel.web.desk import Desk
from endfeel.web.forms import Sent
from endfeel.web.refused import Refused
from endfeel.web.safety_summary import SENDS, raised_words
from endfeel.web.thresholds import bare, threshold_words
from endfeel.web.visit_head import Head, head

_SPANS = ((7, "1 week"), (14, "2 weeks"), (28, "4 weeks"), (42, "6 weeks"))


@dataclass(frozen=True)
class ActionChoice:
    """One thing that can be done, what it means, and whether it is what the costs advise."""

    action: str
    name: str
    words: str
    advised: bool


@dataclass(frozen=True)
class CareChoice:
    """One care group: its chance, what each action means, and the costs behind the advice in words.

    by_chance: what the scan that would be asked for shows in people without symptoms; None where it is no scan.
    """

    id: str
    name: str
    plain: str
    chance: str
    about: tuple[str, ...]
    choices: tuple[ActionChoice, ...]
    advised: str
    costs: str
    costs_href: str
    modality: str
    by_chance: tuple[Chanced, ...] | None
    review_on: str
    leading: bool
    acted: bool
    client_id: str


@dataclass(frozen=True)
class SendChoice:
    """A raised screen: sending now, or going on for a typed reason."""

    screen_id: str
    title: str
    clinician: str
    patient: str
    raised_by: tuple[str, ...]
    overridden: str | None
    client_id: str
    override_id: str


@dataclass(frozen=True)
class DecisionLine:
    """A decision as taken. under: the thresholds that it was taken under, in one line; empty for sending now."""

    what: str
    words: str
    when: str
    standing: bool
    under: str


@dataclass(frozen=True)
class DecidePage:
    """The page “Decide”."""

    head: Head
    post: str
    override: str
    onward: str
    no_chances: str | None
    sends: tuple[SendChoice, ...]
    groups: tuple[CareChoice, ...]
    spans: tuple[tuple[str, str], ...]
    today: str
    modalities: tuple[tuple[str, str], ...]
    plain_care: tuple[tuple[str, str], ...]
    decisions: tuple[DecisionLine, ...]
    scans: str
    client_id: str


def decide_page(desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime) -> DecidePage:
    """The page for one problem."""
    base = f"/visits/{state.visit_id}/{problem.problem_id}"
    model = desk.model(problem, now)
    choices: list[CareChoice] = []
    if model is not None:
        belief = desk.belief(problem, model)
        advised = desk.decision(problem, model, belief).by_group
        choices = [
            _care(desk, problem, model, belief, a, i == 0, now.date(), state.visit_id) for i, a in enumerate(advised)
        ]
    region = desk.catalogue.region(problem.region)
    return DecidePage(
        head=head(desk, state, problem, "decide", now),
        post=f"{base}/decide",
        override=f"{base}/safety/override",
        onward=f"{base}/agree",
        no_chances=chances_withheld(problem, now.date()),
        sends=_sends(desk, state, problem, now),
        groups=tuple(choices),
        spans=tuple(((now.date() + dt.timedelta(days=n)).isoformat(), said) for n, said in _SPANS),
        today=now.date().isoformat(),
        modalities=tuple((m.id, m.name) for m in desk.catalogue.modalities.values()),
        plain_care=tuple((g.id, g.name) for g in region.care.values()),
        decisions=tuple(_line(desk, state, problem, d, d is problem.decision) for d in problem.decisions),
        scans=f"/scans?region={problem.region}",
        client_id=str(uuid.uuid4()),
    )


def decided(desk: Desk, state: VisitState, problem: ProblemState, sent: Sent, now: dt.datetime) -> Decided:
    """A decision as posted. Sending now needs a raised screen, starting care a day; a flag forbids setting aside."""
    action = sent.choice("action", "The decision", tuple(ACTIONS))
    if action is None:
        raise Refused(400, "Nothing was decided; choose what is to be done.")
    raised = {v.screen.id: v for v in desk.screens(state, problem, now) if v.state == "flag"}
    standing = [v.screen.name for v in raised.values() if v.override is None]
    screen_id = sent.text("screen")
    if action == "send-now" and screen_id not in raised:
        raise Refused(409, "Sending now follows only from a raised safety screen; answer the screen first.")
    if action == "set-aside" and standing:
        raise Refused(409, f"“{standing[0]}” is raised: it can not be set aside. Send, or go on for a typed reason.")
    care = sent.text("care_group")
    if care is not None and care not in desk.catalogue.region(problem.region).care:
        raise Refused(404, f"There is no care group “{care[:60]}” in this region.")
    modality = sent.text("modality") if action == "look-further" else None
    if modality is not None and modality not in desk.catalogue.modalities:
        raise Refused(404, f"There is no way of looking further “{modality[:60]}”.")
    review = sent.day("review_on", "The day to look again") or sent.day("review_span", "The day to look again")
    if action == "start-care" and review is None:
        raise Refused(400, "Starting care needs the day on which to look again; choose it and decide once more.")
    if review is not None and review < now.date():
        raise Refused(400, f"The day to look again, {words.day(review)}, has passed; choose a later one.")
    return Decided(
        problem_id=problem.problem_id,
        action=action,  # type: ignore[arg-type]
        care_group=care,
        modality=modality,
        review_on=review,
        screen_id=screen_id if action == "send-now" else None,
        words=sent.text("words") or "",
    )


def _care(
    desk: Desk,
    problem: ProblemState,
    model: RegionModel,
    belief: Belief,
    advice: Advice,
    leading: bool,
    today: dt.date,
    visit_id: str,
) -> CareChoice:
    region = desk.catalogue.region(problem.region)
    care = region.care[advice.care_group]
    costs = desk.costs(problem.region)
    members = [c for c in (*model.conditions, model.none_id) if region.conditions[c].care_group == care.id]
    members.sort(key=lambda c: -belief.chances[c].mean)
    modality = desk.catalogue.modalities.get(care.modality)
    thresholds = costs.thresholds(care.id)
    middle = thresholds.low < thresholds.high
    meaning = {"look-further": care.look_further, "start-care": care.start_care, "set-aside": care.set_aside}
    said = (
        f"A miss counts as {costs.harm_of_a_miss[care.id]:g} routine imaging referrals, wrong care as "
        f"{costs.harm_of_wrong_care[care.id]:g}"
    )
    if middle and modality is not None:
        said += (
            f", looking further ({modality.name.lower() if modality.name[1:2].islower() else modality.name}) as "
            f"{costs.modality_cost[modality.id]:g}. So: set aside below {bare(thresholds.low)}, start care above "
            f"{bare(thresholds.high)}, look further between."
        )
    else:
        said += f". So: start care above {bare(thresholds.high)}; looking further costs more than it could save."
    if advice.action == "look-further" and not thresholds.low <= advice.chance <= thresholds.high:
        said += " Here it is advised since one way of looking answers doubts about several kinds of care together."
    if advice.least:
        said += " No care reaches its chance by itself; this one risks least, so that nobody is left without any."
    whose = "These costs are our stated assumption."
    if desk.clinic_set(problem.region):
        whose = "These costs are your clinic's, or our stated assumption where it set none."
    return CareChoice(
        id=care.id,
        name=care.name,
        plain=care.plain,
        chance=words.chance(min(1.0, max(0.0, advice.chance))),
        about=tuple(
            f"{region.conditions[c].plain}: {words.chance(min(1.0, belief.chances[c].mean))}" for c in members[:4]
        ),
        choices=tuple(
            ActionChoice(action, ACTIONS[action], meaning[action], action == advice.action)
            for action in ("look-further", "start-care", "set-aside")
        ),
        advised=ACTIONS[advice.action],
        costs=f"{said} {whose}",
        costs_href=f"/costs/{problem.region}?visit={visit_id}/{problem.problem_id}#{care.id}",
        modality=care.modality,
        by_chance=chanced_for(problem, region, care.id, care.modality, today),
        review_on=(today + dt.timedelta(days=care.look_again_days)).isoformat(),
        leading=leading,
        acted=advice.action != "set-aside",
        client_id=str(uuid.uuid4()),
    )


def _sends(desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime) -> tuple[SendChoice, ...]:
    out = []
    for view in desk.screens(state, problem, now):
        if view.flag is None:
            continue
        out.append(
            SendChoice(
                view.screen.id,
                f"{SENDS[view.sends_for]}: {view.screen.name}",
                view.screen.clinician,
                view.screen.patient,
                raised_words(desk, problem, view),
                view.override.reason if view.override else None,
                str(uuid.uuid4()),
                str(uuid.uuid4()),
            )
        )
    return tuple(out)


def _line(desk: Desk, state: VisitState, problem: ProblemState, taken: Decision, standing: bool) -> DecisionLine:
    event = taken.event
    region = desk.catalogue.region(problem.region)
    what = words.capital(ACTIONS[event.action])
    if event.care_group and event.care_group in region.care:
        what += f": {region.care[event.care_group].name}"
    if event.modality:
        what += f", {modality_name(desk.catalogue.modalities.get(event.modality), event.modality)}"
    if event.screen_id and event.screen_id in desk.catalogue.screens:
        what += f": {desk.catalogue.screens[event.screen_id].name}"
    if event.review_on:
        what += f", look again on {words.day(event.review_on)}"
    return DecisionLine(
        what, event.words, f"{taken.made.at.astimezone():%H:%M}", standing, _under(desk, state, problem, event)
    )


def _under(desk: Desk, state: VisitState, problem: ProblemState, event: Decided) -> str:
    """The thresholds of the visit, and today's beside them where those differ."""
    group = event.care_group
    costs, today = desk.costs(problem.region), desk.today().costs(problem.region)
    if event.action == "send-now" or group is None or group not in costs.harm_of_a_miss:
        return ""
    said = threshold_words(costs, group)
    if desk.bases.of_visit(state.visit_id).trouble:
        return f"Today's thresholds: {said}. Those of then were not kept."
    now = threshold_words(today, group) if group in today.harm_of_a_miss else "no such kind of care"
    return f"Thresholds of this visit: {said}." + (f" Today's: {now}." if now != said else "")
