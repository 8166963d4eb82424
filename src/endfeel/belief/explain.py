"""Why a belief is what it is: what each finding moved, what repeats what, what moved only along, what sits badly.

A finding's move is the change of log odds between the belief without it and the belief with it, all else kept; the
moves of findings that overlap therefore do not add up to the whole, and the discounts say by how much.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from endfeel.belief.infer import Belief, believe, predict, prior_belief, tables_of, with_term, withdraw
from endfeel.belief.model import RegionModel
from endfeel.belief.ranges import weighted_ranges
from endfeel.belief.results import Result, telling
from endfeel.belief.terms import independent_term, signs_of

Floats = NDArray[np.float64]

# Smaller changes of log odds than this are not told (0.05 is about one in a hundred at a chance of one half).
TOLD = 0.05
SURPRISING = 0.1


@dataclass(frozen=True)
class Move:
    """What one recorded finding, or one settled rule, does to one condition's log odds, with its range over draws.

    direct: the finding was studied for the condition or targets it; otherwise it moves along through the starting
    chances. assumed: direct, but nobody measured it.
    """

    observable: str
    result: Result
    condition: str
    log_odds_change: float
    low: float
    high: float
    direct: bool
    assumed: bool


@dataclass(frozen=True)
class Discount:
    """Findings that load the same structure: what they tell of a condition together, beside what they would tell if
    they were independent (log odds)."""

    observables: tuple[str, ...]
    condition: str
    log_odds_independent: float
    log_odds_joint: float
    words: str


@dataclass(frozen=True)
class Surprise:
    """Findings that sit badly together: the finding that fits the others worst.

    probability: at most this share of patients would show any finding that fits the rest so badly (number of findings
    times the chance of the worst one's result given the others); 0 where two readings that exclude each other are
    recorded as positive.
    """

    probability: float
    observable: str
    words: str


@dataclass(frozen=True)
class Explanation:
    """moves: strongest first. without: chances by condition if a finding were left out, by observable.

    only_through_prior: conditions that moved although no recorded finding bears on them.
    """

    moves: tuple[Move, ...]
    without: Mapping[str, Mapping[str, float]]
    discounted: tuple[Discount, ...]
    surprise: Surprise | None
    only_through_prior: tuple[str, ...]


def explain(model: RegionModel, belief: Belief) -> Explanation:
    """Explain a belief. Costs about one recording for each finding that counts."""
    told = telling(model, belief.results)
    without = {observable: _without(model, belief, observable) for observable in told}
    moves = [move for o, positive in told.items() for move in _moves(model, belief, without[o], o, positive)]
    moves.sort(key=lambda m: -abs(m.log_odds_change))
    return Explanation(
        tuple(moves),
        MappingProxyType(
            {o: MappingProxyType({c: i.mean for c, i in b.chances.items()}) for o, b in without.items()}
        ),
        _discounts(model, belief, told),
        _surprise(model, belief, without, told),
        _moved_along(model, belief, told),
    )


def _without(model: RegionModel, belief: Belief, observable: str) -> Belief:
    """The belief without one finding, or without all findings of a rule."""
    rule = model.observed(observable).rule
    if rule is None:
        return withdraw(model, belief, observable)
    return believe(model, {o: r for o, r in belief.recorded if not rule.has(o)})


def log_odds(chance: float) -> float:
    """log(p / (1 - p)), finite at 0 and 1."""
    return float(np.log(np.clip(chance, 1e-12, 1)) - np.log(np.clip(1 - chance, 1e-12, 1)))


def _moves(model: RegionModel, belief: Belief, without: Belief, observable: str, positive: bool) -> list[Move]:
    item = model.observed(observable)
    responds = set(item.plan.responds)
    assumed = {c for p in item.pairs if p.assumed for c in p.parts}
    ids = list(model.membership)
    change = _ranging_log_odds(model, belief) - _ranging_log_odds(model, without)
    lows, highs = weighted_ranges(change, belief.ranging_weights)
    found = []
    for place, condition in enumerate(ids):
        moved = log_odds(belief.chances[condition].mean) - log_odds(without.chances[condition].mean)
        parts = set(_parts(model, condition))
        direct = bool(parts & responds)
        if direct or abs(moved) >= TOLD:
            found.append(
                Move(
                    observable, "positive" if positive else "negative", condition, moved,
                    min(float(lows[place]), moved), max(float(highs[place]), moved),
                    direct, direct and parts & responds <= assumed,
                )
            )
    return found


def _ranging_log_odds(model: RegionModel, belief: Belief) -> Floats:
    held = np.stack([model.membership[i] for i in model.membership], axis=1).astype(float)
    chances = belief.ranging @ held
    others = belief.ranging @ (1 - held)
    return np.asarray(np.log(np.maximum(chances, 1e-12)) - np.log(np.maximum(others, 1e-12)))


def _parts(model: RegionModel, condition: str) -> tuple[int, ...]:
    if condition in model.unions:
        return model.unions[condition]
    return (model.conditions.index(condition),) if condition in model.conditions else ()


def _discounts(model: RegionModel, belief: Belief, told: Mapping[str, bool]) -> tuple[Discount, ...]:
    found = []
    for group in sorted({model.observed(o).group for o in told}):
        members = tuple(o for o in told if model.observed(o).group == group)
        if len(signs_of(model, model.weighing(), members)) < 2:
            continue
        absent = with_term(model, belief, group, {key: None for key in belief.terms})
        apart = with_term(
            model, belief, group,
            {key: independent_term(model, tables_of(model, key), told, group) for key in belief.terms},
        )
        columns = {c for o in members for c in model.observed(o).plan.responds}
        for condition in model.membership:
            if not set(_parts(model, condition)) & columns:
                continue
            base = log_odds(absent.chances[condition].mean)
            joint = log_odds(belief.chances[condition].mean) - base
            independent = log_odds(apart.chances[condition].mean) - base
            if abs(joint - independent) >= TOLD:
                words = _discount_words(model, members, group, joint, independent)
                found.append(Discount(members, condition, independent, joint, words))
    return tuple(found)


def _discount_words(
    model: RegionModel, members: tuple[str, ...], group: int, joint: float, independent: float
) -> str:
    names = _and([model.observed(o).name for o in members])
    structure = model.fitted.groups[group].structure
    shared = f"load the same structure ({structure})" if structure else "are readings of one thing"
    if joint * independent > 0 and abs(joint) < abs(independent):
        share = round(100 * joint / independent)
        return f"{names} {shared}, so together they tell {share} % of what they would as separate witnesses"
    return f"{names} {shared}, so they are not counted as separate witnesses"


def _and(names: list[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def _surprise(
    model: RegionModel, belief: Belief, without: Mapping[str, Belief], told: Mapping[str, bool]
) -> Surprise | None:
    if len(told) < 2:
        return None
    contradiction = _contradiction(model, belief, told)
    if contradiction is not None:
        return contradiction
    chances = {}
    for observable in told:
        if model.observed(observable).rule is None:
            probability = predict(model, without[observable], [observable])[0].probability
            chances[observable] = probability if told[observable] else 1 - probability
        else:
            chances[observable] = min(1.0, float(np.exp(belief.log_evidence - without[observable].log_evidence)))
    worst = min(chances, key=lambda o: chances[o])
    bound = min(1.0, len(told) * chances[worst])
    if bound >= SURPRISING:
        return None
    name, result = model.observed(worst).name, "positive" if told[worst] else "negative"
    words = (
        f"{name} {result} fits badly with the rest: given the other findings it would be {result} in about "
        f"{_one_in(chances[worst])}. Was it done as intended, on the right side, and is this the right region?"
    )
    return Surprise(bound, worst, words)


def _contradiction(model: RegionModel, belief: Belief, told: Mapping[str, bool]) -> Surprise | None:
    """Two readings of which only one can hold, both recorded as positive; the later one is named."""
    for observable, _ in reversed(belief.recorded):
        if not told.get(observable):
            continue
        others = [o for o in model.observed(observable).exclusives if o != observable and told.get(o)]
        if others:
            names = _and([model.observed(o).name for o in (*others, observable)])
            words = f"{names} exclude each other: what counts is that one of them holds. Withdraw what does not."
            return Surprise(0.0, observable, words)
    return None


def _one_in(chance: float) -> str:
    return f"{round(100 * chance)} of 100" if chance >= 0.01 else f"1 of {round(1 / max(chance, 1e-6))}"


def _moved_along(model: RegionModel, belief: Belief, told: Mapping[str, bool]) -> tuple[str, ...]:
    start = prior_belief(model)
    columns = {c for o in told for c in model.observed(o).plan.responds}
    return tuple(
        condition
        for condition in model.membership
        if not set(_parts(model, condition)) & columns
        and abs(log_odds(belief.chances[condition].mean) - log_odds(start.chances[condition].mean)) >= TOLD
    )
