"""A visit under its own figures and under today's: the line on its pages, and both side by side.

Public: ChanceMove, AdviceMove, VisitMoves, EvidenceNotice, visit_moves, unmoved, visit_notice, same_ground.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass

from endfeel.evidence import EvidenceBase
from endfeel.evidence.overlay import moved_pairs
from endfeel.evidence.rows import AccuracyRow, RatesRow
from endfeel.pooling.summary import Interval
from endfeel.visits.problem import ProblemState
from endfeel.visits.release import is_safety
from endfeel.visits.state import VisitState
from endfeel.web import words
from endfeel.web.bases import Basis
from endfeel.web.desk import Desk
from endfeel.web.evidence_moved import PairMove, move_of
from endfeel.web.thresholds import threshold_words

# Chances that move less than this on the log-odds scale are told as unchanged (about a tenth of the odds).
STILL = 0.1
_ACTIONS = {"set-aside": "set aside", "look-further": "look further", "start-care": "start care"}


@dataclass(frozen=True)
class ChanceMove:
    """One condition's chance, with the figures that the visit stands on and with those of today."""

    condition: str
    name: str
    before: str
    after: str
    moved: bool


@dataclass(frozen=True)
class AdviceMove:
    """What is advised for one kind of care and from which chances on, then and today."""

    care_group: str
    name: str
    before: str
    after: str
    before_thresholds: str
    after_thresholds: str
    moved: bool


@dataclass(frozen=True)
class VisitMoves:
    """The visit's recordings under its own figures and under today's. words: the gist, in one line.

    known: False where its own can not be had; its chances are then today's. stands: what it stands on, in one line.
    back: to the visit.
    """

    began_with: str
    now: str
    known: bool
    words: str
    stands: str
    back: str
    chances: tuple[ChanceMove, ...] = ()
    advice: tuple[AdviceMove, ...] = ()
    pairs: tuple[PairMove, ...] = ()


@dataclass(frozen=True)
class EvidenceNotice:
    """The line on the pages of a visit that stands on other figures than today's, and where it is told in full."""

    words: str
    href: str
    link: str = "What would differ"


def visit_moves(desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime) -> VisitMoves | None:
    """Both sides for one problem; None where they are the same."""
    ground = desk.bases.of_visit(state.visit_id)
    then, today = desk.on(state.visit_id), desk.today()
    back = _back(state, problem)
    if ground.basis is None:
        if not ground.trouble:
            return None
        said = f"{ground.trouble} Its figures are those of today."
        return VisitMoves(state.opened.edition, today.edition.id, False, said, _stands(desk, state), back)
    if problem.region not in today.catalogue.regions:
        said = "Today's catalogue has no such region; the visit stays as it was."
        return VisitMoves(ground.basis.edition.id, today.edition.id, True, said, _stands(desk, state), back)
    what = _changed(ground.basis, today, problem.region) or "Nothing that concerns this region has changed"
    at = state.last_at if state.closed else now
    chances = _chances(then, today, problem, at)
    advice = _advice(then, today, problem, at)
    moved = [c for c in chances if c.moved]
    if moved:
        first = moved[0]
        said = f"{what} since this visit began. {first.name} would now be {first.after}, not {first.before}"
        said += f", and {words.plural(len(moved) - 1, 'other chance')} would differ." if len(moved) > 1 else "."
    elif any(a.moved for a in advice):
        said = f"{what} since this visit began; the chances stay, what is advised or from which chance on would differ."
    else:
        said = f"{what} since this visit began; nothing that this visit rests on differs by much."
    pairs = _pairs(then, today, ground.basis, problem)
    return VisitMoves(
        ground.basis.edition.id, today.edition.id, True, said, _stands(desk, state), back, chances, advice, pairs
    )


def unmoved(desk: Desk, state: VisitState, problem: ProblemState) -> VisitMoves:
    """The page of a visit that stands on today's figures."""
    edition, back = desk.edition.id, _back(state, problem)
    return VisitMoves(edition, edition, True, "This visit stands on today's figures.", _stands(desk, state), back)


