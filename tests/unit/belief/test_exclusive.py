"""Readings of which only one can hold: margins kept, one rules out the others, contradictions finite and told."""

from __future__ import annotations

import numpy as np
import pytest
import small_world as world
from scipy.special import ndtr

from endfeel.belief import (
    AtLeast,
    BeliefError,
    Context,
    believe,
    combine,
    compile_region,
    explain,
    predict,
    prior_belief,
    record,
    withdraw,
)
from endfeel.belief.exclusive import MOST, reading_given_t, scaled_margins
from endfeel.belief.infer import suppose
from endfeel.belief.model import RegionModel
from endfeel.belief.nodes import grid, kernel

SOFT, HARD, SPRINGY = (f"gamma-end:{name}" for name in ("soft", "hard", "springy"))
ALL = (SOFT, HARD, SPRINGY)


@pytest.fixture(scope="module")
def model() -> RegionModel:
    return compile_region(world.evidence(), world.edition(), world.catalogue(), Context("knee"))


@pytest.mark.parametrize("r", [0.0, 0.3, 0.85])
def test_each_reading_keeps_its_margin_and_all_add_up_to_less_than_one(r: float) -> None:
    rng = np.random.default_rng(4)
    eta = rng.normal(-1.2, 0.5, (3, 40))
    margins, total = scaled_margins(eta)
    assert total.max() < MOST and np.array_equal(margins, ndtr(eta))
    _, weights = grid()
    given = np.stack([reading_given_t(eta, k, np.full(40, r)) for k in range(3)])
    assert np.allclose(given @ weights, margins, atol=1e-6)
    assert np.allclose(given @ kernel(0.3).T @ weights, margins, atol=1e-6)
    assert given.sum(axis=0).max() <= 1 + 1e-12


def test_rates_that_add_up_to_more_than_one_are_scaled_by_one_factor() -> None:
    margins, total = scaled_margins(np.array([[1.0], [0.5], [-8.0]]))
    assert total[0] == pytest.approx(ndtr(1.0) + ndtr(0.5))
    assert margins.sum() == pytest.approx(MOST)
    assert margins[0, 0] / margins[1, 0] == pytest.approx(ndtr(1.0) / ndtr(0.5))


def test_where_rates_do_not_fit_is_reported(model: RegionModel) -> None:
    """Soft in seven of ten with gamma, hard in seven of ten with delta: with both it is more than everyone."""
    told = {c.conditions: c for c in model.crowded}
    both = told["gamma-pain", "delta-pain"]
    assert both.observables == ALL and 1.2 < both.total < 1.9
    assert () not in told and ("gamma-pain",) not in told


def test_one_by_hand(model: RegionModel) -> None:
    """Alone, a positive reading weighs states by its own margin, negatives by what is left of one."""
    prior = np.exp(model.log_prior)
    margins = np.stack([model.p_positive(o) for o in ALL])
    for results, rate in (
        ({HARD: "positive"}, margins[1]),
        ({HARD: "negative"}, 1 - margins[1]),
        ({HARD: "negative", SOFT: "negative"}, 1 - margins[1] - margins[0]),
        (dict.fromkeys(ALL, "negative"), 1 - margins.sum(axis=0)),
    ):
        weight = prior * rate.mean(axis=0)
        assert believe(model, results).state_probability == pytest.approx(weight / weight.sum(), abs=2e-6)


def test_one_positive_settles_the_others(model: RegionModel) -> None:
    alone = believe(model, {"beta-turn": "positive", SOFT: "positive"})
    said = believe(model, {"beta-turn": "positive", SOFT: "positive", HARD: "negative", SPRINGY: "negative"})
    assert said.state_probability == pytest.approx(alone.state_probability, abs=1e-14)
    ahead = {p.observable: p for p in predict(model, alone, ALL)}
    for other in (HARD, SPRINGY):
        assert ahead[other].probability == 0.0
        assert ahead[other].if_negative == pytest.approx(alone.state_probability, abs=1e-12)
    assert 0.05 < ahead[SOFT].probability < 0.95


@pytest.mark.parametrize("results", [{}, {SOFT: "negative"}, {SOFT: "negative", "gamma-squeeze": "positive"}])
def test_looking_ahead_agrees_with_doing_it(model: RegionModel, results: dict[str, str]) -> None:
    before = believe(model, results)
    for ahead in predict(model, before, [o for o in ALL if o not in results]):
        mixed = ahead.probability * ahead.if_positive + (1 - ahead.probability) * ahead.if_negative
        assert mixed == pytest.approx(before.state_probability, abs=1e-9)
        for result, expected in (("positive", ahead.if_positive), ("negative", ahead.if_negative)):
            after = record(model, before, ahead.observable, result)
            assert after.state_probability == pytest.approx(expected, abs=1e-9)
            evidence = np.exp(after.log_evidence - before.log_evidence)
            chance = ahead.probability if result == "positive" else 1 - ahead.probability
            assert evidence == pytest.approx(chance, abs=1e-9)


