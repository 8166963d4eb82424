"""The bench page: what it could be, what to do next and what would follow, what comes then, what was recorded.

Public: BenchPage, bench_page, last_recorded, result_words.
"""

from __future__ import annotations

import datetime as dt
import math
import uuid
from dataclasses import dataclass

from endfeel.belief.explain import Explanation
from endfeel.belief.infer import Belief
from endfeel.belief.model import RegionModel
from endfeel.visits.look_again import look_again
from endfeel.visits.problem import ProblemState, Recorded
from endfeel.visits.safety import chances_withheld
from endfeel.visits.state import VisitState
from endfeel.web import words
from endfeel.web.ahead_view import Ahead, ahead_of, question_of
from endfeel.web.desk import Desk
from endfeel.web.positions_view import both_seen
from endfeel.web.rail_view import TICKS, Rail, Tick, rail
from endfeel.web.visit_head import Head, head

_RESULT_WORDS = {"negative": "negative", "positive": "positive", "unclear": "unclear", "not-done": "not done"}
LEADING = 5
NOT_DONE = ("no time", "pain", "patient did not wish", "position not possible", "not safe", "not needed")


@dataclass(frozen=True)
class Chip:
    """One recorded finding."""

    observable: str
    name: str
    result: str
    dashed: bool
    href: str
    seq: int


@dataclass(frozen=True)
class WhyNot:
    """A finding that was not done and has no reason yet: one more tap gives it."""

    observable: str
    seq: int
    reasons: tuple[str, ...]
    client_id: str


@dataclass(frozen=True)
class Undo:
    """What can be taken back with one tap."""

    seq: int
    words: str
    post: str
    client_id: str


@dataclass(frozen=True)
class LookAgainLine:
    """A finding that a fresh injury may have hidden, and when to look again."""

    name: str
    when: str


@dataclass(frozen=True)
class BenchPage:
    """The bench page. no_chances: why there are none, in one sentence; None where there are."""

    head: Head
    record: str
    answer: str
    search: str
    decide: str
    no_chances: str | None
    ticks: tuple[Tick, ...]
    rails: tuple[Rail, ...]
    more_rails: tuple[Rail, ...]
    last: str | None
    last_href: str | None
    last_link: str
    why_not: WhyNot | None
    remarks: tuple[str, ...]
    ahead: Ahead | None
    ahead_href: str
    recorded: tuple[Chip, ...]
    undo: Undo | None
    look_again: tuple[LookAgainLine, ...]
    said: str


def bench_page(
    desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime, *, wait: bool = False
) -> BenchPage:
    """The page for one problem. What comes next is left out where it is not worked out yet, unless it is waited for."""
    base = f"/visits/{state.visit_id}/{problem.problem_id}"
    last = last_recorded(problem)
    model = desk.model(problem, now)
    rails: list[Rail] = []
    sentence: str | None = None
    remarks: tuple[str, ...] = ()
    ahead = None
    if model is not None:
        belief = desk.belief(problem, model)
        before = _before(desk, problem, model, last)
        rails = _rails(desk, problem, model, belief, before, base)
        sentence = _last_words(desk, problem, model, belief, before, last)
        remarks = _remarks(desk, problem, desk.explained(model, belief), last)
        ahead = ahead_of(desk, state, problem, now, wait=wait)
    lead, rest = _split(rails, model)
    return BenchPage(
        head=head(desk, state, problem, "bench", now),
        record=f"{base}/record",
        answer=f"{base}/answer",
        search=f"{base}/find",
        decide=f"{base}/decide",
        no_chances=chances_withheld(problem, now.date()),
        ticks=TICKS,
        rails=lead,
        more_rails=rest,
        last=sentence,
        last_href=f"{base}/findings/{last.observable}" if last and "answer" not in last.event.observations else None,
        last_link="Note both positions" if _lacks_a_position(desk, problem, last) else "Add what was seen",
        why_not=_why_not(desk, problem, last),
        remarks=remarks,
        ahead=ahead,
        ahead_href=f"{base}/ahead",
        recorded=tuple(_chip(desk, problem, r, base) for r in _in_order(problem)),
        undo=_undo(desk, problem, last, base),
        look_again=_look_again(desk, problem),
        said=sentence or "",
    )


def last_recorded(problem: ProblemState) -> Recorded | None:
    """The finding that was recorded last and stands."""
    return max(problem.findings.values(), key=lambda r: r.made.seq, default=None)


def result_words(recorded: Recorded) -> str:
    """A result for a reader: the answer of a history item, else the result."""
    given = recorded.event.observations.get("answer")
    return str(given) if given is not None else _RESULT_WORDS[recorded.result]


def _before(desk: Desk, problem: ProblemState, model: RegionModel, last: Recorded | None) -> Belief | None:
    if last is None or last.observable not in model.place:
        return None
    results = {o: r for o, r in problem.results().items() if o in model.place and o != last.observable}
    return desk.believed(model, results)


