"""How one finding responds to every state, fitted to the pooled accuracy of its pairs, draw by draw.

    P(positive | S) = Φ(η_S)          η_S = (a + Σ_{c in S} w_c) / scale_S + offset_S

With one condition studied, a and w follow in closed form (the fit reaches them exactly). With several, 2K constraints
on fewer unknowns can not all hold, and studies do disagree: a and w come from weighted least squares to the pooled
pairs on the probit scale. A pair's model rates are P(positive | the pair's condition present) and P(positive | absent)
under a reference case mix, so conditions that come together are not counted twice. Weights are the inverse covariance
of the pair's draws; each w is drawn to the finding's mean (sd 0.5), and a to the mean of the pairs' rates without their
condition (sd 1): where two conditions fill most of the case mix, their specificities alone would allow any a, down to a
finding that is never positive in anyone else.

A part that was only studied as part of a union has w = w_union + N(0, 0.3²).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from endfeel.belief.probit import LIMIT

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Ours: sd of each w about the finding's mean w, and of a about its pairs' rates without their condition, in probits.
SHRINKAGE = 0.5
ELSEWHERE_SPREAD = 1.0
PART_SPREAD = 0.3


@dataclass(frozen=True)
class ResponsePlan:
    """Which conditions a finding responds to and by which unknowns.

    responds: columns of the finest conditions, ascending. unknown_of: for each of them which w it uses. loose: for
    each whether it was only studied (or assumed) as part of a union. pair_parts: for each pair its columns.
    """

    responds: tuple[int, ...]
    unknown_of: tuple[int, ...]
    loose: tuple[bool, ...]
    pair_parts: tuple[tuple[int, ...], ...]

    @property
    def unknowns(self) -> int:
        """Number of w."""
        return max(self.unknown_of, default=-1) + 1


def plan_response(pair_parts: tuple[tuple[int, ...], ...]) -> ResponsePlan:
    """From the finest conditions of each pair: a pair of one condition gives it its own w, a union gives one w to
    those of its parts that no narrower pair reaches."""
    owner: dict[int, int] = {}
    loose: dict[int, bool] = {}
    unknown = 0
    for parts in sorted(set(pair_parts), key=lambda p: (len(p), p)):
        fresh = [c for c in parts if c not in owner]
        if not fresh:
            continue
        for c in fresh:
            owner[c], loose[c] = unknown, len(parts) > 1
        unknown += 1
    responds = tuple(sorted(owner))
    return ResponsePlan(responds, tuple(owner[c] for c in responds), tuple(loose[c] for c in responds), pair_parts)


@dataclass(frozen=True)
class Response:
    """theta (draws, 1 + unknowns): a, then the w. fitted (draws, pairs, 2): the model's own rates for each pair on the
    probit scale, to hold beside what was aimed at."""

    theta: Floats
    fitted: Floats


def response_at(
    plan: ResponsePlan, theta: Floats, part_offset: Floats | None, patterns: NDArray[np.bool_]
) -> Floats:
    """η (draws, patterns) for patterns, bool (patterns, responds), of the conditions that the finding responds to."""
    scaled, offset = _laid_out(plan, patterns, part_offset, len(theta))
    return np.clip(theta @ scaled.T + offset, -LIMIT, LIMIT)


def fit_response(
    plan: ResponsePlan,
    patterns: NDArray[np.bool_],
    case_mix: Floats,
    target: Floats,
    covariance: Floats,
    part_offset: Floats | None = None,
) -> Response:
    """Weighted least squares per draw.

    patterns: bool (patterns, responds), which of plan.responds a state holds. case_mix (patterns,): how common each is.
    target (draws, pairs, 2): η with and without each pair's condition. covariance (pairs, 2, 2): of the target over
    draws. part_offset (draws, responds): what each loose part deviates from its union in these draws; where None, the
    deviation is averaged out instead, which divides η by √(1 + 0.3² n).
    """
    draws, pairs, _ = target.shape
    if pairs == 1 and len(plan.responds) == 1:
        theta = np.stack([target[:, 0, 1], target[:, 0, 0] - target[:, 0, 1]], axis=1)
        return Response(theta, target.copy())
    scaled, offset = _laid_out(plan, patterns, part_offset, draws)
    share = _shares(plan, patterns, case_mix)
    weight = np.linalg.inv(covariance + 1e-4 * np.eye(2))
    root = np.linalg.cholesky(weight).transpose(0, 2, 1)
    pull, aim = _pull(plan.unknowns, target)
    theta = _first_guess(plan, target)
    damping = np.full(draws, 1e-6)
    residual, jacobian = _linearise(theta, scaled, offset, share, target, root, pull, aim)
    cost = (residual**2).sum(axis=1)
    for _ in range(40):
        gradient = np.einsum("dij,di->dj", jacobian, residual)
        normal = np.einsum("dij,dik->djk", jacobian, jacobian)
        diagonal = np.einsum("djj->dj", normal)
        damped = normal + (damping[:, None] * diagonal + 1e-12)[:, :, None] * np.eye(normal.shape[1])
        step = np.linalg.solve(damped, gradient[..., None])[..., 0]
        trial = theta - np.clip(step, -3.0, 3.0)
        new_residual, new_jacobian = _linearise(trial, scaled, offset, share, target, root, pull, aim)
        new_cost = (new_residual**2).sum(axis=1)
        better = new_cost <= cost
        settled = np.abs(new_cost - cost) <= 1e-12 * (1 + cost)
        theta = np.where(better[:, None], trial, theta)
        residual = np.where(better[:, None], new_residual, residual)
        jacobian = np.where(better[:, None, None], new_jacobian, jacobian)
        cost = np.where(better, new_cost, cost)
        damping = np.where(better, damping * 0.1, damping * 10)
        if (settled | (damping > 1e8)).all():
            break
    eta = np.clip(theta @ scaled.T + offset, -LIMIT, LIMIT)
    return Response(theta, _rates(eta, share))


def variance_elsewhere(
    plan: ResponsePlan, patterns: NDArray[np.bool_], case_mix: Floats, target: Floats, covariance: Floats
) -> float:
    """Variance of a, the finding's η where none of its conditions is present: from the curvature of fit_response at its
    solution for the first draw of target (draws, pairs, 2)."""
    theta = fit_response(plan, patterns, case_mix, target[:1], covariance).theta
    scaled, offset = _laid_out(plan, patterns, None, 1)
    pull, aim = _pull(plan.unknowns, target[:1])
    root = np.linalg.cholesky(np.linalg.inv(covariance + 1e-4 * np.eye(2))).transpose(0, 2, 1)
    share = _shares(plan, patterns, case_mix)
    _, jacobian = _linearise(theta, scaled, offset, share, target[:1], root, pull, aim)
    bend = jacobian[0].T @ jacobian[0] + 1e-9 * np.eye(jacobian.shape[2])
    return float(np.linalg.inv(bend)[0, 0])


def _laid_out(
    plan: ResponsePlan, patterns: NDArray[np.bool_], part_offset: Floats | None, draws: int
) -> tuple[Floats, Floats]:
    """(patterns, 1 + unknowns) and (draws, patterns) with η = theta @ first.T + second."""
    design = np.zeros((len(patterns), 1 + plan.unknowns))
    design[:, 0] = 1.0
    for place, unknown in enumerate(plan.unknown_of):
        design[:, 1 + unknown] += patterns[:, place]
    loose = (patterns & np.array(plan.loose, dtype=bool)).astype(float)
    if part_offset is not None:
        return design, part_offset @ loose.T
    scale = 1 / np.sqrt(1 + PART_SPREAD**2 * loose.sum(axis=1))
    return design * scale[:, None], np.zeros((draws, len(patterns)))


def _shares(plan: ResponsePlan, patterns: NDArray[np.bool_], case_mix: Floats) -> Floats:
    """(pairs, 2, patterns): how common each pattern is among people with and without each pair's condition."""
    share = np.zeros((len(plan.pair_parts), 2, len(patterns)))
    place = {c: i for i, c in enumerate(plan.responds)}
    for k, parts in enumerate(plan.pair_parts):
        held = patterns[:, [place[c] for c in parts]].any(axis=1)
        for row, chosen in enumerate((held, ~held)):
            weights = np.where(chosen, np.maximum(case_mix, 1e-12), 0.0)
            share[k, row] = weights / weights.sum()
    return share