def test_the_chances_of_all_readings_and_of_none_add_up_to_one(model: RegionModel) -> None:
    before = believe(model, {"gamma-squeeze": "positive", "beta-turn": "negative"})
    each = sum(p.probability for p in predict(model, before, ALL))
    none = believe(model, {**before.results, **dict.fromkeys(ALL, "negative")})
    assert each + np.exp(none.log_evidence - before.log_evidence) == pytest.approx(1.0, abs=1e-9)


def test_order_undo_and_supposing(model: RegionModel) -> None:
    results = {SOFT: "negative", "gamma-squeeze": "positive", HARD: "positive", "gamma-grade:mild": "positive"}
    one = prior_belief(model)
    for o, r in results.items():
        one = record(model, one, o, r)
    other = believe(model, dict(reversed(results.items())))
    assert np.array_equal(one.state_probability, other.state_probability)
    without = withdraw(model, one, HARD)
    left = {o: r for o, r in results.items() if o != HARD}
    assert np.array_equal(without.state_probability, believe(model, left).state_probability)
    supposed = suppose(model, without, HARD, "positive")
    for a, b in zip(predict(model, supposed, model.observables), predict(model, one, model.observables), strict=True):
        assert a.probability == b.probability and np.array_equal(a.if_positive, b.if_positive)


def test_two_positives_say_that_one_of_them_holds_and_that_is_told(model: RegionModel) -> None:
    prior = np.exp(model.log_prior)
    rate = (model.p_positive(SOFT) + model.p_positive(HARD)).mean(axis=0)
    belief = believe(model, {SOFT: "positive", HARD: "positive"})
    assert belief.state_probability == pytest.approx(prior * rate / (prior * rate).sum(), abs=2e-6)
    surprise = explain(model, belief).surprise
    assert surprise is not None and surprise.observable == HARD and surprise.probability == 0.0
    assert "exclude each other" in surprise.words and "\n" not in surprise.words
    mended = withdraw(model, belief, HARD)
    assert np.array_equal(mended.state_probability, believe(model, {SOFT: "positive"}).state_probability)
    all_three = believe(model, dict.fromkeys(ALL, "positive"))
    assert np.isfinite(all_three.state_probability).all()


def test_they_are_one_witness_when_overlap_is_told(model: RegionModel) -> None:
    two = believe(model, {SOFT: "positive", HARD: "negative"})
    assert explain(model, two).discounted == ()
    three = believe(model, {SOFT: "positive", HARD: "negative", "gamma-squeeze": "positive"})
    told = next(d for d in explain(model, three).discounted if d.condition == "gamma-pain")
    apart = model.p_positive(SOFT) * model.p_positive("gamma-squeeze")
    held = model.membership["gamma-pain"]
    weight = apart.mean(axis=0) * np.exp(model.log_prior)
    start = model.starting["gamma-pain"].chance
    gain = np.log(weight[held].sum() / weight[~held].sum()) - np.log(start / (1 - start))
    assert told.log_odds_independent == pytest.approx(gain, abs=0.02)


def test_a_combination_counts_them_once() -> None:
    exact = world.edition(spread=0.0, study=1e-6, rest=1e-6)

    def combined(findings, rule):  # type: ignore[no-untyped-def]
        return combine(world.evidence(), exact, world.catalogue(), "knee", "gamma-pain", findings, rule)

    soft, hard = (combined((o,), AtLeast(1)) for o in (SOFT, HARD))
    either = combined((SOFT, HARD), "or")
    assert either.sensitivity.mean == pytest.approx(soft.sensitivity.mean + hard.sensitivity.mean, abs=1e-6)
    assert 1 - either.specificity.mean == pytest.approx(2 - soft.specificity.mean - hard.specificity.mean, abs=1e-6)
    with pytest.raises(BeliefError, match="no more than 1 of these can be positive together"):
        combined((SOFT, HARD), "and")
    with_another = combined((SOFT, HARD, "gamma-squeeze"), AtLeast(2))
    assert 0.1 < with_another.sensitivity.mean < either.sensitivity.mean
