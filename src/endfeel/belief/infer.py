"""Exact sums over states: record a result, withdraw it, look ahead. Every belief is a new value.

A recording recomputes only its own group's term; the terms are then multiplied in one fixed order, so the order of
recording makes no difference and withdrawing gives back exactly what was there before.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from endfeel.belief.model import RegionModel, Tables
from endfeel.belief.observed import Observed
from endfeel.belief.ranges import effective, soften, weighted_ranges
from endfeel.belief.refusal import BeliefError
from endfeel.belief.results import Result, check_result, decisive, telling
from endfeel.belief.rules import with_rules
from endfeel.belief.states import patterns_of
from endfeel.belief.terms import (
    GroupTerm,
    group_term,
    log_scale_of,
    on_t,
    product_over_groups,
    products_without,
    state_likelihood,
)
from endfeel.pooling.summary import Interval

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Terms = Mapping[int, GroupTerm]

# Fewer effective draws than this and more are added, up to so many blocks; ranges rest on at least so many draws.
ENOUGH_DRAWS = 50.0
MOST_BLOCKS = 8
ENOUGH_FOR_RANGES = 20.0

_RANGING = -1


@dataclass(frozen=True)
class Belief:
    """What is believed after what was recorded.

    recorded: in order of recording. state_probability (S,): averaged over draws. draw_weights: of the weighing draws of
    all blocks; effective_draws: 1 / Σ weight². log_evidence: log probability of all that was recorded. chances: by
    condition, union and none; mean is the chance, low and high where it could lie if these tests work better or worse
    here. terms: per set of draws (block, or -1 for the ranging draws) each group's term. ranging (R, S),
    ranging_weights (R,): state probabilities in the ranging draws.
    """

    recorded: tuple[tuple[str, Result], ...]
    state_probability: Floats = field(repr=False, compare=False)
    draw_weights: Floats = field(repr=False, compare=False)
    effective_draws: float
    log_evidence: float
    chances: Mapping[str, Interval]
    terms: Mapping[int, Terms] = field(repr=False, compare=False)
    ranging: Floats = field(repr=False, compare=False)
    ranging_weights: Floats = field(repr=False, compare=False)

    @property
    def results(self) -> dict[str, Result]:
        """Results by observable."""
        return dict(self.recorded)


@dataclass(frozen=True)
class Prediction:
    """What one more finding would do.

    probability: of a positive result. now, if_positive, if_negative (S,): state probabilities; they fit together:
    probability * if_positive + (1 - probability) * if_negative = now.
    """

    observable: str
    probability: float
    now: Floats
    if_positive: Floats
    if_negative: Floats


def prior_belief(model: RegionModel) -> Belief:
    """What is believed before any finding."""
    return _settle(model, (), {0: {}, _RANGING: {}})


def record(model: RegionModel, belief: Belief, observable: str, result: Result) -> Belief:
    """The belief with one result more, or replaced. BeliefError where there is no such observable or result."""
    check_result(result)
    model.observed(observable)
    _refuse_rule(model, observable)
    if observable in belief.results:
        recorded = tuple((o, result if o == observable else r) for o, r in belief.recorded)
    else:
        recorded = (*belief.recorded, (observable, result))
    return _settle(model, recorded, _with_group_renewed(model, belief, recorded, observable))


def withdraw(model: RegionModel, belief: Belief, observable: str) -> Belief:
    """The belief without the result of one observable; unchanged where none was recorded."""
    recorded = tuple((o, r) for o, r in belief.recorded if o != observable)
    if recorded == belief.recorded:
        return belief
    return _settle(model, recorded, _with_group_renewed(model, belief, recorded, observable))


def believe(model: RegionModel, results: Mapping[str, Result]) -> Belief:
    """The belief after a whole set of results, in one go."""
    for observable, result in results.items():
        check_result(result)
        model.observed(observable)
        _refuse_rule(model, observable)
    told = telling(model, results)
    return _settle(model, tuple(results.items()), {key: _all_terms(model, told, key) for key in (0, _RANGING)})


def predict(model: RegionModel, belief: Belief, observables: Iterable[str]) -> tuple[Prediction, ...]:
    """What each of some findings would do if it were done next, on the first block of draws.

    A finding that is recorded already is looked at as if it were not.
    """
    wanted = [model.observed(o) for o in observables]
    told, decided = telling(model, belief.results), decisive(model, belief.results)
    found: dict[str, Prediction] = {}
    together: dict[int | None, list[Observed]] = {None: []}
    for item in wanted:
        if item.observable in told or _entangled(model, item, told, decided):
            found[item.observable] = _predict_by_trying(model, belief, item)
        else:
            together.setdefault(item.group if item.group in belief.terms[0] else None, []).append(item)
    apart = together.pop(None, [])
    if apart:
        found.update(_predict_apart(model, belief, apart))
    grouped = {group: items for group, items in together.items() if group is not None}
    place, products = products_without(model.weighing(), belief.terms[0], frozenset(grouped), model.codes)
    for group, items in grouped.items():
        found.update(_predict_in_group(model, belief, told, group, items, place, products[group]))
    return tuple(found[item.observable] for item in wanted)


def suppose(model: RegionModel, belief: Belief, observable: str, result: Result) -> Belief:
    """As much of the belief after one more result as predict() reads, at less than half the cost of recording.

    Chances, weights and ranges are those from before; only what the first block of draws knows is renewed.
    """
    kept = tuple((o, r) for o, r in belief.recorded if o != observable)
    recorded = (*kept, (observable, check_result(result)))
    return replace(belief, recorded=recorded, terms=_with_group_renewed(model, belief, recorded, observable, (0,)))


def state_probability_by_draw(model: RegionModel, belief: Belief) -> Floats:
    """State probabilities in each draw of the first weighing block, (draws, S); a belief averages these over draws."""
    return _joint(model, 0, belief.terms[0])[0].T


def _refuse_rule(model: RegionModel, observable: str) -> None:
    rule = model.observed(observable).rule
    if rule is not None:
        raise BeliefError(f"{observable} is a rule: record its findings ({', '.join(rule.findings)})")


def with_term(model: RegionModel, belief: Belief, group: int, terms: Mapping[int, GroupTerm | None]) -> Belief:
    """The belief with one group's term replaced (left out where None) in every set of draws: what if it told this."""
    changed = {
        key: {**{g: t for g, t in held.items() if g != group}, **({} if (new := terms[key]) is None else {group: new})}
        for key, held in belief.terms.items()
    }
    return _settle(model, belief.recorded, dict(changed), add_draws=False)


