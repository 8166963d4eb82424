"""Quick refit of several pairs at once that new studies tie together: a study's tests share its effect.

A study new to the edition with R lines of one condition, whatever pairs they are of, has one effect s. At each draw of
the shared parameters s is drawn from q, the Gaussian that its lines' empirical logits give:

    q(s) ~ Normal2(s; 0, Sigma_study) prod_r Normal2(logit_r; mu_r + B x_r / 2 + s, noise_r + Sigma_rest + Var(mu_r))

with mu_r and its variance by Laplace from the pair's other lines. Given s the pairs are independent, and each is
refitted as in refit.py with s known. The weight of a draw is that of importance sampling,

    Normal2(s; 0, Sigma_study) / q(s) prod_pairs Z(new lines | s) / Z(old lines)

so that q need not be exact for what is weighted; a draw of mu unweighted (`aligned`) is as good as q.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from endfeel.pooling import planar
from endfeel.pooling.data import Pair, PoolingData
from endfeel.pooling.edition import Edition
from endfeel.pooling.integrate import Line, approximate_mean, integrate_pair
from endfeel.pooling.refit import Refit, lines_of, noise_seed, used_draws, weighted_refits

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Change:
    """How one pair's lines change: some added, and those left out for which `without` is true. kind: of the finding."""

    pair: Pair
    kind: str
    added: tuple[Line, ...] = ()
    without: Callable[[Line], bool] | None = None


def shared_studies(edition: Edition, changes: Sequence[Change]) -> tuple[tuple[str, str], ...]:
    """(study, condition) new to the edition with two or more of the added lines, in their order."""
    lines = Counter((line.study_id, change.pair[1]) for change in changes for line in change.added)
    return tuple(study for study, count in lines.items() if count > 1 and study not in edition.study_index)


def refit_together(edition: Edition, data: PoolingData, changes: Sequence[Change], seed: int = 0) -> tuple[Refit, ...]:
    """Refit pairs whose new lines share studies, in the order of the changes; one change for each pair.

    data: what the edition was built from. Pairs that share no new study are refitted better apart, by refit_pair.
    """
    shared = shared_studies(edition, changes)
    before = [_standing(data, change) for change in changes]
    after = [
        [*(line for line in old if change.without is None or not change.without(line)), *change.added]
        for old, change in zip(before, changes, strict=True)
    ]
    used = used_draws(edition, max(map(len, [*before, *after])))
    centres = [_centre(edition, used, change) for change in changes]
    rng = np.random.default_rng([seed, len(changes)])
    log_ratio = np.zeros(used.size)
    effects: dict[tuple[str, str], Array] = {}
    others = [
        approximate_mean(
            edition,
            used,
            change.pair[1],
            [line for line in lines if (line.study_id, change.pair[1]) not in shared],
            mean,
            covariance,
        )
        for change, lines, (mean, covariance) in zip(changes, after, centres, strict=True)
    ]
    for study in shared:
        told = [
            (line, mean, covariance)
            for change, (mean, covariance) in zip(changes, others, strict=True)
            for line in change.added
            if (line.study_id, change.pair[1]) == study
        ]
        effects[study], log_weight = _effect(edition, used, told, rng)
        log_ratio += log_weight
    drawn: dict[Pair, Array] = {}
    for change, old, lines, (mean, covariance) in zip(changes, before, after, centres, strict=True):
        condition = change.pair[1]
        noise = noise_seed(change.pair, seed)
        known = [replace(line, effect=effects.get((line.study_id, condition))) for line in lines]
        then, _ = integrate_pair(edition, used, condition, old, mean, covariance, noise)
        now, drawn[change.pair] = integrate_pair(edition, used, condition, known, mean, covariance, noise)
        log_ratio += now - then
    return weighted_refits(edition, drawn, used, log_ratio, rng)


def _centre(edition: Edition, used: NDArray[np.int64], change: Change) -> tuple[Array, Array]:
    mean, covariance = edition.pair_centre(change.kind, change.pair[1])
    return mean[used], covariance[used]


def _standing(data: PoolingData, change: Change) -> list[Line]:
    joined = {line.study_id for line in change.added}
    return [replace(line, alone=line.alone and line.study_id not in joined) for line in lines_of(data, *change.pair)]


def _effect(
    edition: Edition, used: NDArray[np.int64], told: Sequence[tuple[Line, Array, Array]], rng: np.random.Generator
) -> tuple[Array, Array]:
    """A study's effect at each used draw (D, 2) and its log importance weight (D,).

    told: the study's lines with mean (D, 2) and covariance (D, 2, 2) of their pairs before this study is read.
    """
    prior = planar.inverse(edition.sigma_study[used])
    precision, pull = prior, np.zeros((used.size, 2))
    for line, mean, covariance in told:
        j = int(line.log_weight.argmax())
        hits, sizes = np.array([line.tp[j], line.tn[j]]), np.array([line.n1[j], line.n0[j]])
        noise = np.diag(1 / (hits + 0.5) + 1 / (sizes - hits + 0.5))
        row = planar.inverse(edition.sigma_rest[used] + covariance + noise)
        expected = mean + (edition.design_effect[used] @ np.array(line.design))[:, None] / 2
        precision = precision + row
        pull = pull + planar.apply(row, np.log(hits + 0.5) - np.log(sizes - hits + 0.5) - expected)
    covariance = planar.inverse(precision)
    lower = planar.lower_factor(covariance)
    noise = rng.standard_normal((used.size, 2))
    effect = planar.apply(covariance, pull) + planar.apply(lower, noise)
    log_prior = 0.5 * np.log(planar.determinant(prior)) - 0.5 * np.einsum("di,dij,dj->d", effect, prior, effect)
    log_proposal = -np.log(planar.determinant(lower)) - 0.5 * (noise**2).sum(axis=1)
    return effect, log_prior - log_proposal
