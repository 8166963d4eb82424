"""Maximum likelihood of the two-level bivariate model of one pair, for comparison with published meta-analyses.

    tp_i ~ Binomial(n1_i, expit theta_i1)   tn_i ~ Binomial(n0_i, expit theta_i2)   theta_i ~ Normal2(mu, L L')

The random effects are integrated by two-dimensional adaptive Gauss-Hermite quadrature (Pinheiro & Bates, J Comput
Graph Stat 1995;4:12-35): per study, nodes are centred at the mode of u in theta = mu + L u and scaled by the curvature
there; one node is Laplace's approximation. Working in u keeps everything finite where L is singular, and that is the
common case with few studies: likelihood often rises all the way to a correlation of 1 or a spread of 0.

HSROC parameters from the bivariate ones: Harbord et al., Biostatistics 2007;8:239-251. Regions: Reitsma et al.,
J Clin Epidemiol 2005;58:982-990, with F(2, k - 2) quantiles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import approx_fprime, minimize
from scipy.special import expit, gammaln, log_expit, logsumexp
from scipy.stats import chi2, f

from endfeel.pooling import planar

Array = NDArray[np.float64]

NODES = 9
SINGULAR = 1e-3
"""A spread below this, or a correlation this near to 1 in size, is called a boundary."""

LARGEST_GROUP = 1e7
"""Counts of larger groups are scaled down to this: nothing more can be learned, and digits would be lost."""

_LARGEST_LOGIT = 12.0
_FISHER_NODES = 7


@dataclass(frozen=True)
class Hsroc:
    """Hierarchical summary ROC parameters: accuracy, threshold, shape and the two variances."""

    accuracy: float
    threshold: float
    shape: float
    accuracy_variance: float
    threshold_variance: float


@dataclass(frozen=True)
class BivariateFit:
    """A maximum likelihood fit.

    mean (2,): logit sensitivity and specificity; sd (2,), correlation: between studies (nan where a spread is 0);
    mean_covariance (2, 2): of the mean; log_likelihood: with binomial coefficients. boundary: what lies on its
    boundary, in words, empty where nothing does. corrected: half a person was added to each cell, since a whole column
    was empty and the estimate would be infinite. k: studies. hsroc: None where a spread is 0.
    """

    mean: Array
    sd: Array
    correlation: float
    mean_covariance: Array
    log_likelihood: float
    hsroc: Hsroc | None
    boundary: tuple[str, ...]
    corrected: bool
    k: int
    converged: bool

    @property
    def covariance(self) -> Array:
        """Between-study covariance (2, 2)."""
        between = 0.0 if np.isnan(self.correlation) else self.correlation * self.sd[0] * self.sd[1]
        return np.array([[self.sd[0] ** 2, between], [between, self.sd[1] ** 2]])


def fit_bivariate(counts: Sequence[tuple[float, float, float, float]] | Array, nodes: int = NODES) -> BivariateFit:
    """Fit studies given as (tp, fp, fn, tn) rows, (k, 4).

    nodes: quadrature nodes per dimension. With one study, or where studies do not differ more than chance, the spreads
    are 0 and the fit is that of one binomial each. ValueError with one line where a row has no one in a group.
    """
    table = np.asarray(counts, dtype=float).reshape(-1, 4)
    _check(table)
    hits, misses = table[:, [0, 3]], table[:, [2, 1]]
    scale = np.minimum(1.0, LARGEST_GROUP / (hits + misses))
    hits, misses = hits * scale, misses * scale
    corrected = bool((hits.sum(axis=0) == 0).any() or (misses.sum(axis=0) == 0).any())
    if corrected:
        hits, misses = hits + 0.5, misses + 0.5
    k = table.shape[0]
    start_mean = np.log(hits.sum(axis=0)) - np.log(misses.sum(axis=0))
    parameters, converged = np.array([*start_mean, 0.0, 0.0, 0.0]), True
    if k > 1:
        parameters, converged = _maximise(hits, misses, start_mean, nodes)
    lower = _lower(parameters)
    covariance = lower @ lower.T
    sd = np.sqrt(np.diag(covariance))
    interior = bool((sd > SINGULAR).all())
    correlation = float(np.clip(covariance[0, 1] / (sd[0] * sd[1]), -1, 1)) if interior else float("nan")
    log_likelihood = log_likelihood_of(hits, misses, parameters[:2], lower, nodes)
    return BivariateFit(
        mean=parameters[:2],
        sd=sd,
        correlation=correlation,
        mean_covariance=_mean_covariance(hits, misses, parameters, nodes),
        log_likelihood=log_likelihood,
        hsroc=_hsroc(parameters[:2], sd, correlation) if interior else None,
        boundary=_boundary(sd, correlation, k),
        corrected=corrected,
        k=k,
        converged=converged,
    )


def log_likelihood_of(hits: Array, misses: Array, mean: Array, lower: Array, nodes: int = NODES) -> float:
    """Log likelihood, with binomial coefficients. hits, misses (k, 2); mean (2,); lower (2, 2) factor of the spread."""
    _, _, per_study = _quadrature(hits, misses, mean, lower, nodes)
    constant = (gammaln(hits + misses + 1) - gammaln(hits + 1) - gammaln(misses + 1)).sum()
    return float(per_study.sum() + constant)


def confidence_region(fit: BivariateFit, coverage: float = 0.95, points: int = 181) -> Array:
    """Outline (points, 2) of the region for the mean: sensitivity and specificity, fractions of one."""
    return _outline(fit.mean, fit.mean_covariance, _radius(fit.k, coverage), points)


def prediction_region(fit: BivariateFit, coverage: float = 0.95, points: int = 181) -> Array:
    """Outline (points, 2) of the region for a new study's sensitivity and specificity."""
    return _outline(fit.mean, fit.mean_covariance + fit.covariance, _radius(fit.k, coverage), points)