def _pull(unknowns: int, target: Floats) -> tuple[Floats, Floats]:
    """Rows (rows, 1 + unknowns) and what they aim at (draws, rows): a drawn to the pairs' mean rate without their
    condition, each w to the mean w; none where there is one pair or one w only."""
    draws, pairs, _ = target.shape
    rows, aims = np.zeros((0, 1 + unknowns)), np.zeros((draws, 0))
    if pairs > 1:
        elsewhere = np.zeros((1, 1 + unknowns))
        elsewhere[0, 0] = 1 / ELSEWHERE_SPREAD
        rows, aims = elsewhere, target[:, :, 1].mean(axis=1, keepdims=True) / ELSEWHERE_SPREAD
    if unknowns > 1:
        centred = (np.eye(unknowns) - 1 / unknowns) / SHRINKAGE
        rows = np.vstack([rows, np.hstack([np.zeros((unknowns, 1)), centred])])
        aims = np.hstack([aims, np.zeros((draws, unknowns))])
    return rows, aims


def _first_guess(plan: ResponsePlan, target: Floats) -> Floats:
    theta = np.zeros((len(target), 1 + plan.unknowns))
    theta[:, 0] = target[:, :, 1].mean(axis=1)
    place = {c: u for c, u in zip(plan.responds, plan.unknown_of, strict=True)}
    for u in range(plan.unknowns):
        pairs = [k for k, parts in enumerate(plan.pair_parts) if any(place[c] == u for c in parts)]
        theta[:, 1 + u] = (target[:, pairs, 0] - target[:, pairs, 1]).mean(axis=1)
    return theta


def _rates(eta: Floats, share: Floats) -> Floats:
    rate = np.einsum("krp,dp->dkr", share, ndtr(eta))
    return np.asarray(np.clip(ndtri(rate), -LIMIT - 1, LIMIT + 1))


def _linearise(
    theta: Floats, scaled: Floats, offset: Floats, share: Floats, target: Floats, root: Floats, pull: Floats,
    aim: Floats,
) -> tuple[Floats, Floats]:
    """Whitened residuals (draws, rows) and their derivatives (draws, rows, unknowns)."""
    draws, pairs, _ = target.shape
    eta = np.clip(theta @ scaled.T + offset, -LIMIT, LIMIT)
    fitted = _rates(eta, share)
    slope = np.exp(-0.5 * (eta[:, None, None, :] ** 2 - fitted[..., None] ** 2)) * share
    jacobian = slope @ scaled
    gap = np.einsum("kij,dkj->dki", root, fitted - target).reshape(draws, 2 * pairs)
    bend = np.einsum("kij,dkjq->dkiq", root, jacobian).reshape(draws, 2 * pairs, -1)
    rows = theta @ pull.T - aim
    return (
        np.concatenate([gap, rows], axis=1),
        np.concatenate([bend, np.broadcast_to(pull, (draws, *pull.shape))], axis=1),
    )
