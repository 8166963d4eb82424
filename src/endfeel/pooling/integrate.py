"""Marginal likelihood and draws of one pair's mean, given each draw of the shared parameters.

Laplace's approximation at the mode (Tierney & Kadane, J Am Stat Assoc 1986;81:82-86) as proposal, corrected by
importance sampling with antithetic noise, so that small counts far from a Gaussian are integrated rightly too.
"""

from __future__ import annotations

import zlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log_expit, logsumexp, softmax

from endfeel.pooling import planar
from endfeel.pooling.data import Source, line_weight
from endfeel.pooling.edition import Edition

Array = NDArray[np.float64]

PROPOSALS = 8
PICKS = 4
"""Draws of mu for each draw of the shared parameters: the ends of an interval want more than a thousand."""


@dataclass(frozen=True)
class Line:
    """One line of a pair as the refit reads it.

    tp, n1, tn, n0, log_weight (J,): one entry for counted lines, the possible splits for rates lines;
    design: two-gate, proposes the test, index not blinded, each 0 or 1; source: None for a new line. alone: no other
    line has this study and condition, so that its study effect can be integrated with the residual. effect (D, 2): the
    study's effect at each used draw, where it was drawn from all the study's lines (together.py).
    """

    study_id: str
    tp: Array
    n1: Array
    tn: Array
    n0: Array
    log_weight: Array
    design: tuple[float, float, float]
    basis: str
    source: Source | None = None
    alone: bool = False
    effect: Array | None = None