def tables_of(model: RegionModel, key: int) -> Tables:
    """The tables of one set of draws: a block of weighing draws, or the ranging draws (-1)."""
    return model.ranging() if key == _RANGING else model.weighing(key)


def _all_terms(model: RegionModel, told: Mapping[str, bool], key: int) -> Terms:
    tables = tables_of(model, key)
    found = {g: group_term(model, tables, told, g) for g in sorted({model.observed(o).group for o in told})}
    return {g: term for g, term in found.items() if term is not None}


def _with_group_renewed(
    model: RegionModel,
    belief: Belief,
    recorded: tuple[tuple[str, Result], ...],
    observable: str,
    keys: Iterable[int] | None = None,
) -> dict[int, Terms]:
    before, told = telling(model, belief.results), telling(model, dict(recorded))
    # One group, unless a rule was settled or opened again: then its items' groups too.
    changed = {o for o in {*before, *told, observable} if before.get(o) != told.get(o) or o == observable}
    groups = {model.observed(o).group for o in changed}
    renewed: dict[int, Terms] = {}
    for key in belief.terms if keys is None else keys:
        held, tables = belief.terms[key], tables_of(model, key)
        anew = {g: group_term(model, tables, told, g) for g in sorted(groups)}
        renewed[key] = {g: t for g, t in {**held, **anew}.items() if t is not None}
    return renewed


