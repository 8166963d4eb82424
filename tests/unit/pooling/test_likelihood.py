"""Maximum likelihood: the integral against an independent one, the maximum against its neighbours, boundaries told."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import dblquad
from scipy.special import expit, logit
from scipy.stats import binom, multivariate_normal

from endfeel.pooling.likelihood import (
    confidence_region,
    fit_bivariate,
    log_likelihood_of,
    prediction_region,
    summary_curve,
)

LOWER = np.array([[0.9, 0.0], [-0.4, 0.5]])
MEAN = np.array([0.8, 1.6])


def simulated(studies: int, seed: int, lower: np.ndarray = LOWER) -> np.ndarray:
    """Rows tp, fp, fn, tn of studies that the model itself draws."""
    rng = np.random.default_rng(seed)
    rate = expit(MEAN + rng.standard_normal((studies, 2)) @ lower.T)
    n1, n0 = rng.integers(20, 120, studies), rng.integers(20, 120, studies)
    tp, tn = rng.binomial(n1, rate[:, 0]), rng.binomial(n0, rate[:, 1])
    return np.stack([tp, n0 - tn, n1 - tp, tn], axis=1)


@pytest.mark.parametrize("row", [(18, 5, 7, 40), (0, 3, 6, 12), (25, 0, 0, 9)])
def test_the_integral_agrees_with_an_independent_one(row: tuple[int, int, int, int]) -> None:
    tp, fp, fn, tn = row
    law = multivariate_normal(MEAN, LOWER @ LOWER.T)

    def integrand(two: float, one: float) -> float:
        inside = binom.pmf(tp, tp + fn, expit(one)) * binom.pmf(tn, fp + tn, expit(two))
        return float(inside * law.pdf([one, two]))

    value, _ = dblquad(integrand, MEAN[0] - 6, MEAN[0] + 6, MEAN[1] - 5, MEAN[1] + 5, epsabs=1e-12, epsrel=1e-6)
    hits, misses = np.array([[tp, tn]], dtype=float), np.array([[fn, fp]], dtype=float)
    assert log_likelihood_of(hits, misses, MEAN, LOWER, nodes=21) == pytest.approx(np.log(value), abs=1e-5)
    assert log_likelihood_of(hits, misses, MEAN, LOWER) == pytest.approx(np.log(value), abs=2e-3)


def test_a_singular_spread_is_integrated_too() -> None:
    lower = np.array([[0.7, 0.0], [0.5, 0.0]])
    hits, misses = np.array([[12.0, 30.0]]), np.array([[6.0, 9.0]])
    u = np.linspace(-8, 8, 4001)
    theta = MEAN + u[:, None] * lower[:, 0]
    inside = binom.pmf(12, 18, expit(theta[:, 0])) * binom.pmf(30, 39, expit(theta[:, 1]))
    value = np.trapezoid(inside * np.exp(-0.5 * u**2) / np.sqrt(2 * np.pi), u)
    assert log_likelihood_of(hits, misses, MEAN, lower, nodes=15) == pytest.approx(np.log(value), abs=1e-5)


def test_the_fit_is_a_maximum_and_recovers_what_drew_the_studies() -> None:
    table = simulated(150, seed=2)
    fit = fit_bivariate(table)
    assert fit.converged and fit.boundary == () and not fit.corrected
    assert fit.mean == pytest.approx(MEAN, abs=0.25)
    assert fit.sd == pytest.approx([0.9, np.hypot(0.4, 0.5)], abs=0.15)
    assert fit.correlation == pytest.approx(-0.4 / np.hypot(0.4, 0.5), abs=0.2)
    hits, misses = table[:, [0, 3]].astype(float), table[:, [2, 1]].astype(float)
    lower = np.linalg.cholesky(fit.covariance)
    rng = np.random.default_rng(0)
    for _ in range(20):
        moved = log_likelihood_of(
            hits, misses, fit.mean + 0.05 * rng.standard_normal(2), lower + 0.05 * np.tril(rng.standard_normal((2, 2)))
        )
        assert moved < fit.log_likelihood


def test_the_standard_error_is_that_of_repeated_draws() -> None:
    fits = [fit_bivariate(simulated(30, seed), nodes=7) for seed in range(30)]
    spread = np.std([f.mean for f in fits], axis=0)
    stated = np.sqrt(np.mean([np.diag(f.mean_covariance) for f in fits], axis=0))
    assert stated == pytest.approx(spread, rel=0.35)


def test_one_study_is_its_own_binomials_and_says_so() -> None:
    fit = fit_bivariate([(15, 4, 5, 36)])
    assert fit.mean == pytest.approx([logit(15 / 20), logit(36 / 40)], abs=1e-9)
    assert np.diag(fit.mean_covariance) == pytest.approx([1 / 15 + 1 / 5, 1 / 36 + 1 / 4], rel=1e-4)
    assert fit.sd.tolist() == [0.0, 0.0] and np.isnan(fit.correlation)
    assert fit.boundary == ("one study: no spread between studies can be estimated",)
    assert fit.hsroc is None
    with pytest.raises(ValueError, match="no summary curve"):
        summary_curve(fit, np.array([0.5]))


def test_identical_studies_have_no_spread() -> None:
    fit = fit_bivariate([(15, 4, 5, 36)] * 6)
    assert fit.mean == pytest.approx([logit(15 / 20), logit(36 / 40)], abs=1e-4)
    assert len(fit.boundary) == 2
    assert "spread of sensitivity" in fit.boundary[0]


def test_a_correlation_at_its_boundary_is_told() -> None:
    fit = fit_bivariate([(28, 20, 2, 10), (20, 10, 10, 20), (8, 1, 22, 29)])
    assert fit.boundary == ("the correlation between sensitivity and specificity is estimated as -1",)


def test_an_empty_column_is_corrected_and_stays_finite() -> None:
    for table in ([(10, 0, 5, 10)] * 3, [(10, 4, 0, 10), (7, 1, 0, 3)], [(0, 0, 9, 9)], [(0, 9, 9, 0)] * 2):
        fit = fit_bivariate(table)
        assert fit.corrected
        assert np.isfinite(fit.mean).all() and np.isfinite(fit.mean_covariance).all()
        assert np.isfinite(prediction_region(fit)).all()


def test_zero_cells_in_single_studies_need_no_correction() -> None:
    fit = fit_bivariate([(10, 0, 3, 10), (12, 4, 0, 30), (8, 2, 4, 11)])
    assert not fit.corrected and np.isfinite(fit.log_likelihood)


def test_more_nodes_change_little_and_one_node_is_the_laplace_fit() -> None:
    table = simulated(15, seed=9)
    fits = {nodes: fit_bivariate(table, nodes=nodes) for nodes in (1, 9, 17)}
    assert fits[9].log_likelihood == pytest.approx(fits[17].log_likelihood, abs=2e-3)
    assert fits[9].mean == pytest.approx(fits[17].mean, abs=2e-3)
    assert fits[1].mean == pytest.approx(fits[17].mean, abs=0.05)


def test_hsroc_is_another_name_for_the_same_fit() -> None:
    fit = fit_bivariate(simulated(60, seed=4))
    h = fit.hsroc
    assert h is not None
    # Rutter and Gatsonis: logit sens = (threshold + accuracy / 2) exp(-shape / 2), and back.
    assert (h.threshold + h.accuracy / 2) * np.exp(-h.shape / 2) == pytest.approx(fit.mean[0])
    assert -(h.threshold - h.accuracy / 2) * np.exp(h.shape / 2) == pytest.approx(fit.mean[1])
    variance = np.exp(-h.shape) * (h.threshold_variance + h.accuracy_variance / 4)
    assert variance == pytest.approx(fit.sd[0] ** 2)
    assert summary_curve(fit, expit(fit.mean[1:]))[0] == pytest.approx(expit(fit.mean[0]))


def test_regions_surround_the_mean_and_prediction_is_the_wider() -> None:
    fit = fit_bivariate(simulated(20, seed=6))
    inner, outer = confidence_region(fit), prediction_region(fit)
    for region in (inner, outer):
        assert region[:, 0].min() < expit(fit.mean[0]) < region[:, 0].max()
        assert region[:, 1].min() < expit(fit.mean[1]) < region[:, 1].max()
    assert np.ptp(outer, axis=0) == pytest.approx(np.maximum(np.ptp(outer, axis=0), np.ptp(inner, axis=0) * 1.5))


def test_counts_beyond_32_bits_are_fitted() -> None:
    big = 2**40
    fit = fit_bivariate([(2 * big, big, big, 8 * big), (4 * big, big, big, 8 * big)])
    assert expit(fit.mean[1]) == pytest.approx(8 / 9, abs=1e-6)
    assert fit.mean[0] == pytest.approx((logit(2 / 3) + logit(4 / 5)) / 2, abs=1e-3)
    assert fit.sd[0] == pytest.approx((logit(4 / 5) - logit(2 / 3)) / 2, abs=1e-3)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ([], "no study"),
        ([(5, 1, 5, 9), (0, 3, 0, 4)], "study 2 has nobody with"),
        ([(5, 0, 5, 0)], "study 1 has nobody without"),
        ([(5, -1, 5, 3)], "0 or more"),
        ([(5, float("nan"), 5, 3)], "numbers"),
    ],
)
def test_rows_that_can_not_be_fitted_are_told(table: list[tuple[float, ...]], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        fit_bivariate(np.array(table, dtype=float))