def visit_notice(desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime) -> EvidenceNotice | None:
    """The notice on a visit's pages; None where its figures are today's.

    What would differ is named as soon as it has been worked out in the background.
    """
    ground = desk.bases.of_visit(state.visit_id)
    href = f"/visits/{state.visit_id}/{problem.problem_id}/evidence"
    if ground.basis is None:
        said = f"{ground.trouble} The figures shown are today's."
        return EvidenceNotice(said, href, "What is known of it") if ground.trouble else None
    today = desk.today()
    known = problem.region in today.catalogue.regions
    what = _changed(ground.basis, today, problem.region) if known else "The catalogue changed"
    if not what:
        return None
    on = f"Figures as they stood on {_day(state.opened_at)} (edition {ground.basis.edition.id})."
    if not known:
        return EvidenceNotice(f"{on} Today's catalogue has no such region.", href)
    marks = (today.costs_mark(problem.region), today.own_chances.number(problem.region))
    key = ("ground moved", ground.basis.id, today.edition.id, *marks, state.visit_id, problem.problem_id)
    differing: str | None = desk.kept.known(key)
    if differing is None:
        desk.kept.ahead(lambda: desk.kept.put(key, _differing(visit_moves(desk, state, problem, now))))
    return EvidenceNotice(f"{on} {what} since this visit began{differing or '.'}", href)


def _differing(found: VisitMoves | None) -> str:
    """The end of the notice, once it is known what would differ."""
    count = sum(c.moved for c in found.chances) if found else 0
    if count:
        return f"; {words.plural(count, 'chance')} would differ."
    if found and any(a.before != a.after for a in found.advice):
        return "; what is advised would differ."
    return "; nothing that it rests on differs by much."


def same_ground(desk: Desk, one: VisitState, other: VisitState) -> bool:
    """Whether two visits stand on the same figures."""
    places = [desk.bases.archive.of_visit(s.visit_id) for s in (one, other)]
    return None not in places and len({p.basis_id for p in places if p}) == 1


def _day(moment: dt.datetime) -> str:
    return words.day(moment.astimezone().date())


def _back(state: VisitState, problem: ProblemState) -> str:
    return f"/visits/{state.visit_id}/note" if state.closed else f"/visits/{state.visit_id}/{problem.problem_id}/bench"


def _stands(desk: Desk, state: VisitState) -> str:
    ground = desk.bases.of_visit(state.visit_id)
    software = state.opened.software or "an unnamed version"
    by = f"opened by {software}" + ("" if software == desk.software else f", worked out now by {desk.software}")
    if ground.basis is None:
        said = f"It names edition {state.opened.edition or 'none'}, {by}"
        later = "; what was here when a version that keeps such things first saw it was written down as its own"
        return said + (later if ground.how == "adopted" else "") + "."
    said = f"Edition {ground.basis.edition.id}, {by}"
    if ground.how == "adopted":
        said += f"; tables and catalogue were written down later, on {_day(ground.basis.kept.made_at)}"
    if ground.basis.own.own or ground.basis.own.retired:
        said += f"; {words.plural(len(ground.basis.own.own), 'study', 'studies')} of the clinic's own"
    return said + "."


def _changed(basis: Basis, today: Desk, region: str) -> str:
    """What differs for a region: “The evidence and the costs changed”; empty where nothing does."""
    files, now = basis.release.files, today.release.files
    parts = []
    if (basis.evidence.fingerprint, basis.edition.id) != (today.evidence.fingerprint, today.edition.id) or _differ(
        files, now, "belief/"
    ):
        parts.append("the evidence")
    if _differ(files, now, f"catalogue/{region}/") or _differ(files, now, "catalogue/modalities.toml"):
        parts.append("the catalogue")
    if basis.costs.get(region) != today.costs(region):
        parts.append("the costs")
    if basis.chances_set.get(region, {}) != today.chances_set(region):
        parts.append("the clinic's starting chances")
    if not parts:
        return ""
    said = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    return f"{words.capital(said)} changed"


def _differ(one: Mapping[str, bytes], other: Mapping[str, bytes], start: str) -> bool:
    left_aside = ("care.toml", "drawings.toml")  # costs are compared by themselves; a drawing moves no figure

    def chosen(files: Mapping[str, bytes]) -> dict[str, bytes]:
        wanted = (n for n in files if n.startswith(start) and not is_safety(n) and not n.endswith(left_aside))
        return {name: files[name] for name in wanted}

    return chosen(one) != chosen(other)


