"""The starting distribution keeps the chances it was given, and says what gave way where it could not."""

from __future__ import annotations

import numpy as np
import pytest

from endfeel.belief.prior import UnionChance, marginals, solve_prior
from endfeel.belief.refusal import BeliefError
from endfeel.belief.states import holds_any, make_states

NAMES = tuple(f"c{i}" for i in range(10))


def test_ten_conditions_three_at_once_make_176_states() -> None:
    states = make_states(10)
    assert states.shape == (176, 10)
    assert not states[0].any()
    assert len(np.unique(states, axis=0)) == 176


def test_marginals_and_none_are_those_asked_for() -> None:
    chances = np.array([0.3, 0.2, 0.1, 0.05, 0.1, 0.12, 0.02, 0.2, 0.08, 0.15])
    prior = solve_prior(NAMES, chances, 0.30)
    assert np.allclose(marginals(prior.states, prior.log_prior), chances, atol=1e-9)
    assert np.exp(prior.log_prior[0]) == pytest.approx(0.30, abs=1e-9)
    assert np.exp(prior.log_prior).sum() == pytest.approx(1, abs=1e-12)
    assert prior.notes == ()


def test_association_raises_the_pair_and_keeps_the_chances() -> None:
    chances = np.full(10, 0.1)
    plain = solve_prior(NAMES, chances, 0.3)
    tied = solve_prior(NAMES, chances, 0.3, associations={(0, 1): 1.5})
    both = plain.states[:, 0] & plain.states[:, 1]
    assert np.exp(tied.log_prior)[both].sum() > 2 * np.exp(plain.log_prior)[both].sum()
    assert np.allclose(marginals(tied.states, tied.log_prior), chances, atol=1e-9)


def test_too_little_to_fill_raises_none_and_says_so() -> None:
    chances = np.full(10, 0.02)
    prior = solve_prior(NAMES, chances, 0.30)
    assert np.allclose(marginals(prior.states, prior.log_prior), chances, atol=1e-9)
    assert np.exp(prior.log_prior[0]) > 0.8
    assert "raised" in prior.notes[0]


def test_one_large_chance_lowers_none_and_says_so() -> None:
    chances = np.array([0.9] + [0.05] * 9)
    prior = solve_prior(NAMES, chances, 0.30)
    assert np.allclose(marginals(prior.states, prior.log_prior), chances, atol=1e-8)
    assert "lowered" in prior.notes[0]


def test_too_much_at_once_is_scaled_but_not_what_a_hand_set() -> None:
    chances = np.full(10, 0.6)
    prior = solve_prior(NAMES, chances, 0.30, by_hand=frozenset({0}))
    found = marginals(prior.states, prior.log_prior)
    assert found[0] == pytest.approx(0.6, abs=1e-6)
    assert found[1:].max() < 0.3
    assert "scaled" in " ".join(prior.notes)


def test_certain_and_impossible_conditions_restrict_the_states() -> None:
    chances = np.array([1.0, 0.0] + [0.1] * 8)
    prior = solve_prior(NAMES, chances, 0.30, by_hand=frozenset({0, 1}))
    assert np.allclose(marginals(prior.states, prior.log_prior), chances, atol=1e-9)


@pytest.mark.parametrize(
    ("chances", "none", "by_hand"),
    [([1.0] * 4 + [0.1] * 6, 0.3, False), ([0.0] * 10, 0.3, False), ([0.999] * 10, 0.3, False), ([0.1] * 10, 1.0, True),
     ([0.1] * 10, 0.0, True), ([0.5] * 10, 0.99, True)],
)
def test_impossible_wishes_get_a_finite_answer(chances: list[float], none: float, by_hand: bool) -> None:
    prior = solve_prior(NAMES, np.array(chances), none, by_hand=frozenset(range(10)), none_by_hand=by_hand)
    p = np.exp(prior.log_prior)
    assert np.isfinite(p).all()
    assert p.sum() == pytest.approx(1, abs=1e-9)


def test_all_ruled_out_is_refused() -> None:
    with pytest.raises(BeliefError, match="rule out every state"):
        solve_prior(NAMES, np.zeros(10), 0.0, none_by_hand=True)


def test_a_unions_chance_is_met_by_scaling_its_parts() -> None:
    chances = np.full(10, 0.1)
    union = UnionChance("wide", (0, 1), (0, 1), 0.4)
    prior = solve_prior(NAMES, chances, 0.3, unions=(union,))
    assert np.exp(prior.log_prior)[holds_any(prior.states, (0, 1))].sum() == pytest.approx(0.4, abs=1e-5)
    assert np.allclose(marginals(prior.states, prior.log_prior)[2:], 0.1, atol=1e-9)
