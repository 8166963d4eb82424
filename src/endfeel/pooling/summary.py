"""The pooled figures of one pair: intervals, likelihood ratios, and one plain sentence.

Likelihood ratios are E[sensitivity] / E[1 - specificity] and E[1 - sensitivity] / E[specificity] over the predictive
draws: what one patient of an unknown clinic is worth. The mean of the ratio over draws would overstate it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from endfeel.evidence import AccuracyRow, EvidenceBase, RatesRow
from endfeel.pooling.edition import Edition
from endfeel.pooling.predictive import PairDraws, assumed_draws, pair_draws, predictive_rates
from endfeel.pooling.sentence import MOST, StudyUse, compose, who_was_studied, worth_of_results

Array = NDArray[np.float64]

COVERAGE = 0.95


@dataclass(frozen=True)
class Interval:
    """Mean and the ends of the central 95 % of the draws. For a likelihood ratio the mean is a ratio of means."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True)
class SensSpec:
    """Sensitivity and specificity, fractions of one."""

    sensitivity: Interval
    specificity: Interval


@dataclass(frozen=True)
class PooledAccuracy:
    """What is known of one pair.

    k: studies, n: people counted (each study's largest line). pooled: an average clinic; predictive: a clinic that
    no study came from, where the test may work better or worse. lr_positive, lr_negative are predictive.
    edition: id. sentence: who was studied and what a result is worth; worth: the latter alone, in the same words.
    k = 0: nobody studied the pair.
    """

    observable: str
    condition: str
    k: int
    n: int
    pooled: SensSpec
    predictive: SensSpec
    lr_positive: Interval
    lr_negative: Interval
    edition: str
    sentence: str
    worth: str


def pool(edition: Edition, evidence: EvidenceBase, observable: str, condition: str) -> PooledAccuracy:
    """Pooled accuracy of a studied pair; UnknownPairError (a KeyError) where no study measured it."""
    draws = pair_draws(edition, observable, condition)
    uses = studies_used(evidence, observable, condition, edition.left_out)
    return summarise(draws, observable, condition, uses, edition.id)


def assume(
    edition: Edition, evidence: EvidenceBase, observable: str, condition: str, region: str | None = None
) -> PooledAccuracy:
    """What to expect of a pair that nobody studied, from its kind of finding and its condition: an assumption."""
    kind = evidence.finding(observable, region).kind
    return summarise(assumed_draws(edition, kind, condition), observable, condition, (), edition.id)


def summarise(
    draws: PairDraws, observable: str, condition: str, uses: tuple[StudyUse, ...], edition_id: str
) -> PooledAccuracy:
    """The figures of one pair from its draws and the studies behind them."""
    rates = predictive_rates(draws)
    positive, negative = _ratios(rates, COVERAGE)
    spoken = [(r.mean, r.low, r.high) for r in _ratios(rates, MOST)]
    worth = worth_of_results(spoken[0], spoken[1])
    return PooledAccuracy(
        observable=observable,
        condition=condition,
        k=len(uses),
        n=sum(use.people for use in uses),
        pooled=_rates(expit(draws.mu)),
        predictive=_rates(rates),
        lr_positive=positive,
        lr_negative=negative,
        edition=edition_id,
        sentence=compose(who_was_studied(uses), worth),
        worth=worth,
    )


def studies_used(
    evidence: EvidenceBase,
    observable: str,
    condition: str,
    left_out: frozenset[tuple[str, str]] = frozenset(),
) -> tuple[StudyUse, ...]:
    """The studies behind one pair, in table order; left_out as in data.pooling_data."""
    people: dict[str, int] = {}
    counted: set[str] = set()
    lines: list[AccuracyRow | RatesRow] = [
        *evidence.accuracy_of(observable, condition),
        *evidence.rates_of(observable, condition),
    ]
    for row in lines:
        if (row.study_id, row.observable_id) in left_out or (row.study_id, row.finding_id) in left_out:
            continue
        if isinstance(row, AccuracyRow):
            counted.add(row.study_id)
            people[row.study_id] = max(people.get(row.study_id, 0), row.diseased + row.healthy)
        else:
            people.setdefault(row.study_id, row.n_total)
    return tuple(
        StudyUse(study, evidence.studies.get(study), number, study not in counted) for study, number in people.items()
    )


def _rates(values: Array) -> SensSpec:
    return SensSpec(*(_interval(values[:, side]) for side in (0, 1)))


def _ratios(rates: Array, coverage: float) -> tuple[Interval, Interval]:
    # Rates that round to 0 or 1 in double precision would divide by zero.
    rates = np.clip(rates, 1e-9, 1 - 1e-9)
    sens, spec = rates[:, 0], rates[:, 1]
    both = []
    for above, below in ((sens, 1 - spec), (1 - sens, spec)):
        _, low, high = _ends(above / below, coverage)
        both.append(Interval(float(above.mean() / below.mean()), low, high))
    return both[0], both[1]


def _interval(values: Array) -> Interval:
    return Interval(*_ends(values, COVERAGE))


def _ends(values: Array, coverage: float) -> tuple[float, float, float]:
    tail = (1 - coverage) / 2
    low, high = np.quantile(values, [tail, 1 - tail])
    return float(values.mean()), float(low), float(high)
