"""What comes next: the next finding and what would follow from it, what comes then, what is withheld, or a stop.

Public: Ahead, ahead_of, question_of, POSITION_WORDS.
"""

from __future__ import annotations

import datetime as dt
import math
import uuid
from dataclasses import dataclass

from endfeel.belief.infer import Belief
from endfeel.belief.model import RegionModel
from endfeel.catalogue.entries import Finding, HandsOn, HistoryItem
from endfeel.documents.incidental import Chanced, chanced_for
from endfeel.planning.plan import Offer, Plan
from endfeel.planning.situation import Situation
from endfeel.visits.problem import ProblemState
from endfeel.visits.state import VisitState
from endfeel.web import words
from endfeel.web.desk import Desk
from endfeel.web.house_line import HouseLine, house_line
from endfeel.web.positions_view import PositionQuestion, asked

POSITION_WORDS = {
    "standing": "stand up", "walking": "walk", "sitting": "sit", "supine": "lie face up",
    "side-lying": "lie on the side", "prone": "lie face down", "any": "any position",
}  # fmt: skip
_STAY_WORDS = {
    "standing": "stay standing", "walking": "keep walking", "sitting": "stay seated", "supine": "stay lying face up",
    "side-lying": "stay on the side", "prone": "stay lying face down", "any": "any position",
}  # fmt: skip
_PROVOCATION = ("", "may provoke a little", "may provoke", "strongly provoking, ask first")
FOLLOWING = 6


@dataclass(frozen=True)
class NextCard:
    """The next finding. same: what would be done either way, where both ways lead to the same.

    both: what each position of a test that compares two showed; the result follows from the answers.
    """

    observable: str
    name: str
    how: tuple[str, ...]
    if_positive: str
    if_negative: str
    same: str | None
    question: str | None
    answers: tuple[str, ...]
    both: tuple[PositionQuestion, ...]
    drawing: str | None
    href: str
    first: tuple[str, ...]
    client_id: str


@dataclass(frozen=True)
class OfferLine:
    """One of the findings that come then."""

    observable: str
    name: str
    worth: str
    href: str


@dataclass(frozen=True)
class ThenGroup:
    """Findings of one position; turn says how the patient gets there, where it is not where they are."""

    turn: str | None
    offers: tuple[OfferLine, ...]


@dataclass(frozen=True)
class Stop:
    """Why nothing more is offered, and what is advised now."""

    title: str
    why: str
    advice: str | None


@dataclass(frozen=True)
class WithheldLine:
    """A finding that is not offered, and why."""

    observable: str
    name: str
    because: str


@dataclass(frozen=True)
class Ahead:
    """What comes next for one problem. record, answer: where a result and an answer are posted to.

    by_chance: what the scan shows in people without symptoms, where looking further is what is advised now; None where
    it is not, or where it is no scan.
    """

    next: NextCard | None
    stop: Stop | None
    then: tuple[ThenGroup, ...]
    withheld: tuple[WithheldLine, ...]
    record: str
    answer: str
    decide: str
    plan_card: str
    house: HouseLine | None
    by_chance: tuple[Chanced, ...] | None


def ahead_of(desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime, *, wait: bool) -> Ahead | None:
    """What comes next; None where it is not worked out yet (unless it is waited for) or there are no chances.

    Where there is a next finding, what follows each of its results is worked out in the background.
    """
    model = desk.model(problem, now)
    if model is None:
        return None
    base = f"/visits/{state.visit_id}/{problem.problem_id}"
    belief = desk.belief(problem, model)
    situation = desk.situation(problem, now)
    found = desk.plan(problem, model, belief, situation) if wait else desk.plan_if_known(model, belief, situation)
    if found is None:
        return None
    card = _next(desk, problem, found.next[0], situation, base) if found.next and not found.stop else None
    if card is not None and not state.closed:
        desk.foresee(state.visit_id, problem.problem_id, card.observable)
    return Ahead(
        next=card,
        stop=None if card else _stop(desk, problem, model, belief, found),
        then=_then(desk, problem, _following(found), situation, base),
        withheld=tuple(
            WithheldLine(w.observable, desk.name(problem.region, w.observable), w.because) for w in found.withheld
        ),
        record=f"{base}/record",
        answer=f"{base}/answer",
        decide=f"{base}/decide",
        plan_card=f"{base}/plan-card.pdf",
        house=house_line(desk, problem, situation, base),
        by_chance=_by_chance(desk, problem, model, belief, now.date()),
    )


