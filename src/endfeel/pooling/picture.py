"""What the plots of one pair show, as plain numbers: each study's rates, the pooled ones, regions in ROC space.

Study intervals: Wilson, J Am Stat Assoc 1927;22:209-212. Regions: ellipses on the logit scale around the draws' mean
that hold 95 % of a bivariate normal with the draws' covariance, turned into rates (as Reitsma et al., J Clin Epidemiol
2005;58:982-990, with posterior draws in place of estimates).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit
from scipy.stats import chi2, norm

from endfeel.evidence import AccuracyRow, EvidenceBase, RatesRow
from endfeel.pooling import planar
from endfeel.pooling.edition import Edition
from endfeel.pooling.predictive import PairDraws, pair_draws
from endfeel.pooling.summary import COVERAGE, Interval, PooledAccuracy

Array = NDArray[np.float64]


@dataclass(frozen=True)
class StudyRates:
    """One line of a pair as the plots draw it.

    row: the line. sensitivity, specificity: observed (or printed, then without an interval: low = mean = high).
    with_condition, without: people; None where only rates were printed. used: False where the edition leaves it out.
    """

    row: AccuracyRow | RatesRow
    sensitivity: Interval
    specificity: Interval
    with_condition: int | None
    without: int | None
    people: int
    used: bool


@dataclass(frozen=True)
class PairPicture:
    """Everything that the forest plot and the ROC-space plot of a pair show.

    confidence, prediction (points, 2): outlines for the average clinic and for a new one, columns 1 - specificity and
    sensitivity. average, expected: the points that belong to them.
    """

    lines: tuple[StudyRates, ...]
    accuracy: PooledAccuracy
    confidence: Array
    prediction: Array
    average: tuple[float, float]
    expected: tuple[float, float]


def pair_picture(edition: Edition, evidence: EvidenceBase, accuracy: PooledAccuracy) -> PairPicture:
    """The picture of a studied pair; UnknownPairError where the edition does not hold it."""
    draws = pair_draws(edition, accuracy.observable, accuracy.condition)
    pooled, predictive = accuracy.pooled, accuracy.predictive
    return PairPicture(
        lines=study_rates(edition, evidence, accuracy.observable, accuracy.condition),
        accuracy=accuracy,
        confidence=confidence_outline(draws),
        prediction=prediction_outline(draws),
        average=(1 - pooled.specificity.mean, pooled.sensitivity.mean),
        expected=(1 - predictive.specificity.mean, predictive.sensitivity.mean),
    )


def study_rates(edition: Edition, evidence: EvidenceBase, observable: str, condition: str) -> tuple[StudyRates, ...]:
    """Every line of a pair, the largest study first; those that the edition leaves out last."""
    found = []
    counted = {row.study_id for row in evidence.accuracy_of(observable, condition)}
    rows: list[AccuracyRow | RatesRow] = [
        *evidence.accuracy_of(observable, condition),
        *evidence.rates_of(observable, condition),
    ]
    for row in rows:
        used = not {(row.study_id, row.observable_id), (row.study_id, row.finding_id)} & edition.left_out
        if isinstance(row, AccuracyRow):
            found.append(
                StudyRates(
                    row,
                    wilson(row.tp, row.diseased),
                    wilson(row.tn, row.healthy),
                    row.diseased,
                    row.healthy,
                    row.diseased + row.healthy,
                    used,
                )
            )
        else:
            sens, spec = row.sens_printed, row.spec_printed
            printed = (Interval(sens, sens, sens), Interval(spec, spec, spec))
            found.append(StudyRates(row, *printed, None, None, row.n_total, used and row.study_id not in counted))
    return tuple(sorted(found, key=lambda line: (not line.used, -line.people)))


def wilson(hits: int, size: int, coverage: float = COVERAGE) -> Interval:
    """A fraction with its score interval. ValueError where nobody was counted."""
    if size <= 0 or not 0 <= hits <= size:
        raise ValueError(f"{hits} of {size} is no fraction of people")
    z = float(norm.ppf(0.5 + coverage / 2))
    rate = hits / size
    centre = (rate + z * z / (2 * size)) / (1 + z * z / size)
    half = z / (1 + z * z / size) * float(np.sqrt(rate * (1 - rate) / size + z * z / (4 * size * size)))
    return Interval(rate, max(0.0, min(rate, centre - half)), min(1.0, max(rate, centre + half)))


def confidence_outline(draws: PairDraws, coverage: float = COVERAGE, points: int = 121) -> Array:
    """Outline (points, 2) of where the average clinic lies: 1 - specificity, sensitivity."""
    return _outline(draws.mu.mean(axis=0), _covariance(draws.mu), coverage, points)


def prediction_outline(draws: PairDraws, coverage: float = COVERAGE, points: int = 121) -> Array:
    """Outline (points, 2) of where a clinic that no study came from lies: 1 - specificity, sensitivity."""
    between = (draws.sigma_study + draws.sigma_rest).mean(axis=0)
    return _outline(draws.mu.mean(axis=0), _covariance(draws.mu) + between, coverage, points)


def _covariance(values: Array) -> Array:
    return np.atleast_2d(np.cov(values.T)) if len(values) > 1 else np.zeros((2, 2))


def _outline(mean: Array, covariance: Array, coverage: float, points: int) -> Array:
    angle = np.linspace(0, 2 * np.pi, points)
    circle = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    rates = expit(mean + np.sqrt(chi2.ppf(coverage, 2)) * planar.apply(planar.lower_factor(covariance), circle))
    return np.stack([1 - rates[:, 1], rates[:, 0]], axis=-1)