def _chances(then: Desk, today: Desk, problem: ProblemState, at: dt.datetime) -> tuple[ChanceMove, ...]:
    one, two = then.model(problem, at), today.model(problem, at)
    if one is None or two is None:
        return ()
    old, new = then.belief(problem, one).chances, today.belief(problem, two).chances
    found = [
        _chance(
            _condition_name(then, today, problem.region, condition), condition, old.get(condition), new.get(condition)
        )
        for condition in dict.fromkeys([*two.membership, *one.membership])
    ]
    return tuple(sorted(found, key=lambda c: (not c.moved, -(new.get(c.condition) or old[c.condition]).mean)))


def _chance(name: str, condition: str, old: Interval | None, new: Interval | None) -> ChanceMove:
    before = words.chance_line(old.mean, old.low, old.high) if old else "not among the conditions"
    after = words.chance_line(new.mean, new.low, new.high) if new else "not among the conditions"
    if old is None or new is None:
        return ChanceMove(condition, name, before, after, True)
    shift = _log_odds(new.mean) - _log_odds(old.mean)
    moved = abs(shift) >= STILL
    if moved and before == after:
        after += ", a little higher" if shift > 0 else ", a little lower"
    return ChanceMove(condition, name, before, after, moved)


def _advice(then: Desk, today: Desk, problem: ProblemState, at: dt.datetime) -> tuple[AdviceMove, ...]:
    sides = [_advised(desk, problem, at) for desk in (then, today)]
    found = []
    for group in dict.fromkeys([*sides[0], *sides[1]]):
        before, after = (side.get(group, ("no such kind of care", "")) for side in sides)
        care = today.catalogue.region(problem.region).care.get(group)
        name = (care or then.catalogue.region(problem.region).care[group]).name
        found.append(AdviceMove(group, name, before[0], after[0], before[1], after[1], before != after))
    return tuple(sorted(found, key=lambda a: not a.moved))


def _advised(desk: Desk, problem: ProblemState, at: dt.datetime) -> dict[str, tuple[str, str]]:
    model = desk.model(problem, at)
    if model is None:
        return {}
    costs = desk.costs(problem.region)
    advised = desk.decision(problem, model, desk.belief(problem, model)).by_group
    return {a.care_group: (_ACTIONS[a.action], threshold_words(costs, a.care_group)) for a in advised}


def _pairs(then: Desk, today: Desk, basis: Basis, problem: ProblemState) -> tuple[PairMove, ...]:
    """Pooled figures that differ: of pairs whose lines changed; where all was pooled anew, of what was recorded too."""
    after = today.own.now()
    touched = list(moved_pairs(basis.evidence, after.evidence))
    if basis.edition.meta.get("based_on", basis.edition.id) != after.edition.meta.get("based_on", after.edition.id):
        recorded = {observable for observable, _ in problem.findings}
        touched += [pair for pair in after.evidence.pairs(problem.region) if pair[0] in recorded]
    found = []
    for observable, condition in dict.fromkeys(touched):
        rows = (*_rows(basis.evidence, observable, condition), *_rows(after.evidence, observable, condition))
        if all(row.region != problem.region for row in rows):
            continue
        named = today if (problem.region, observable.partition(":")[0]) in after.evidence.findings else then
        move = move_of(named, basis, after, observable, condition)
        if move.moved:
            found.append(move)
    return tuple(found)


def _rows(evidence: EvidenceBase, observable: str, condition: str) -> tuple[AccuracyRow | RatesRow, ...]:
    return (*evidence.accuracy_of(observable, condition), *evidence.rates_of(observable, condition))


def _condition_name(then: Desk, today: Desk, region: str, condition: str) -> str:
    now = today.catalogue.region(region).conditions.get(condition)
    return (now or then.catalogue.region(region).conditions[condition]).name


def _log_odds(p: float) -> float:
    bounded = min(1 - 1e-9, max(1e-9, p))
    return math.log(bounded / (1 - bounded))
