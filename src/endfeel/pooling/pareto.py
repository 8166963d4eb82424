"""Pareto-smoothed importance weights and their diagnostic k.

Vehtari, Simpson, Gelman, Yao & Gabry, J Mach Learn Res 2024;25(72) (smoothing, thresholds); Zhang & Stephens,
Technometrics 2009;51:316-325 (fit of the generalised Pareto distribution).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import softmax

Array = NDArray[np.float64]


def smoothed_weights(log_ratios: Array) -> tuple[Array, float]:
    """Normalised weights (D,) from log importance ratios (D,), and Pareto k.

    k below 0.7 (below 1 - 1/log10 D for few draws) says that the weights can be trusted; -inf where they are equal.
    """
    draws = log_ratios.size
    ratios = np.exp(log_ratios - log_ratios.max())
    tail = int(np.ceil(min(0.2 * draws, 3 * np.sqrt(draws))))
    order = np.argsort(ratios)
    cutoff = ratios[order[-tail - 1]] if tail < draws else 0.0
    upper = ratios[order[-tail:]]
    if tail < 5 or upper[-1] - cutoff <= 1e-10 * upper[-1]:
        return ratios / ratios.sum(), -np.inf
    k, scale = generalised_pareto(upper - cutoff)
    if np.isfinite(k):
        ranks = (np.arange(tail) + 0.5) / tail
        excess = -scale * np.log1p(-ranks) if abs(k) < 1e-8 else scale * np.expm1(-k * np.log1p(-ranks)) / k
        ratios[order[-tail:]] = np.minimum(cutoff + excess, 1.0)
    return ratios / ratios.sum(), float(k)


def trusted(k: float, weights: Array) -> bool:
    """Whether normalised weights with this Pareto k can be used.

    Weights that hardly differ (none above five times the average) are safe whatever the shape of their tail.
    """
    draws = weights.size
    return bool(k < min(0.7, 1 - 1 / np.log10(max(draws, 20))) or weights.max() * draws < 5)


def effective_draws(weights: Array) -> float:
    """Kish's effective number of draws of normalised weights."""
    return float(1 / np.sum(weights**2))


def generalised_pareto(excesses: Array) -> tuple[float, float]:
    """Shape k and scale of excesses over a threshold, sorted ascending (Zhang & Stephens, prior as in Vehtari)."""
    n = excesses.size
    grid = 30 + int(np.sqrt(n))
    quartile = max(excesses[int(n / 4 + 0.5) - 1], np.finfo(float).tiny)
    theta = 1 - np.sqrt(grid / (np.arange(1, grid + 1) - 0.5))
    theta = theta / (3 * quartile) + 1 / excesses[-1]
    shapes = np.log1p(-theta[:, None] * excesses).mean(axis=1)
    profile = n * (np.log(-theta / shapes) - shapes - 1)
    best = float(theta @ softmax(profile))
    shape = float(np.log1p(-best * excesses).mean())
    scale = -shape / best
    return (n * shape + 10 * 0.5) / (n + 10), scale
