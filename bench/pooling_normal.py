"""The older approximation of the bivariate model, for comparison with results that were printed from it.

    y_i ~ Normal2(mu, L L' + diag(1 / hits_i + 1 / misses_i)),   y_i = log(hits_i / misses_i)

with each binomial replaced by a normal on the logit scale (van Houwelingen et al., Stat Med 2002;21:589-624; Reitsma
et al., J Clin Epidemiol 2005;58:982-990). It needs half a person in empty cells, and pulls rates near 0 or 1 inward;
Endfeel itself never uses it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

Array = NDArray[np.float64]

_STARTS = ((0.7, 0.0, 0.7), (0.7, -0.5, 0.4), (0.7, 0.5, 0.4), (0.1, 0.0, 0.1), (1.5, 0.5, 1.5))


def fit_normal(counts: Array, half: bool, restricted: bool) -> tuple[Array, Array, float]:
    """Mean (2,) of logit sensitivity and specificity, spreads (2,) and correlation (nan where a spread is 0).

    counts (k, 4): tp, fp, fn, tn. half: add half a person to every cell of every study. restricted: restricted
    likelihood. ValueError where a cell is empty and half is not asked for.
    """
    table = np.asarray(counts, dtype=float) + (0.5 if half else 0.0)
    if not (table > 0).all():
        raise ValueError("counts: the normal approximation needs every cell above 0; ask for half a person in each")
    hits, misses = table[:, [0, 3]], table[:, [2, 1]]
    logits, within = np.log(hits) - np.log(misses), 1 / hits + 1 / misses

    def loss(lower: Array) -> float:
        return -_log_likelihood(logits, within, lower, restricted)[0]

    best = None
    for start in _STARTS:
        found = minimize(loss, np.array(start), method="BFGS", options={"gtol": 1e-9})
        if best is None or found.fun < best.fun:
            best = found
    assert best is not None
    best = minimize(loss, best.x, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 4000})
    _, mean, between = _log_likelihood(logits, within, best.x, restricted)
    sd = np.sqrt(np.diag(between))
    correlation = between[0, 1] / sd.prod() if (sd > 1e-6).all() else np.nan
    return mean, sd, float(correlation)


def _log_likelihood(logits: Array, within: Array, lower: Array, restricted: bool) -> tuple[float, Array, Array]:
    """Profile log likelihood (constants left out) of the factor (3,), the mean there (2,) and the spread (2, 2)."""
    factor = np.array([[lower[0], 0.0], [lower[1], lower[2]]])
    between = factor @ factor.T
    total = between + within[:, :, None] * np.eye(2)
    weight = np.linalg.inv(total)
    information = weight.sum(axis=0)
    mean = np.linalg.solve(information, np.einsum("kij,kj->i", weight, logits))
    residual = logits - mean
    value = -0.5 * (np.linalg.slogdet(total)[1].sum() + np.einsum("ki,kij,kj->", residual, weight, residual))
    if restricted:
        value -= 0.5 * np.linalg.slogdet(information)[1]
    return float(value), mean, between