def _rails(
    desk: Desk, problem: ProblemState, model: RegionModel, belief: Belief, before: Belief | None, base: str
) -> list[Rail]:
    region = desk.catalogue.region(problem.region)
    costs = desk.costs(problem.region)
    decision = desk.decision(problem, model, belief)
    group = {g.care_group: g.chance for g in decision.by_group}
    out = []
    for condition in (*model.conditions, model.none_id):
        entry = region.conditions[condition]
        now = belief.chances[condition]
        out.append(
            rail(
                condition,
                entry.plain,
                now,
                before.chances[condition].mean if before else None,
                group.get(entry.care_group, now.mean),
                costs.thresholds(
                    entry.care_group, paid=costs.modality[entry.care_group] in decision.look_further_with
                ),
                f"{base}/conditions/{condition}",
            )
        )
    return sorted(out, key=lambda r: -r.mean)


def _split(rails: list[Rail], model: RegionModel | None) -> tuple[tuple[Rail, ...], tuple[Rail, ...]]:
    """The leading rails, “no specific structure” always among them, and the rest."""
    if model is None:
        return (), ()
    lead = rails[:LEADING]
    if all(r.id != model.none_id for r in lead):
        lead = [*rails[: LEADING - 1], next(r for r in rails if r.id == model.none_id)]
    return tuple(lead), tuple(r for r in rails if r not in lead)


def _last_words(
    desk: Desk, problem: ProblemState, model: RegionModel, belief: Belief, before: Belief | None, last: Recorded | None
) -> str | None:
    """What the last finding changed, in one sentence."""
    if last is None:
        return None
    name = desk.name(problem.region, last.observable)
    result = result_words(last)
    start = f"{name}: {result}."
    if last.result in ("unclear", "not-done"):
        return f"{start} That is no evidence either way."
    if before is None:
        return f"{start} No study says what it is worth here, so it moves nothing."
    region = desk.catalogue.region(problem.region)
    moves = {
        c: _log_odds(belief.chances[c].mean) - _log_odds(before.chances[c].mean)
        for c in (*model.conditions, model.none_id)
    }
    most = max(moves, key=lambda c: abs(moves[c]))
    if abs(moves[most]) < 0.1:
        return f"{start} It changed hardly anything."
    plain = region.conditions[most].plain
    plain = plain[0].lower() + plain[1:]
    was, is_now = words.chance(before.chances[most].mean), words.chance(belief.chances[most].mean)
    verb = "raised" if moves[most] > 0 else "lowered"
    if was == is_now:
        return f"{start} It {verb} {plain} a little; it is still {is_now}."
    return f"{start} It {verb} {plain} from {was} to {is_now}."


def _remarks(desk: Desk, problem: ProblemState, explained: Explanation, last: Recorded | None) -> tuple[str, ...]:
    """Overlap with earlier findings, and findings that sit badly together."""
    out = []
    if last is not None:
        out += [d.words for d in explained.discounted if last.observable in d.observables][:1]
    if explained.surprise is not None:
        out.append(explained.surprise.words)
    return tuple(out)


def _chip(desk: Desk, problem: ProblemState, recorded: Recorded, base: str) -> Chip:
    side = ""
    if problem.side in ("left", "right") and recorded.side in ("left", "right") and recorded.side != problem.side:
        side = f", {recorded.side}"
    return Chip(
        recorded.observable,
        desk.name(problem.region, recorded.observable) + side,
        result_words(recorded),
        recorded.result in ("unclear", "not-done"),
        f"{base}/findings/{recorded.observable}",
        recorded.made.seq,
    )


def _in_order(problem: ProblemState) -> list[Recorded]:
    return sorted(problem.findings.values(), key=lambda r: r.made.seq)


def _lacks_a_position(desk: Desk, problem: ProblemState, last: Recorded | None) -> bool:
    """Whether a test that compares two positions was recorded without saying what both showed."""
    if last is None or last.result not in ("positive", "negative"):
        return False
    finding = desk.catalogue.region(problem.region).findings.get(last.observable.partition(":")[0])
    return not both_seen(finding, last.observable, last.event.observations)


def _why_not(desk: Desk, problem: ProblemState, last: Recorded | None) -> WhyNot | None:
    if last is None or last.event.result != "not-done" or last.event.not_done_because:
        return None
    if question_of(desk, problem, last.observable) is not None:
        return None
    return WhyNot(last.observable, last.made.seq, NOT_DONE, str(uuid.uuid4()))


def _undo(desk: Desk, problem: ProblemState, last: Recorded | None, base: str) -> Undo | None:
    if last is None:
        return None
    said = f"{desk.name(problem.region, last.observable)}: {result_words(last)}"
    return Undo(last.made.seq, said, f"{base}/undo", str(uuid.uuid4()))


def _look_again(desk: Desk, problem: ProblemState) -> tuple[LookAgainLine, ...]:
    return tuple(
        LookAgainLine(desk.name(problem.region, due.observable), f"{words.day(due.first)} to {words.day(due.last)}")
        for due in look_again(problem, desk.catalogue)
    )


def _log_odds(p: float) -> float:
    clipped = min(1 - 1e-9, max(1e-9, p))
    return math.log(clipped / (1 - clipped))
