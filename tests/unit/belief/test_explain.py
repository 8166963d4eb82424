"""What is said of a belief is true of it."""

from __future__ import annotations

import numpy as np
import pytest
import small_world as world

from endfeel.belief import Context, RegionModel, believe, compile_region, explain, prior_belief
from endfeel.belief.explain import log_odds


@pytest.fixture(scope="module")
def model() -> RegionModel:
    return compile_region(world.evidence(), world.edition(), world.catalogue(), Context("knee", onset="injury"))


def test_a_move_is_the_difference_to_the_belief_without_it(model: RegionModel) -> None:
    results = {"alpha-pull": "positive", "alpha-push": "positive", "beta-turn": "negative"}
    belief = believe(model, results)
    told = explain(model, belief)
    without = believe(model, {o: r for o, r in results.items() if o != "alpha-push"})
    move = next(m for m in told.moves if (m.observable, m.condition) == ("alpha-push", "alpha-tear"))
    expected = log_odds(belief.chances["alpha-tear"].mean) - log_odds(without.chances["alpha-tear"].mean)
    assert move.log_odds_change == pytest.approx(expected, abs=1e-12)
    assert move.low <= move.log_odds_change <= move.high and move.direct and not move.assumed
    assert told.without["alpha-push"]["alpha-tear"] == without.chances["alpha-tear"].mean
    sizes = [abs(m.log_odds_change) for m in told.moves]
    assert sizes == sorted(sizes, reverse=True)


def test_overlap_is_discounted_and_says_by_how_much(model: RegionModel) -> None:
    belief = believe(model, {"alpha-pull": "positive", "alpha-push": "positive", "beta-turn": "positive"})
    told = explain(model, belief)
    discount = next(d for d in told.discounted if d.condition == "alpha-tear")
    assert discount.observables == ("alpha-pull", "alpha-push")
    assert 0 < discount.log_odds_joint < discount.log_odds_independent
    # Worked out apart: the two findings' rates multiplied draw by draw.
    p, q = model.p_positive("alpha-pull"), model.p_positive("alpha-push")
    rest = model.p_positive("beta-turn")
    weights = (p * q * rest) * np.exp(model.log_prior)
    held = model.membership["alpha-tear"]
    chance = weights[:, held].sum() / weights.sum()
    base = rest * np.exp(model.log_prior)
    before = base[:, held].sum() / base.sum()
    assert discount.log_odds_independent == pytest.approx(log_odds(chance) - log_odds(before), abs=0.02)
    assert "alpha band" in discount.words and "%" in discount.words


def test_unclear_findings_and_single_ones_are_not_discounted(model: RegionModel) -> None:
    told = explain(model, believe(model, {"alpha-pull": "positive", "alpha-push": "unclear"}))
    assert told.discounted == () and set(told.without) == {"alpha-pull"}


def test_what_moves_only_along_is_named(model: RegionModel) -> None:
    told = explain(model, believe(model, {"alpha-pull": "positive", "alpha-scan": "positive"}))
    assert "nothing-specific-knee" in told.only_through_prior
    assert "alpha-tear" not in told.only_through_prior
    assert all(m.direct == (m.condition == "alpha-tear") for m in told.moves)


def test_findings_that_fit_are_no_surprise_and_ones_that_do_not_are() -> None:
    rare = Context("knee", onset="injury", chances={"alpha-tear": 0.01})
    model = compile_region(world.evidence(), world.edition(), world.catalogue(), rare)
    fits = believe(model, {"alpha-pull": "positive", "alpha-push": "positive", "alpha-scan": "positive"})
    assert explain(model, fits).surprise is None
    odd = {"alpha-pull": "negative", "alpha-push": "negative", "alpha-twist": "negative", "alpha-scan": "positive"}
    surprise = explain(model, believe(model, odd)).surprise
    assert surprise is not None and surprise.observable == "alpha-scan"
    others = believe(model, {o: r for o, r in odd.items() if o != "alpha-scan"})
    both = believe(model, odd)
    given_rest = np.exp(both.log_evidence - others.log_evidence)
    assert surprise.probability == pytest.approx(4 * given_rest, rel=0.02)


def test_an_assumed_move_says_so(model: RegionModel) -> None:
    told = explain(model, believe(model, {"delta-lift": "positive"}))
    move = next(m for m in told.moves if m.condition == "delta-pain")
    assert move.direct and move.assumed


def test_nothing_recorded_is_explained_as_nothing(model: RegionModel) -> None:
    told = explain(model, prior_belief(model))
    assert told.moves == () and told.discounted == () and told.surprise is None and told.only_through_prior == ()