def _following(found: Plan) -> tuple[Offer, ...]:
    """The next few after the first, filled up with what is not worth it now."""
    return (*found.next[1:], *found.others)[:FOLLOWING]


def question_of(desk: Desk, problem: ProblemState, observable: str) -> HistoryItem | None:
    """The history item behind an observable; None where it is no question."""
    found = _entry(desk, problem, observable)
    return found if isinstance(found, HistoryItem) else None


def _next(desk: Desk, problem: ProblemState, offer: Offer, situation: Situation, base: str) -> NextCard:
    row = desk.row(problem.region, offer.observable)
    question = question_of(desk, problem, offer.observable)
    if question is not None:
        how = ["a question"]
    elif offer.again:
        how = ["a further reading of a test you did"]
    else:
        how = [_position(offer.position, situation.position), words.plural(max(1, math.ceil(offer.minutes)), "minute")]
        if row.provocation:
            how.append(_PROVOCATION[min(row.provocation, 3)])
    if offer.worth_words:
        how.append(offer.worth_words)
    return NextCard(
        observable=offer.observable,
        name=desk.name(problem.region, offer.observable),
        how=tuple(how),
        if_positive=offer.if_positive,
        if_negative=offer.if_negative,
        same=offer.if_positive if offer.if_positive == offer.if_negative else None,
        question=question.ask if question else None,
        answers=question.answers if question else (),
        both=asked(_entry(desk, problem, offer.observable), offer.observable),
        drawing=desk.drawing(problem.region, offer.observable),
        href=f"{base}/findings/{offer.observable}",
        first=_first(desk, problem, offer.observable),
        client_id=str(uuid.uuid4()),
    )


def _entry(desk: Desk, problem: ProblemState, observable: str) -> Finding | None:
    return desk.catalogue.region(problem.region).findings.get(observable.partition(":")[0])


def _first(desk: Desk, problem: ProblemState, observable: str) -> tuple[str, ...]:
    finding = _entry(desk, problem, observable)
    if isinstance(finding, HandsOn) and finding.other_side_first and problem.side in ("left", "right"):
        other = "left" if problem.side == "right" else "right"
        return (f"The {other} side first.",)
    return ()


def _position(position: str, now: str | None) -> str:
    return _STAY_WORDS[position] if position == now else POSITION_WORDS[position]


def _then(
    desk: Desk, problem: ProblemState, offers: tuple[Offer, ...], situation: Situation, base: str
) -> tuple[ThenGroup, ...]:
    """What follows, grouped by position: where the patient is now first, then in the order of worth."""
    groups: dict[str, list[OfferLine]] = {}
    for offer in sorted(offers, key=lambda o: o.position not in (situation.position, "any")):
        position = offer.position if offer.position != "any" else situation.position or "any"
        line = OfferLine(
            offer.observable,
            desk.name(problem.region, offer.observable),
            offer.worth_words,
            f"{base}/findings/{offer.observable}",
        )
        groups.setdefault(position, []).append(line)
    return tuple(
        ThenGroup(None if p in (situation.position, "any") else POSITION_WORDS[p].capitalize(), tuple(lines))
        for p, lines in groups.items()
    )


def _by_chance(
    desk: Desk, problem: ProblemState, model: RegionModel, belief: Belief, today: dt.date
) -> tuple[Chanced, ...] | None:
    overall = desk.decision(problem, model, belief).overall
    if overall.action != "look-further":
        return None
    return chanced_for(problem, desk.catalogue.region(problem.region), overall.care_group, overall.modality, today)


def _stop(desk: Desk, problem: ProblemState, model: RegionModel, belief: Belief, found: Plan) -> Stop:
    overall = desk.decision(problem, model, belief).overall
    region = desk.catalogue.region(problem.region)
    return Stop(
        "Stop here" if found.stop else "Nothing to offer now",
        found.why[0].upper() + found.why[1:] + ("" if found.why.endswith(".") else "."),
        f"{region.care[overall.care_group].name}: {overall.words}",
    )
