"""What the clinic's own studies moved: pooled figures and the chances of a visit, before and after.

Public: PairMove, ChanceMove, VisitMoves, EvidenceNotice, pair_move, pair_moves, visit_moves, visit_notice.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

from endfeel.pooling.summary import PooledAccuracy, pool
from endfeel.visits.problem import ProblemState
from endfeel.visits.safety import chances_withheld
from endfeel.visits.situation import context_of
from endfeel.visits.state import VisitState
from endfeel.web import words
from endfeel.web.clinic_evidence import Standing
from endfeel.web.desk import Desk
from endfeel.web.evidence_words import condition_name, ratio_words

# Chances that move less than this on the log-odds scale are told as unchanged (about a tenth of the odds).
STILL = 0.1


@dataclass(frozen=True)
class PairMove:
    """A pair's ratios before and after; before is empty where no study had measured it, after where none is left."""

    observable: str
    name: str
    condition: str
    condition_name: str
    positive_before: str
    positive_after: str
    negative_before: str
    negative_after: str
    sentence_before: str
    sentence_after: str
    k_before: int
    k_after: int
    href: str


@dataclass(frozen=True)
class ChanceMove:
    """One condition's chance in a visit, with the evidence it began with and with that of today."""

    condition: str
    name: str
    before: str
    after: str
    moved: bool


@dataclass(frozen=True)
class VisitMoves:
    """What changed in the evidence since a visit began. words: the gist, in one line.

    known: False where this installation does not hold the edition that the visit began with.
    """

    began_with: str
    now: str
    known: bool
    words: str
    chances: tuple[ChanceMove, ...]
    pairs: tuple[PairMove, ...]


@dataclass(frozen=True)
class EvidenceNotice:
    """The line on the pages of an open visit whose evidence changed since it began, and where it is told in full."""

    words: str
    href: str


def pair_move(desk: Desk, standing: Standing, observable: str, condition: str) -> PairMove | None:
    """What the clinic's studies made of a shipped pair; None where they do not touch it."""
    if (observable, condition) not in standing.pooled.moved:
        return None
    shipped = desk.own.at(desk.own.shipped.id)
    return _move(desk, shipped, standing, observable, condition) if shipped else None


def pair_moves(desk: Desk, before: Standing, after: Standing) -> tuple[PairMove, ...]:
    """Every pair whose lines differ between two moments, in table order."""
    touched = dict.fromkeys([*before.pooled.moved, *after.pooled.moved])
    found = []
    for observable, condition in touched:
        move = _move(desk, before, after, observable, condition)
        if (move.positive_before, move.negative_before, move.k_before) != (
            move.positive_after,
            move.negative_after,
            move.k_after,
        ):
            found.append(move)
    return tuple(found)


def visit_moves(desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime) -> VisitMoves | None:
    """What changed since the visit began; None where it is on today's evidence."""
    began, today = problem.edition, desk.own.now()
    if not began or began == today.edition.id:
        return None
    earlier = desk.own.at(began)
    if earlier is None:
        said = "This visit began with an edition that is not here any more; its chances are those of today's edition."
        return VisitMoves(began, today.edition.id, False, said, (), ())
    chances: tuple[ChanceMove, ...] = ()
    if chances_withheld(problem, now.date()) is None:
        chances = _chances(desk, problem, earlier, today, now)
    pairs = tuple(m for m in pair_moves(desk, earlier, today) if m.href.startswith(f"/evidence/{problem.region}/"))
    moved = [c for c in chances if c.moved]
    if moved:
        first = moved[0]
        said = "The evidence changed since this visit began. "
        said += f"{first.name} would now be {first.after}, not {first.before}"
        said += f", and {words.plural(len(moved) - 1, 'other chance')} would differ." if len(moved) > 1 else "."
    elif pairs:
        said = "The evidence changed since this visit began; no chance of this visit would differ by much."
    else:
        said = "The evidence changed since this visit began; nothing that this visit rests on differs by much."
    return VisitMoves(began, today.edition.id, True, said, chances, pairs)


def visit_notice(desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime) -> EvidenceNotice | None:
    """The notice of an open visit; None where it is on today's evidence or closed.

    What would differ is named as soon as it has been worked out in the background.
    """
    if state.closed or problem.edition in ("", desk.edition.id):
        return None
    ready = ("evidence changed", problem.edition, desk.edition.id, state.visit_id, problem.problem_id)
    words_now = "The evidence changed since this visit began."
    if desk.kept.known(ready):
        found = visit_moves(desk, state, problem, now)
        words_now = found.words if found else words_now
    else:
        desk.kept.ahead(lambda: desk.kept.put(ready, visit_moves(desk, state, problem, now) is not None))
    return EvidenceNotice(words_now, f"/visits/{state.visit_id}/{problem.problem_id}/evidence")


def _chances(
    desk: Desk, problem: ProblemState, before: Standing, after: Standing, now: dt.datetime
) -> tuple[ChanceMove, ...]:
    context = context_of(problem, now.date())
    one, two = desk.model_with(before, context), desk.model_with(after, context)
    old, new = desk.belief(problem, one), desk.belief(problem, two)
    found = []
    for condition in sorted(two.membership, key=lambda c: -new.chances[c].mean):
        if condition not in old.chances:
            continue
        a, b = old.chances[condition], new.chances[condition]
        old_words, new_words = words.chance_line(a.mean, a.low, a.high), words.chance_line(b.mean, b.low, b.high)
        shift = _log_odds(b.mean) - _log_odds(a.mean)
        moved = abs(shift) >= STILL
        if moved and old_words == new_words:
            new_words += ", a little higher" if shift > 0 else ", a little lower"
        name = condition_name(desk, problem.region, condition)
        found.append(ChanceMove(condition, name, old_words, new_words, moved))
    return tuple(sorted(found, key=lambda c: not c.moved))


def _move(desk: Desk, before: Standing, after: Standing, observable: str, condition: str) -> PairMove:
    region = _region(before, after, observable, condition)
    old, new = _pooled(desk, before, observable, condition), _pooled(desk, after, observable, condition)
    return PairMove(
        observable=observable,
        name=desk.name(region, observable),
        condition=condition,
        condition_name=condition_name(desk, region, condition),
        positive_before=ratio_words(old.lr_positive) if old else "",
        positive_after=ratio_words(new.lr_positive) if new else "",
        negative_before=ratio_words(old.lr_negative) if old else "",
        negative_after=ratio_words(new.lr_negative) if new else "",
        sentence_before=old.sentence if old else "No study measured it.",
        sentence_after=new.sentence if new else "No study is left.",
        k_before=old.k if old else 0,
        k_after=new.k if new else 0,
        href=f"/evidence/{region}/finding/{observable}#{condition}",
    )


def _pooled(desk: Desk, standing: Standing, observable: str, condition: str) -> PooledAccuracy | None:
    def make() -> PooledAccuracy | str:
        try:
            found = pool(standing.edition, standing.evidence, observable, condition)
        except KeyError:
            return ""
        return found if found.k else ""

    found = desk.kept.once(("pooled at", standing.edition.id, observable, condition), make)
    return found if isinstance(found, PooledAccuracy) else None


def _region(before: Standing, after: Standing, observable: str, condition: str) -> str:
    for evidence in (after.evidence, before.evidence):
        for row in (*evidence.accuracy_of(observable, condition), *evidence.rates_of(observable, condition)):
            return row.region
    raise KeyError(f"no line of {observable} for {condition}")


def _log_odds(p: float) -> float:
    bounded = min(1 - 1e-9, max(1e-9, p))
    return math.log(bounded / (1 - bounded))