def summary_curve(fit: BivariateFit, specificity: Array) -> Array:
    """Sensitivity of the summary ROC curve at these specificities; ValueError where the fit has none."""
    if fit.hsroc is None:
        raise ValueError("no summary curve: the studies' spread is estimated as zero")
    h = fit.hsroc
    false_positive = -(np.log(specificity) - np.log1p(-specificity))
    result: Array = expit(h.accuracy * np.exp(-h.shape / 2) + np.exp(-h.shape) * false_positive)
    return result


def _check(table: Array) -> None:
    if table.size == 0:
        raise ValueError("no study to fit; give at least one row of tp, fp, fn, tn")
    if not np.isfinite(table).all() or (table < 0).any():
        raise ValueError("counts of people must be numbers, 0 or more")
    for i, (tp, fp, fn, tn) in enumerate(table):
        if tp + fn == 0 or fp + tn == 0:
            group = "with" if tp + fn == 0 else "without"
            raise ValueError(f"study {i + 1} has nobody {group} the condition; both groups need at least one person")


def _maximise(hits: Array, misses: Array, start_mean: Array, nodes: int) -> tuple[Array, bool]:
    logits = np.log(hits + 0.5) - np.log(misses + 0.5)
    spread = np.clip(logits.std(axis=0), 0.1, 2.0)

    def loss(parameters: Array) -> tuple[float, Array]:
        value, gradient = _gradient(hits, misses, parameters[:2], _lower(parameters), nodes)
        if nodes < _FISHER_NODES:
            # Laplace's approximation is no exact integral: Fisher's identity is not its gradient.
            gradient = approx_fprime(parameters, lambda at: _gradient(hits, misses, at[:2], _lower(at), nodes)[0], 1e-6)
        return (-value, -gradient) if np.isfinite(value) else (1e12, np.zeros(5))

    bounds = [(-_LARGEST_LOGIT, _LARGEST_LOGIT)] * 2 + [(0.0, 8.0), (-8.0, 8.0), (0.0, 8.0)]
    fits = []
    # The likelihood can have a mode on each boundary of the correlation; starts on either side find the higher.
    # With very many studies it has one, far from either.
    for across in (-0.6, 0.0, 0.6) if len(hits) <= 200 else (0.0,):
        first = np.clip(np.median(logits, axis=0), -6, 6) if across else np.clip(start_mean, -6, 6)
        factor = [spread[0], across * spread[1], np.sqrt(1 - across**2) * spread[1]]
        start = np.array([*first, *factor])
        fits.append(minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-13}))
    fixed = [*bounds[:2], (0.0, 0.0), (0.0, 0.0), (0.0, 0.0)]
    start = np.array([*np.clip(start_mean, -6, 6), 0.0, 0.0, 0.0])
    fits.append(minimize(loss, start, jac=True, method="L-BFGS-B", bounds=fixed, options={"ftol": 1e-13}))
    best = min(fits, key=lambda found: float(found.fun))
    if len(hits) <= 200 and best.x[2:].any():
        # Where spreads are large the nodes are few and Fisher's identity is a little off: end on the sum itself.
        polished = minimize(lambda at: loss(at)[0], best.x, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-12})
        best = min(best, polished, key=lambda found: float(found.fun))
    found = np.array(best.x, dtype=float)
    if found[2] <= SINGULAR:
        # Without a spread of sensitivity only the size of the other row matters.
        found[2:] = [0.0, 0.0, np.hypot(found[3], found[4])]
    if np.hypot(found[3], found[4]) <= SINGULAR:
        found[3:] = 0.0
    return found, bool(best.fun < 1e12)


