"""What to expect of a test in a clinic that no study came from: study effect and residual integrated.

Noise comes from one fixed scrambled Sobol sequence (Owen, J Complex 1998;14:466-489), so the same edition always
gives the same figures.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtri
from scipy.stats import qmc

from endfeel.pooling import planar
from endfeel.pooling.edition import Edition

Array = NDArray[np.float64]

CLINICS_PER_DRAW = 8


@dataclass(frozen=True)
class PairDraws:
    """Posterior draws of one pair with the spreads that belong to them.

    mu (D, 2): logit sensitivity and specificity in an average clinic; sigma_study, sigma_rest (D, 2, 2).
    """

    mu: Array
    sigma_study: Array
    sigma_rest: Array


def pair_draws(edition: Edition, observable: str, condition: str) -> PairDraws:
    """The edition's draws of a studied pair; UnknownPairError where no study measured it."""
    return PairDraws(edition.pair(observable, condition), edition.sigma_study, edition.sigma_rest)


def assumed_draws(edition: Edition, kind: str, condition: str) -> PairDraws:
    """Draws for a pair that nobody studied: what its kind of finding and its condition lead one to expect."""
    mean, covariance = edition.pair_centre(kind, condition)
    noise = standard_noise(edition.draws, 1)[:, 0, :2]
    return PairDraws(mean + _times(covariance, noise[:, None])[:, 0], edition.sigma_study, edition.sigma_rest)


def predictive_rates(draws: PairDraws, clinics: int = CLINICS_PER_DRAW) -> Array:
    """Sensitivity and specificity in new clinics, (D * clinics, 2)."""
    noise = standard_noise(draws.mu.shape[0], clinics)
    theta = draws.mu[:, None] + _times(draws.sigma_study, noise[..., :2]) + _times(draws.sigma_rest, noise[..., 2:])
    result: Array = expit(theta).reshape(-1, 2)
    return result


@cache
def standard_noise(draws: int, clinics: int) -> Array:
    """Quasi-random standard normals (draws, clinics, 4)."""
    power = max(1, int(np.ceil(np.log2(draws * clinics))))
    points = qmc.Sobol(4, rng=np.random.default_rng(20_060_215)).random_base2(power)[: draws * clinics]
    noise: Array = ndtri(np.clip(points, 1e-12, 1 - 1e-12)).reshape(draws, clinics, 4)
    # Sobol points are ordered; without shuffling, late draws would meet other noise than early ones.
    shuffled = np.random.default_rng(1).permutation(draws * clinics)
    noise = noise.reshape(-1, 4)[shuffled].reshape(draws, clinics, 4)
    noise.setflags(write=False)
    return noise


def _times(covariance: Array, noise: Array) -> Array:
    return planar.apply(planar.lower_factor(covariance)[:, None], noise)
