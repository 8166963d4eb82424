"""From draws of a pair's accuracy on the logit scale to what one patient's result is worth on the probit scale.

A patient sees one clinic's way of doing the test. What belongs to this finding alone is averaged out:
P(positive) = E[expit(m + ε)], ε normal, and η = Φ⁻¹ of it (so the extra variance shrinks η, as probit variance would).
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr, ndtri

Floats = NDArray[np.float64]

# η is kept within this: beyond it probabilities differ from 0 or 1 by less than 1e-15.
LIMIT = 8.0


@cache
def _nodes(count: int = 41) -> tuple[Floats, Floats]:
    points, weights = np.polynomial.hermite_e.hermegauss(count)
    return np.asarray(points), np.asarray(weights / weights.sum())


def mean_expit(mean: Floats, variance: Floats) -> Floats:
    """E[expit(X)] for X normal; arrays of any one shape, Gauss-Hermite with 41 nodes (error below 1e-5 up to sd 3)."""
    points, weights = _nodes()
    spread = np.sqrt(np.maximum(variance, 0.0))
    return np.asarray(expit(np.asarray(mean)[..., None] + np.asarray(spread)[..., None] * points) @ weights)


def to_probit(probability: Floats) -> Floats:
    """Φ⁻¹, kept within ±LIMIT so that a certainty stays finite."""
    return np.asarray(np.clip(ndtri(np.clip(probability, 0.0, 1.0)), -LIMIT, LIMIT))


def probit_margins(mean: Floats, variance: Floats) -> Floats:
    """η for people with and without the condition, (..., 2), from logit sensitivity and specificity (..., 2).

    variance (..., 2): of what is averaged out, on the logit scale. The second η is of 1 - specificity. Its sign is
    kept: a test whose positives are commoner without the condition argues against it.
    """
    with_condition = mean_expit(mean[..., 0], variance[..., 0])
    # 1 - expit(x) = expit(-x): never 1 minus a number near 1.
    without = mean_expit(-mean[..., 1], variance[..., 1])
    return np.stack([to_probit(with_condition), to_probit(without)], axis=-1)


def logit_of_probit(eta: Floats) -> Floats:
    """logit(Φ(η)), by the two tails so that neither rounds to 0."""
    return np.asarray(np.log(ndtr(eta)) - np.log(ndtr(-eta)))