def _quadrature(hits: Array, misses: Array, mean: Array, lower: Array, nodes: int) -> tuple[Array, Array, Array]:
    """Nodes u (k, Q, 2), log of weight times integrand (k, Q), and each study's log likelihood (k,)."""
    modes, scales = _modes(hits, misses, mean, lower)
    points, weights = np.polynomial.hermite_e.hermegauss(nodes)
    grid = np.stack(np.meshgrid(points, points, indexing="ij"), axis=-1).reshape(-1, 2)
    log_grid = np.add.outer(np.log(weights), np.log(weights)).ravel() + 0.5 * (grid**2).sum(axis=1)
    u = modes[:, None] + planar.apply(scales[:, None], grid[None])
    theta = mean + planar.apply(lower, u)
    inside = (hits[:, None] * log_expit(theta) + misses[:, None] * log_expit(-theta)).sum(axis=-1)
    inside += -0.5 * (u**2).sum(axis=-1) - np.log(2 * np.pi) + log_grid
    inside += np.log(planar.determinant(scales))[:, None]
    return u, inside, np.asarray(logsumexp(inside, axis=1))


def _gradient(hits: Array, misses: Array, mean: Array, lower: Array, nodes: int) -> tuple[float, Array]:
    """Log likelihood without constant, and its gradient by Fisher's identity (score averaged over each posterior)."""
    u, inside, per_study = _quadrature(hits, misses, mean, lower, nodes)
    share = np.exp(inside - per_study[:, None])
    rate = expit(mean + planar.apply(lower, u))
    score = hits[:, None] - (hits + misses)[:, None] * rate
    across = np.einsum("kq,kqi,kqj->ij", share, score, u)
    gradient = np.array([*np.einsum("kq,kqi->i", share, score), across[0, 0], across[1, 0], across[1, 1]])
    return float(per_study.sum()), gradient


def _lower(parameters: Array) -> Array:
    return np.array([[parameters[2], 0.0], [parameters[3], parameters[4]]])


def _modes(hits: Array, misses: Array, mean: Array, lower: Array) -> tuple[Array, Array]:
    """Mode of u (k, 2) per study, and lower factor (k, 2, 2) of the inverse curvature there."""
    size = hits + misses
    u = np.zeros(hits.shape)
    value = np.full(hits.shape[0], -np.inf)
    step = np.zeros(hits.shape)
    scale = np.ones((hits.shape[0], 1))
    for _ in range(100):
        trial = u + scale * step
        theta = mean + planar.apply(lower, trial)
        now = (hits * log_expit(theta) + misses * log_expit(-theta)).sum(axis=1) - 0.5 * (trial**2).sum(axis=1)
        better = now >= value - 1e-12
        scale = np.where(better[:, None], 1.0, scale / 2)
        u = np.where(better[:, None], trial, u)
        value = np.where(better, now, value)
        theta = mean + planar.apply(lower, u)
        rate = expit(theta)
        curvature = np.einsum("ai,ka,aj->kij", lower, size * rate * (1 - rate), lower) + np.eye(2)
        gradient = planar.apply(lower.T, hits - size * rate) - u
        step = planar.apply(planar.inverse(curvature), gradient)
        if better.all() and np.abs(step).max() < 1e-10:
            break
    return u, planar.lower_factor(planar.inverse(curvature))