def integrate_pair(
    edition: Edition,
    used: NDArray[np.int64],
    condition: str,
    lines: Sequence[Line],
    mean: Array,
    covariance: Array,
    seed: int,
) -> tuple[Array, Array]:
    """Log marginal likelihood of the lines for each used draw (D,), and PICKS draws of mu for each (PICKS, D, 2).

    used (D,): indices of the edition's draws; mean (D, 2), covariance (D, 2, 2): of mu before its lines are seen.
    The noise of a line follows from the seed and the line alone, so that in a ratio of two marginal likelihoods what
    the lines have in common cancels.
    """
    draws = used.size
    if not lines:
        noise = np.random.default_rng([seed]).standard_normal((PICKS, draws, 2))
        return np.zeros(draws), mean + planar.apply(planar.lower_factor(covariance), noise)
    problem = _problem(edition, used, condition, lines, mean, covariance)
    mu, theta, inner, outer = _mode(problem)
    inner_lower = planar.lower_factor(planar.inverse(inner))
    outer_lower = planar.lower_factor(planar.inverse(outer))
    half = _noise(lines, draws, seed)
    log_ratio = np.empty((PROPOSALS, draws))
    proposed = np.empty((PROPOSALS, draws, 2))
    carry = planar.inverse(inner) @ problem.row_precision
    log_scale = np.log(_diagonal(outer_lower)).sum(axis=-1) + np.log(_diagonal(inner_lower)).sum(axis=(-2, -1))
    for m in range(PROPOSALS):
        # Antithetic halves: the second mirrors the first.
        mirrored: Array = half[m // 2] if m % 2 == 0 else -half[m // 2]
        shift = planar.apply(outer_lower, mirrored[:, 0])
        moved = theta + planar.apply(carry, shift[:, None]) + planar.apply(inner_lower, mirrored[:, 1:])
        proposed[m] = mu + shift
        log_ratio[m] = _log_joint(problem, proposed[m], moved) + 0.5 * (mirrored**2).sum(axis=(-2, -1)) + log_scale
    log_z = logsumexp(log_ratio, axis=0) - np.log(PROPOSALS)
    share = np.exp(log_ratio - logsumexp(log_ratio, axis=0))
    at = np.random.default_rng([seed, draws]).random((PICKS, 1, draws))
    pick = (at > np.cumsum(share, axis=0)[:-1]).sum(axis=1)
    return log_z, proposed[pick, np.arange(draws)]


def approximate_mean(
    edition: Edition,
    used: NDArray[np.int64],
    condition: str,
    lines: Sequence[Line],
    mean: Array,
    covariance: Array,
) -> tuple[Array, Array]:
    """Laplace's approximation of mu given its lines at each used draw: mode (D, 2) and covariance (D, 2, 2)."""
    if not lines:
        return mean, covariance
    mu, _, _, outer = _mode(_problem(edition, used, condition, lines, mean, covariance))
    return mu, planar.inverse(outer)


@dataclass(frozen=True)
class _Problem:
    """One pair's lines for every draw: prior of mu, prior of theta given mu, and the counts.

    mean (D, 2), precision (D, 2, 2), log_det (D,) of the prior covariance; offset (D, R, 2); row_precision
    (D, R, 2, 2), row_log_det (D, R); hits, sizes (R, 2), for rates lines those of the likeliest split;
    constant (R,): of the log likelihood; power (R, 2).
    """

    mean: Array
    precision: Array
    log_det: Array
    offset: Array
    row_precision: Array
    row_log_det: Array
    hits: Array
    sizes: Array
    constant: Array
    power: Array
    split: _SplitLines | None


@dataclass(frozen=True)
class _SplitLines:
    """The rates lines among the lines: rows (Q,) they are; hits, misses, sizes (Q, J, 2) at each possible split."""

    rows: NDArray[np.int64]
    hits: Array
    misses: Array
    sizes: Array
    log_weight: Array


def _noise(lines: Sequence[Line], draws: int, seed: int) -> Array:
    """Standard normals (PROPOSALS / 2, D, 1 + R, 2): first those of mu, then each line's own."""
    seen: Counter[str] = Counter()
    noise = np.empty((PROPOSALS // 2, draws, 1 + len(lines), 2))
    noise[:, :, 0] = np.random.default_rng([seed]).standard_normal((PROPOSALS // 2, draws, 2))
    for r, line in enumerate(lines):
        place = f"{line.source.table}:{line.source.line}" if line.source else "own"
        name = f"{line.study_id} {place}"
        seen[name] += 1
        key = zlib.crc32(f"{name} {seen[name]}".encode())
        noise[:, :, 1 + r] = np.random.default_rng([seed, key]).standard_normal((PROPOSALS // 2, draws, 2))
    return noise


def _problem(
    edition: Edition,
    used: NDArray[np.int64],
    condition: str,
    lines: Sequence[Line],
    mean: Array,
    covariance: Array,
) -> _Problem:
    doubled = Counter(line.study_id for line in lines)
    likeliest = [int(line.log_weight.argmax()) for line in lines]
    hits = np.array([[line.tp[j], line.tn[j]] for line, j in zip(lines, likeliest, strict=True)])
    sizes = np.array([[line.n1[j], line.n0[j]] for line, j in zip(lines, likeliest, strict=True)])
    power = np.array(
        [
            line_weight(line.basis, h[0], z[0], h[1], z[1], lines=doubled[line.study_id])
            for line, h, z in zip(lines, hits, sizes, strict=True)
        ]
    )
    offset = np.zeros((used.size, len(lines), 2))
    spread = np.repeat(edition.sigma_rest[used, None], len(lines), axis=1)
    for r, line in enumerate(lines):
        offset[:, r] += (edition.design_effect[used] @ np.array(line.design))[:, None] / 2
        known = None if line.alone else edition.study_index.get((line.study_id, condition))
        if line.effect is not None:
            offset[:, r] += line.effect
        elif known is None:
            spread[:, r] += edition.sigma_study[used]
        else:
            offset[:, r] += edition.study_effect[used, known]
    return _Problem(
        mean=mean,
        precision=planar.inverse(covariance),
        log_det=np.log(planar.determinant(covariance)),
        offset=offset,
        row_precision=planar.inverse(spread),
        row_log_det=np.log(planar.determinant(spread)),
        hits=hits,
        sizes=sizes,
        constant=np.array([line.log_weight[0] if line.tp.size == 1 else 0.0 for line in lines]),
        power=power,
        split=_split_lines(lines),
    )


def _split_lines(lines: Sequence[Line]) -> _SplitLines | None:
    rows = [r for r, line in enumerate(lines) if line.tp.size > 1]
    if not rows:
        return None
    width = max(lines[r].tp.size for r in rows)
    hits, sizes = np.zeros((len(rows), width, 2)), np.zeros((len(rows), width, 2))
    log_weight = np.full((len(rows), width), -np.inf)
    for q, r in enumerate(rows):
        line, splits = lines[r], lines[r].tp.size
        hits[q, :splits] = np.stack([line.tp, line.tn], axis=1)
        sizes[q, :splits] = np.stack([line.n1, line.n0], axis=1)
        log_weight[q, :splits] = line.log_weight
    return _SplitLines(np.array(rows), hits, sizes - hits, sizes, log_weight)


def _mode(problem: _Problem) -> tuple[Array, Array, Array, Array]:
    """Mode of (mu, theta) for each draw, the precision of theta given mu (D, R, 2, 2) and that of mu (D, 2, 2)."""
    start = np.log(problem.hits + 0.5) - np.log(problem.sizes - problem.hits + 0.5)
    mu = problem.mean
    theta = np.broadcast_to(np.clip(start, -6, 6), problem.offset.shape).copy()
    eye = np.eye(2)
    for _ in range(25):
        slope, curvature = _derivatives(problem, theta)
        inner = problem.row_precision + curvature[..., None] * eye
        inner_covariance = planar.inverse(inner)
        solved = inner_covariance @ problem.row_precision
        outer = problem.precision + (problem.row_precision - problem.row_precision @ solved).sum(axis=1)
        pull = planar.apply(problem.row_precision, theta - mu[:, None] - problem.offset)
        row_gradient = slope - pull
        back = planar.apply(np.swapaxes(solved, -1, -2), row_gradient)
        gradient = pull.sum(axis=1) - planar.apply(problem.precision, mu - problem.mean) + back.sum(axis=1)
        step = np.clip(planar.apply(planar.inverse(outer), gradient), -2, 2)
        row_step = planar.apply(inner_covariance, row_gradient + planar.apply(problem.row_precision, step[:, None]))
        row_step = np.clip(row_step, -2, 2)
        mu, theta = mu + step, theta + row_step
        if max(np.abs(step).max(), np.abs(row_step).max()) < 1e-4:
            break
    _, curvature = _derivatives(problem, theta)
    inner = problem.row_precision + curvature[..., None] * eye
    carried = problem.row_precision @ planar.inverse(inner) @ problem.row_precision
    return mu, theta, inner, problem.precision + (problem.row_precision - carried).sum(axis=1)


def _derivatives(problem: _Problem, theta: Array) -> tuple[Array, Array]:
    """Slope (D, R, 2) of each line's log likelihood and a positive curvature (D, R, 2)."""
    rate = expit(theta)
    hits, sizes = problem.hits, problem.sizes
    if problem.split is not None:
        split, rows = problem.split, problem.split.rows
        terms = _split_terms(problem, log_expit(theta), log_expit(-theta))
        share = softmax(terms, axis=-1)
        hits, sizes = np.array(np.broadcast_to(hits, theta.shape)), np.array(np.broadcast_to(sizes, theta.shape))
        hits[:, rows] = np.swapaxes(share @ split.hits, 0, 1)
        sizes[:, rows] = np.swapaxes(share @ split.sizes, 0, 1)
    return problem.power * (hits - sizes * rate), problem.power * sizes * rate * (1 - rate)


def _log_joint(problem: _Problem, mu: Array, theta: Array) -> Array:
    from_prior = mu - problem.mean
    from_mean = theta - mu[:, None] - problem.offset
    total = -0.5 * (problem.log_det + np.einsum("di,dij,dj->d", from_prior, problem.precision, from_prior))
    squares = np.einsum("dri,drij,drj->dr", from_mean, problem.row_precision, from_mean)
    result: Array = total + (_line_likelihood(problem, theta) - 0.5 * (problem.row_log_det + squares)).sum(axis=1)
    return result


def _line_likelihood(problem: _Problem, theta: Array) -> Array:
    """Log likelihood of each line, (D, R)."""
    log_p, log_q = log_expit(theta), log_expit(-theta)
    terms = problem.power * (problem.hits * log_p + (problem.sizes - problem.hits) * log_q)
    result: Array = terms.sum(axis=-1) + problem.constant
    if problem.split is not None:
        result[:, problem.split.rows] = logsumexp(_split_terms(problem, log_p, log_q), axis=-1).T
    return result


def _split_terms(problem: _Problem, log_p: Array, log_q: Array) -> Array:
    """Log likelihood of each rates line at each split, (Q, D, J)."""
    split = problem.split
    assert split is not None
    power = problem.power[split.rows, None]
    hit, miss = np.swapaxes(log_p[:, split.rows], 0, 1) * power, np.swapaxes(log_q[:, split.rows], 0, 1) * power
    result: Array = hit @ np.swapaxes(split.hits, 1, 2) + miss @ np.swapaxes(split.misses, 1, 2)
    return result + split.log_weight[:, None]


def _diagonal(matrix: Array) -> Array:
    result: Array = np.diagonal(matrix, axis1=-2, axis2=-1)
    return result