def _settle(
    model: RegionModel, recorded: tuple[tuple[str, Result], ...], terms: dict[int, Terms], add_draws: bool = True
) -> Belief:
    """From the group terms to chances: likelihood of each state in each draw, draw weights, ranges."""
    joint, log_evidence = _joint(model, 0, terms[0])
    blocks = [(joint, log_evidence)]
    if not add_draws:
        blocks += [_joint(model, key, terms[key]) for key in sorted(terms) if key > 0]
    weights = _weights(blocks)
    enough = ENOUGH_DRAWS if add_draws and model.draws >= 2 * ENOUGH_DRAWS else 0.0
    while effective(weights) < enough and len(blocks) < MOST_BLOCKS:
        key = len(blocks)
        if key not in terms:
            terms[key] = _all_terms(model, telling(model, dict(recorded)), key)
        blocks.append(_joint(model, key, terms[key]))
        weights = _weights(blocks)
    terms = {key: held for key, held in terms.items() if key < len(blocks)}
    probability = np.concatenate([b for b, _ in blocks], axis=1) @ weights
    probability /= probability.sum()
    ranging, _ = _joint(model, _RANGING, terms[_RANGING])
    first = weights[: ranging.shape[1]]
    ranging_weights = soften(first, ENOUGH_FOR_RANGES) if first.max() > 0 else np.full(len(first), 1 / len(first))
    return Belief(
        recorded, probability, weights, effective(weights), _log_mean([e for _, e in blocks]),
        _chances(model, probability, ranging.T, ranging_weights), MappingProxyType(terms), ranging.T, ranging_weights,
    )


def _joint(model: RegionModel, key: int, terms: Terms) -> tuple[Floats, Floats]:
    """State probabilities in each draw (S, draws) and the log probability of the results in each draw (draws,)."""
    tables = tables_of(model, key)
    likelihood = state_likelihood(tables, terms, model.codes)
    joint = np.exp(model.log_prior)[:, None] * likelihood
    total = joint.sum(axis=0)
    return joint / total, np.log(total) + log_scale_of(tables, terms)


def _weights(blocks: list[tuple[Floats, Floats]]) -> Floats:
    logs = np.concatenate([log_evidence for _, log_evidence in blocks])
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum())


def _log_mean(log_evidence: list[Floats]) -> float:
    together = np.concatenate(log_evidence)
    return float(logsumexp(together) - np.log(len(together)))


def _chances(model: RegionModel, probability: Floats, ranging: Floats, weights: Floats) -> Mapping[str, Interval]:
    ids = list(model.membership)
    held = np.stack([model.membership[i] for i in ids], axis=1).astype(float)
    mean = probability @ held
    low, high = weighted_ranges(np.clip(ranging @ held, 0.0, 1.0), weights)
    return MappingProxyType(
        {
            c: Interval(mean=float(m), low=float(min(lo, m)), high=float(max(hi, m)))
            for c, m, lo, hi in zip(ids, np.clip(mean, 0.0, 1.0), low, high, strict=True)
        }
    )


def _predict_apart(model: RegionModel, belief: Belief, items: list[Observed]) -> dict[str, Prediction]:
    """Findings of groups without results.

    All that is recorded is laid out once over draws and t, for the few patterns that it tells apart; one matrix product
    then gives P(recorded results, positive) for every finding and every pair of patterns.
    """
    tables, terms = model.weighing(), belief.terms[0]
    _, place, values = product_over_groups(tables, (terms[g] for g in sorted(terms)), 0, model.codes)
    weight = values @ tables.kernel * _draw_scale(tables, terms)[None, :, None]
    columns = [model.place[item.observable] for item in items]
    rows = [tables.positive(j) for j in columns]
    places = [tables.place[j] for j in columns]
    return _predicted(model, items, place, weight, weight.sum(axis=(1, 2))[place], rows, places)