def _mean_covariance(hits: Array, misses: Array, parameters: Array, nodes: int) -> Array:
    """Inverse of the observed information of all parameters that are not on a boundary, its block of the mean."""
    lower = _lower(parameters)
    free = [0, 1]
    sd = np.sqrt(np.diag(lower @ lower.T))
    if (sd > SINGULAR).all():
        singular = abs(parameters[4]) < SINGULAR * sd[1]
        free += [2, 3] if singular else [2, 3, 4]
    elif sd[0] > SINGULAR:
        free += [2]
    elif sd[1] > SINGULAR:
        free += [4]

    def value(point: Array) -> float:
        return log_likelihood_of(hits, misses, point[:2], _lower(point), nodes)

    information: Array = -_hessian(value, parameters, free)
    for count in (len(free), 2):
        block: Array = information[:count, :count]
        if np.isfinite(block).all() and np.linalg.eigvalsh(block).min() > 1e-8:
            return np.asarray(np.linalg.inv(block), dtype=float)[:2, :2]
    # A flat likelihood (every study certain): the binomials' own information, never less than half a person.
    rate = expit(parameters[:2])
    information_of_mean: Array = np.maximum((hits + misses).sum(axis=0) * rate * (1 - rate), 0.5)
    return np.eye(2) / information_of_mean


def _hessian(value, at: Array, free: Sequence[int]) -> Array:  # type: ignore[no-untyped-def]
    steps = {i: 1e-3 * max(1.0, abs(at[i])) for i in free}
    result = np.empty((len(free), len(free)))
    centre = value(at)
    for a, i in enumerate(free):
        for b, j in enumerate(free[: a + 1]):
            total = 0.0
            if i == j:
                for sign in (1, -1):
                    point = at.copy()
                    point[i] += sign * steps[i]
                    total += value(point)
                result[a, a] = (total - 2 * centre) / steps[i] ** 2
                continue
            for one, two in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
                point = at.copy()
                point[i] += one * steps[i]
                point[j] += two * steps[j]
                total += one * two * value(point)
            result[a, b] = result[b, a] = total / (4 * steps[i] * steps[j])
    return result


def _hsroc(mean: Array, sd: Array, correlation: float) -> Hsroc:
    ratio = np.sqrt(sd[1] / sd[0])
    across = correlation * sd[0] * sd[1]
    return Hsroc(
        accuracy=float(ratio * mean[0] + mean[1] / ratio),
        threshold=float((ratio * mean[0] - mean[1] / ratio) / 2),
        shape=float(np.log(sd[1] / sd[0])),
        accuracy_variance=float(2 * (sd[0] * sd[1] + across)),
        threshold_variance=float((sd[0] * sd[1] - across) / 2),
    )


def _boundary(sd: Array, correlation: float, k: int) -> tuple[str, ...]:
    if k == 1:
        return ("one study: no spread between studies can be estimated",)
    found = []
    for side, name in ((0, "sensitivity"), (1, "specificity")):
        if sd[side] <= SINGULAR:
            found.append(f"the spread of {name} between studies is estimated as 0")
    if not np.isnan(correlation) and abs(correlation) >= 1 - SINGULAR:
        sign = "-1" if correlation < 0 else "1"
        found.append(f"the correlation between sensitivity and specificity is estimated as {sign}")
    return tuple(found)


def _radius(k: int, coverage: float) -> float:
    return float(np.sqrt(2 * f.ppf(coverage, 2, k - 2) if k > 2 else chi2.ppf(coverage, 2)))


def _outline(mean: Array, covariance: Array, radius: float, points: int) -> Array:
    angle = np.linspace(0, 2 * np.pi, points)
    circle = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    result: Array = expit(mean + radius * planar.apply(planar.lower_factor(covariance), circle))
    return result
