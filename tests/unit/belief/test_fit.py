"""Fitted responses give back the accuracies they were fitted to, as far as these can hold together."""

from __future__ import annotations

import numpy as np
import pytest
import small_world as world
from scipy.special import expit, ndtr, ndtri

from endfeel.belief import Context, compile_region
from endfeel.belief.fit import ELSEWHERE_SPREAD, fit_response, plan_response, response_at, variance_elsewhere
from endfeel.belief.probit import mean_expit, probit_margins
from endfeel.belief.states import make_states


def test_one_condition_is_met_exactly() -> None:
    plan = plan_response(((4,),))
    target = np.array([[[0.8, -1.2]], [[0.1, 0.4]]])
    patterns = make_states(1)
    found = fit_response(plan, patterns, np.array([0.7, 0.3]), target, np.eye(2)[None])
    assert response_at(plan, found.theta, None, patterns) == pytest.approx(target[:, 0, ::-1], abs=1e-12)


def test_several_conditions_that_agree_are_all_met() -> None:
    """Rates worked out from a model come back as that model."""
    plan = plan_response(((0,), (1,), (2,)))
    patterns = make_states(3)
    mix = np.array([0.3, 0.2, 0.15, 0.1, 0.1, 0.05, 0.05, 0.05])
    true = np.array([[-1.0, 1.4, 0.8, -0.3]])
    eta = response_at(plan, true, None, patterns)[0]
    target = np.empty((1, 3, 2))
    for k in range(3):
        held = patterns[:, k]
        for row, chosen in enumerate((held, ~held)):
            rate = (ndtr(eta) * mix)[chosen].sum() / mix[chosen].sum()
            target[0, k, row] = ndtri(rate)
    found = fit_response(plan, patterns, mix, target, 1e-4 * np.repeat(np.eye(2)[None], 3, axis=0))
    assert found.fitted == pytest.approx(target, abs=5e-3)
    assert found.theta == pytest.approx(true, abs=5e-2)


def test_two_conditions_that_fill_the_case_mix_do_not_rule_a_finding_out_elsewhere() -> None:
    """Specific for each of two common conditions and sensitive for both: the rate elsewhere stays open, not 0."""
    plan = plan_response(((0,), (1,)))
    patterns = make_states(2)
    mix = np.array([0.2, 0.4, 0.3, 0.1])
    target = np.array([[[0.2, -1.1], [0.2, -0.9]]])
    covariance = 0.4 * np.repeat(np.eye(2)[None], 2, axis=0)
    found = fit_response(plan, patterns, mix, target, covariance)
    a = found.theta[0, 0]
    assert -1.0 - 2 * ELSEWHERE_SPREAD < a < -1.0
    assert np.abs(found.fitted - target).max() < 0.6
    # Known well and compatible, the rates themselves decide.
    known = fit_response(plan, patterns, mix, found.fitted, 1e-6 * np.repeat(np.eye(2)[None], 2, axis=0))
    assert known.theta[0, 0] == pytest.approx(a, abs=0.05)


def test_variance_elsewhere_is_that_of_the_rate_without_the_condition_where_one_was_studied() -> None:
    plan, patterns = plan_response(((0,),)), make_states(1)
    covariance = np.array([[[0.5, -0.1], [-0.1, 0.3]]])
    target = np.array([[[0.4, -1.0]]])
    found = variance_elsewhere(plan, patterns, np.array([0.7, 0.3]), target, covariance)
    assert found == pytest.approx(0.3, abs=1e-3)


def test_a_union_is_met_and_its_parts_share_one_weight() -> None:
    plan = plan_response(((0, 1),))
    patterns = make_states(2)
    target = np.array([[[0.5, -0.9]]])
    found = fit_response(plan, patterns, np.array([0.5, 0.2, 0.2, 0.1]), target, np.eye(2)[None])
    assert found.fitted == pytest.approx(target, abs=1e-9)
    eta = response_at(plan, found.theta, None, patterns)[0]
    assert eta[1] == pytest.approx(eta[2])


def test_studies_that_can_not_all_hold_are_reported() -> None:
    model = compile_region(world.evidence(), world.edition(), world.catalogue(), Context("knee"))
    gaps = {(r.observable, r.condition): r for r in model.residuals}
    assert set(gaps) >= {("gamma-squeeze", "gamma-pain"), ("alpha-twist", "alpha-tear"), ("alpha-twist", "gamma-pain")}
    assert not any(observable == "alpha-pull" for observable, _ in gaps)
    # Specificity 0.9 for one condition and 0.7 for the other, where hardly anyone has either: one of them must give.
    assert gaps["alpha-twist", "gamma-pain"].disagree
    for residual in model.residuals:
        assert residual.disagree == (abs(residual.gap) > 0.3)


def test_pooled_means_come_back_as_margins_of_the_model() -> None:
    """Averaged over draws, a singly studied finding's rates are the predictive means of its pair."""
    edition = world.edition(spread=0.4, study=0.5, rest=0.3)
    model = compile_region(world.evidence(), edition, world.catalogue(), Context("knee"), draws=512)
    p = model.p_positive("alpha-pull").mean(axis=0)
    held = model.membership["alpha-tear"]
    draws = edition.pair("alpha-pull", "alpha-tear")
    rng = np.random.default_rng(0)
    many = draws[rng.integers(0, len(draws), 200_000)] + np.sqrt(0.5**2 + 0.3**2) * rng.standard_normal((200_000, 2))
    assert p[held][0] == pytest.approx(expit(many[:, 0]).mean(), abs=0.004)
    assert p[~held][0] == pytest.approx(1 - expit(many[:, 1]).mean(), abs=0.004)


def test_a_test_that_argues_the_other_way_keeps_its_sign() -> None:
    eta = probit_margins(np.array([[-1.0, -0.2]]), np.zeros((1, 2)))[0]
    assert eta[0] < eta[1]


def test_mean_of_expit_against_fine_sums() -> None:
    x = np.linspace(-12, 12, 20_001)
    weight = np.exp(-0.5 * x**2)
    weight /= weight.sum()
    for mean, sd in ((0.0, 1.0), (2.0, 0.5), (-3.0, 2.0), (4.0, 3.0)):
        assert mean_expit(np.array(mean), np.array(sd**2)) == pytest.approx(expit(mean + sd * x) @ weight, abs=1e-5)
