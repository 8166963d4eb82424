"""Pareto-smoothed weights: the shape is found, harmless weights pass, dangerous ones do not."""

from __future__ import annotations

import numpy as np
import pytest

from endfeel.pooling.pareto import effective_draws, generalised_pareto, smoothed_weights, trusted


@pytest.mark.parametrize("shape", [0.2, 0.5, 0.9])
def test_the_shape_of_a_pareto_tail_is_found(shape: float) -> None:
    rng = np.random.default_rng(3)
    excesses = np.sort(2.0 * ((1 - rng.random(20_000)) ** -shape - 1) / shape)
    k, scale = generalised_pareto(excesses)
    assert k == pytest.approx(shape, abs=0.05)
    assert scale == pytest.approx(2.0, rel=0.05)


def test_equal_weights_are_equal_and_trusted() -> None:
    weights, k = smoothed_weights(np.full(1000, -3.0))
    assert weights == pytest.approx(np.full(1000, 1e-3))
    assert trusted(k, weights)
    assert effective_draws(weights) == pytest.approx(1000)


def test_weights_sum_to_one_and_keep_their_order() -> None:
    log_ratios = np.random.default_rng(1).standard_normal(1000)
    weights, k = smoothed_weights(log_ratios)
    assert weights.sum() == pytest.approx(1)
    assert (np.diff(weights[np.argsort(log_ratios)]) >= -1e-15).all()
    assert trusted(k, weights)


def test_one_draw_that_carries_nearly_all_is_not_trusted() -> None:
    rng = np.random.default_rng(1)
    weights, k = smoothed_weights(4.0 * rng.standard_t(2, 1000))
    assert not trusted(k, weights)


def test_smoothing_tames_the_largest_weight() -> None:
    log_ratios = np.random.default_rng(8).standard_exponential(1000)
    raw = np.exp(log_ratios)
    weights, _ = smoothed_weights(log_ratios)
    assert weights.max() / np.median(weights) <= raw.max() / np.median(raw) * (1 + 1e-9)


def test_very_large_ratios_do_not_overflow() -> None:
    weights, _ = smoothed_weights(np.array([0.0, 5000.0, 4999.0, -1e6] * 50))
    assert np.isfinite(weights).all()