def _predict_in_group(
    model: RegionModel,
    belief: Belief,
    told: Mapping[str, bool],
    group: int,
    items: list[Observed],
    place: Ints,
    others: Floats,
) -> dict[str, Prediction]:
    """Findings of one group with results: P(other results | state, z) times P(the group's, and positive | state, z)."""
    tables, terms = model.weighing(), belief.terms[0]
    own = on_t(model, tables, told, group)
    assert own is not None
    mask, patterns, table = own
    others = others * _draw_scale(tables, {g: t for g, t in terms.items() if g != group})[None, :, None]
    rows, places = [], []
    for item in (None, *items):
        j = None if item is None else model.place[item.observable]
        reach = 0 if j is None else tables.reach[j]
        joint_patterns, joint_place = patterns_of(model.codes, mask | reach)
        product = table[np.searchsorted(patterns, joint_patterns & mask)]
        if j is not None:
            product = product * tables.positive(j)[np.searchsorted(tables.patterns[j], joint_patterns & reach)]
        rows.append(product @ tables.kernel.T)
        places.append(joint_place)
    flat = others.reshape(len(others), -1)
    now = (flat @ rows[0].reshape(len(rows[0]), -1).T)[place, places[0]]
    return _predicted(model, items, place, others, now, rows[1:], places[1:])


def _predicted(
    model: RegionModel,
    items: list[Observed],
    place: Ints,
    weight: Floats,
    now: Floats,
    rows: list[Floats],
    places: list[Ints],
) -> dict[str, Prediction]:
    """weight (P, draws, nodes) against each finding's rows (Q, draws, nodes); place, places: each state's pattern."""
    prior = np.exp(model.log_prior)
    together = np.concatenate(rows)
    rates = weight.reshape(len(weight), -1) @ together.reshape(len(together), -1).T
    found, start = {}, 0
    for item, own, row in zip(items, places, rows, strict=True):
        found[item.observable] = _prediction(item.observable, prior * rates[place, start + own], prior * now)
        start += len(row)
    return found


def _draw_scale(tables: Tables, terms: Terms) -> Floats:
    scale = log_scale_of(tables, terms)
    return np.asarray(np.exp(scale - scale.max()))


def _prediction(observable: str, joint: Floats, total: Floats) -> Prediction:
    now = total / total.sum()
    left = np.maximum(total - joint, 0.0)
    return Prediction(
        observable,
        float(min(joint.sum() / total.sum(), 1.0)),
        now,
        joint / joint.sum() if joint.sum() > 0 else now,
        left / left.sum() if left.sum() > 0 else now,
    )


def _entangled(
    model: RegionModel, item: Observed, told: Mapping[str, bool], decided: Mapping[str, bool]
) -> bool:
    """Whether its result would not simply multiply: a grade of its sign, a reading that excludes it, its coarse form or
    a finer reading is recorded, or it would settle a rule, be swallowed by a settled one or put another in its place.

    told: what is evidence now; decided: the same before rules stand in their items' place.
    """
    if any(o in told for o in (*item.coarse_of, *item.grades, *item.exclusives)) or any(
        item.observable in model.observed(o).coarse_of for o in told
    ):
        return True
    if not any(rule.has(item.observable) for rule in model.rules):
        return False
    return any(
        with_rules({**decided, item.observable: result}, model.rules) != {**told, item.observable: result}
        for result in (True, False)
    )


def _predict_by_trying(model: RegionModel, belief: Belief, item: Observed) -> Prediction:
    prior = np.exp(model.log_prior)
    tables = model.weighing()
    kept = {o: r for o, r in belief.recorded if o != item.observable}
    told = telling(model, kept)
    excluded = any(told.get(o) for o in item.exclusives)
    if excluded or any(part in told for part in item.coarse_of if part != item.observable):
        # It could tell nothing new: ruled out already, or a coarse reading of which a finer one is recorded.
        joint, log_evidence = _joint(model, 0, _all_terms(model, told, 0))
        now = joint @ np.exp(log_evidence - log_evidence.max())
        now /= now.sum()
        chance = 0.0 if excluded else float(now @ model.p_positive(item.observable).mean(axis=0))
        return Prediction(item.observable, chance, now, now, now)
    sums, scales = [], []
    for result in ("positive", "negative"):
        terms = _all_terms(model, telling(model, {**kept, item.observable: check_result(result)}), 0)
        sums.append(state_likelihood(tables, terms, model.codes))
        scales.append(log_scale_of(tables, terms))
    top = max(float(scale.max()) for scale in scales)
    positive, negative = (prior * (s @ np.exp(scale - top)) for s, scale in zip(sums, scales, strict=True))
    return _prediction(item.observable, positive, positive + negative)
