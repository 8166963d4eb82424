"""One condition opened: what it is, where its starting chance comes from, what each finding moved, what would be done.

Public: ConditionPage, condition_page, chance_set.
"""

from __future__ import annotations

import datetime as dt
import math
import uuid
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from endfeel.belief import RegionModel
from endfeel.belief.context import Context
from endfeel.visits.events import ContextSet
from endfeel.visits.problem import ProblemState
from endfeel.visits.safety import chances_withheld
from endfeel.visits.state import VisitState
from endfeel.web import words
from endfeel.web.clinic_chances import ALL_AGES, ages_of
from endfeel.web.desk import Desk
from endfeel.web.forms import Sent
from endfeel.web.refused import Refused
from endfeel.web.visit_head import Head, head


@dataclass(frozen=True)
class MoveLine:
    """What one finding did to this condition's chance: words, and a bar from -1 to 1 (±3 on the log-odds scale)."""

    observable: str
    name: str
    result: str
    words: str
    log_odds: float
    bar: float
    direct: bool
    href: str


@dataclass(frozen=True)
class StartRow:
    """One published line behind a starting chance."""

    words: str
    url: str


@dataclass(frozen=True)
class ConditionPage:
    """The page of one condition in one visit."""

    head: Head
    condition: str
    name: str
    plain: str
    picture: str
    icd10: str
    review: str
    chance: str
    start: str
    start_source: str
    start_assumed: bool
    start_rows: tuple[StartRow, ...]
    start_table: str
    prior_notes: tuple[str, ...]
    moves: tuple[MoveLine, ...]
    discounts: tuple[str, ...]
    care_name: str
    care_plain: str
    care_chance: str | None
    start_care: str
    look_further: str
    set_aside: str
    disagree: tuple[str, ...]
    evidence: str
    post: str
    by_hand: bool
    per_cent: str
    client_id: str
    back: str


def condition_page(
    desk: Desk, state: VisitState, problem: ProblemState, condition: str, now: dt.datetime
) -> ConditionPage:
    """The page; Refused(404) where the condition is none of the region's."""
    region = desk.catalogue.region(problem.region)
    entry = region.conditions.get(condition)
    model = desk.model(problem, now)
    if model is None:
        raise Refused(409, chances_withheld(problem, now.date()) or "There are no chances for this person.")
    if entry is None or condition not in model.membership:
        raise Refused(404, f"There is no chance of “{condition[:60]}” in this region.")
    belief = desk.belief(problem, model)
    interval = belief.chances[condition]
    base = f"/visits/{state.visit_id}/{problem.problem_id}"
    explained = desk.explained(model, belief)
    starting = model.starting.get(condition)
    care = region.care[entry.care_group]
    group = next((a for a in desk.decision(problem, model, belief).by_group if a.care_group == care.id), None)
    moves = []
    for move in explained.moves:
        if move.condition != condition or abs(move.log_odds_change) < 0.005:
            continue
        moves.append(
            MoveLine(
                move.observable,
                desk.name(problem.region, move.observable),
                move.result,
                _moved(move.log_odds_change) + ("" if move.direct else ", only because other conditions moved"),
                round(move.log_odds_change, 2),
                max(-1.0, min(1.0, move.log_odds_change / 3)),
                move.direct,
                f"{base}/findings/{move.observable}",
            )
        )
    return ConditionPage(
        head=head(desk, state, problem, "bench", now),
        condition=condition,
        name=entry.name,
        plain=entry.plain,
        picture=entry.picture,
        icd10=entry.icd10,
        review=entry.review.status,
        chance=words.chance_line(interval.mean, interval.low, interval.high),
        start=words.chance_line(starting.chance, starting.low, starting.high) if starting else "not set by itself",
        start_source=starting.source_words if starting else "It follows from its parts.",
        start_assumed=bool(starting and starting.assumed),
        start_rows=tuple(
            StartRow(f"{r.n_with} of {r.n_total}: {r.population}", r.source_url)
            for r in (starting.rows if starting else ())
        ),
        start_table=_table(model.context),
        prior_notes=model.prior_notes,
        moves=tuple(sorted(moves, key=lambda m: -abs(m.log_odds))),
        discounts=tuple(d.words for d in explained.discounted if d.condition == condition),
        care_name=care.name,
        care_plain=care.plain,
        care_chance=words.chance(group.chance) if group and abs(group.chance - interval.mean) > 0.03 else None,
        start_care=care.start_care,
        look_further=care.look_further,
        set_aside=care.set_aside,
        disagree=_disagree(desk, model, condition),
        evidence=f"/evidence/{problem.region}/condition/{condition}",
        post=f"{base}/conditions/{condition}/chance",
        by_hand=condition in (problem.context.chances or {}),
        per_cent=f"{100 * starting.chance:.3g}" if starting else "",
        client_id=str(uuid.uuid4()),
        back=f"{base}/bench",
    )


def _disagree(desk: Desk, model: RegionModel, condition: str) -> tuple[str, ...]:
    """Where studies that bear on a condition can not all hold."""
    region = model.region
    out = [
        f"Studies of {desk.name(region, r.observable)} disagree by {abs(r.gap):.1f} on the log-odds scale."
        for r in model.residuals
        if r.condition == condition and r.disagree
    ]
    for crowded in model.crowded:
        if condition in crowded.conditions:
            readings = " or ".join(f"“{desk.name(region, o)}”" for o in crowded.observables)
            named = [desk.catalogue.region(region).conditions[c].name.lower() for c in crowded.conditions]
            out.append(
                f"A scan or test reads only one of {readings}. In people with {' and '.join(named)} the studied rates "
                f"add up to {100 * crowded.total:.0f} in 100, so they were scaled down there."
            )
    if condition == model.none_id:
        out += [
            f"Healthy people were positive on {desk.name(region, g.observable)} much "
            f"{'less' if g.gap < 0 else 'more'} often than studies of patients allow for."
            for g in model.control_gaps
            if g.conflict
        ]
    return tuple(out)


def chance_set(desk: Desk, problem: ProblemState, condition: str, sent: Sent, now: dt.datetime) -> ContextSet:
    """A starting chance set by hand, or given back to the studies; tried first: an impossible one is refused.

    Refused(409) where this person has no chances.
    """
    none = chances_withheld(problem, now.date())
    if none is not None:
        raise Refused(409, none)
    held = dict(problem.context.chances or {})
    if sent.text("reset"):
        held.pop(condition, None)
    else:
        per_cent = sent.number("per_cent", "The starting chance in per cent", 0, 100)
        if per_cent is None:
            raise Refused(400, "The starting chance is missing; give a number from 0 to 100 per cent.")
        held[condition] = per_cent / 100
    event = ContextSet(problem_id=problem.problem_id, chances=held)
    desk.model(replace(problem, context=problem.context.model_copy(update={"chances": held})), now)
    return event


def _table(context: Context) -> str:
    """The address of the clinic's table of starting chances, at these people."""
    people = {"region": context.region, "setting": context.setting, "onset": context.onset}
    return "/chances?" + urlencode({**people, "ages": ages_of(context.age) or ALL_AGES})


def _moved(log_odds: float) -> str:
    """A move on the log-odds scale as times likelier or less likely."""
    times = math.exp(abs(log_odds))
    if times < 1.1:
        return "hardly moved it"
    said = f"{times:.1f}" if times < 9.95 else f"{times:.0f}"
    return f"odds {said} times {'higher' if log_odds > 0 else 'lower'}"
