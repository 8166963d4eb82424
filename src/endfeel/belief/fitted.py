"""A region's findings fitted to the edition, draw by draw: all of a model that does not depend on who is examined.

Two kinds of draws. The *weighing* draws vary only what several findings share: the study effect of each condition
(one clinic has one for all its tests of that condition) and the dependence. What is one finding's own, its threshold
here and how well its accuracy is known, is averaged out, so a patient's results weight draws on shared parts only. The
*ranging* draws vary the pooled accuracies too and say how far a chance could lie elsewhere.

What healthy controls say of people with no specific structure (controls.py) shifts a finding's η in that one state.

The study effect of a union is the sum of its parts' effects over √n: one clinic judges a condition and its kinds by
the same reference standard, and the spread stays what was pooled.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache, partial

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri
from scipy.stats import qmc

from endfeel.belief.controls import Controls, ControlsGap, controls_eta, gap_of, weight_of
from endfeel.belief.dependence import Dependence
from endfeel.belief.fit import PART_SPREAD, fit_response, variance_elsewhere
from endfeel.belief.grouping import Grouping
from endfeel.belief.observed import Observed, observed_of
from endfeel.belief.prior import NONE_CHANCE, solve_prior
from endfeel.belief.probit import logit_of_probit, probit_margins
from endfeel.belief.states import codes_of, make_states, mask_of, patterns_of
from endfeel.catalogue.regions import RegionCatalogue
from endfeel.evidence.base import EvidenceBase
from endfeel.pooling.edition import Edition

Floats = NDArray[np.float64]
# theta, each part's deviation from its union, what is added to η in the state none.
Response = tuple[Floats, Floats | None, Floats | None]

RANGING_DRAWS = 64
DISAGREE = 0.3
_GOLDEN = (5**0.5 - 1) / 2
_RANGING = -1


@dataclass(frozen=True)
class Residual:
    """How far the fitted rates lie from one pair's pooled ones: the larger of both gaps, model minus pooled, in logits.

    disagree: more than 0.3, that is, the studies of this finding for several conditions can not all hold at once.
    """

    observable: str
    condition: str
    gap: float
    disagree: bool


class DrawSet:
    """What each observable's response is in each draw; an observable is fitted when it is first asked for.

    r (draws, groups, 2): the shared part without and with a condition that the finding responds to.
    """

    def __init__(self, r: Floats, respond: Callable[[int], Response]) -> None:
        self.r, self._respond = r, respond

    @property
    def draws(self) -> int:
        """Number of draws."""
        return len(self.r)

    def response(self, j: int) -> Response:
        """theta (draws, 1 + unknowns) of observable j; each part's deviation from its union (draws, responds), or None
        where deviations are averaged out; what is added to η in the state none (draws,), or None where no healthy
        controls were examined."""
        theta, offset, none = self._respond(j)
        return (
            theta[: self.draws],
            offset if offset is None else offset[: self.draws],
            none if none is None else none[: self.draws],
        )

    def first(self, count: int) -> DrawSet:
        """The first `count` draws."""
        return DrawSet(self.r[:count], self._respond)


@dataclass(frozen=True)
class FittedRegion:
    """A region's observables fitted; every patient's model of the region shares it.

    conditions: the finest, in the order of columns. unions: columns of each broader id. case_mix (states,): the
    reference mix, over make_states(len(conditions)), under which pooled rates are read. draws: in one weighing block.
    """

    region: str
    conditions: tuple[str, ...]
    none_id: str
    unions: Mapping[str, tuple[int, ...]]
    observed: tuple[Observed, ...]
    groups: tuple[Grouping, ...]
    case_mix: Floats
    edition: Edition
    dependence: Dependence
    draws: int
    seed: int
    _kept: dict[int, DrawSet] = field(default_factory=dict, compare=False, repr=False)

    def weighing(self, block: int = 0) -> DrawSet:
        """Block `block` of weighing draws."""
        if block not in self._kept:
            sample = _sample(self, self.draws, self.seed + block)
            self._kept[block] = DrawSet(sample.r, cache(partial(_weighing, self, sample)))
        return self._kept[block]

    def ranging(self) -> DrawSet:
        """The ranging draws; what is shared is that of the first weighing draws."""
        if _RANGING not in self._kept:
            sample = _sample(self, RANGING_DRAWS, self.seed)
            self._kept[_RANGING] = DrawSet(sample.r, cache(partial(_ranging, self, sample)))
        return self._kept[_RANGING]

    def residuals(self) -> tuple[Residual, ...]:
        """One for each studied pair of a finding with several pairs, at the pooled means."""
        return _residuals(self)

    def control_gaps(self) -> tuple[ControlsGap, ...]:
        """For each finding that healthy controls were examined for: what they say beside the fit."""
        return tuple(_control_gap(self, item, item.controls) for item in self.observed if item.controls is not None)


def fit_region(
    evidence: EvidenceBase,
    edition: Edition,
    catalogue: RegionCatalogue,
    *,
    draws: int,
    seed: int,
    dependence: Dependence,
) -> FittedRegion:
    """Lay out a region's observables and pairs; each observable is fitted when first asked for.

    Kept for the same tables, edition, catalogue, draws, seed and dependence.
    """
    return _fit_region(_Same(evidence, edition, catalogue, dependence), draws, seed)


class _Same:
    """What a fit is made of, equal where its content is."""

    def __init__(
        self, evidence: EvidenceBase, edition: Edition, catalogue: RegionCatalogue, dependence: Dependence
    ) -> None:
        self.parts = (evidence, edition, catalogue, dependence)
        d = dependence
        groups = (tuple(sorted(d.groups.items())), tuple(sorted(d.together.items())))
        numbers = (d.mean, d.mean_sd, d.gap, d.gap_sd, d.spread, d.shared, groups)
        self.key = (evidence.fingerprint, edition.id, catalogue.region, id(catalogue), numbers)

    def __hash__(self) -> int:
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and self.key == other.key


@lru_cache(maxsize=16)
def _fit_region(same: _Same, draws: int, seed: int) -> FittedRegion:
    evidence, edition, catalogue, dependence = same.parts
    conditions = catalogue.states_conditions
    unions = {
        c: tuple(sorted(conditions.index(part) for part in parts))
        for c in catalogue.conditions
        if c not in conditions and (parts := catalogue.parts(c))
    }
    observed, groups = observed_of(evidence, edition, catalogue)
    return FittedRegion(
        catalogue.region, conditions, catalogue.none_id, unions, observed, groups, _reference_mix(catalogue), edition,
        dependence, draws, seed,
    )


def _reference_mix(catalogue: RegionCatalogue) -> Floats:
    """Conditions as common as the catalogue assumes (mean of injury and gradual), P(none) of secondary care, where most
    studies were done."""
    chances = [
        float(np.mean([*catalogue.conditions[c].assumed_chance.values()] or [0.05]))
        for c in catalogue.states_conditions
    ]
    prior = solve_prior(catalogue.states_conditions, np.array(chances), NONE_CHANCE["secondary"])
    return np.asarray(np.exp(prior.log_prior))


@dataclass(frozen=True)
class _Sample:
    """study (draws, conditions, 2) in logits; r (draws, groups, 2); pick (draws,) rows of the edition."""

    study: Floats
    r: Floats
    pick: NDArray[np.int64]


def _sample(region: FittedRegion, draws: int, seed: int) -> _Sample:
    """Scrambled Sobol points turned into study effects and dependence."""
    n, g = len(region.conditions), len(region.groups)
    points = qmc.Sobol(2 * n + 2 + 2 * g, scramble=True, rng=np.random.default_rng(seed)).random(draws)
    normal = ndtri(np.clip(points, 1e-9, 1 - 1e-9))
    # A golden-ratio sequence: any first part of it is spread evenly over the edition's draws.
    pick = np.floor((np.arange(draws) * _GOLDEN % 1.0) * region.edition.draws).astype(np.int64)
    root = np.linalg.cholesky(region.edition.sigma_study[pick] + 1e-12 * np.eye(2))
    study = np.einsum("dij,dcj->dci", root, normal[:, : 2 * n].reshape(draws, n, 2))
    own = normal[:, 2 * n + 2 :].reshape(draws, g, 2)
    r = region.dependence.draw(tuple(x.name for x in region.groups), normal[:, 2 * n : 2 * n + 2], own)
    r[:, [not x.dependent for x in region.groups], :] = 0.0
    return _Sample(study, r, pick)


def _study_effect(sample: _Sample, parts: tuple[int, ...]) -> Floats:
    return np.asarray(sample.study[:, list(parts), :].sum(axis=1) / np.sqrt(len(parts)))


def _weighing(region: FittedRegion, sample: _Sample, j: int) -> Response:
    rest = np.einsum("dii->di", region.edition.sigma_rest).mean(axis=0)
    item = region.observed[j]
    target = np.stack(
        [
            probit_margins(
                pair.draws.mean(axis=0) + _study_effect(sample, pair.parts),
                np.broadcast_to(pair.draws.var(axis=0) + rest, (len(sample.pick), 2)),
            )
            for pair in item.pairs
        ],
        axis=1,
    )
    theta = _fit(region, item, target, None)
    return theta, None, _none_shift(region, sample, item, theta, np.zeros(len(theta)))


def _ranging(region: FittedRegion, sample: _Sample, j: int) -> Response:
    rest = np.einsum("dii->di", region.edition.sigma_rest)[sample.pick]
    item = region.observed[j]
    target = np.stack(
        [probit_margins(pair.draws[sample.pick] + _study_effect(sample, pair.parts), rest) for pair in item.pairs],
        axis=1,
    )
    rng = np.random.default_rng([region.seed, j])
    offset = PART_SPREAD * rng.standard_normal((len(sample.pick), len(item.plan.responds)))
    theta = _fit(region, item, target, offset)
    return theta, offset, _none_shift(region, sample, item, theta, rng.standard_normal(len(theta)))


def _none_shift(
    region: FittedRegion, sample: _Sample, item: Observed, theta: Floats, noise: Floats
) -> Floats | None:
    """K (η_h - a) in each draw; noise (draws,): in standard deviations of what the controls say, 0 where averaged."""
    if item.controls is None:
        return None
    pair = next((p for p in item.pairs if p.condition == item.controls.condition), item.pairs[0])
    study, rest = _specificity_variances(region)
    eta, message = controls_eta(item.controls, _study_effect(sample, pair.parts)[:, 1], study, rest)
    weight = weight_of(_variance_of_a(region, item), message)
    return np.asarray(weight * (eta + np.sqrt(message) * noise - theta[:, 0]))


def _specificity_variances(region: FittedRegion) -> tuple[float, float]:
    return float(region.edition.sigma_study[:, 1, 1].mean()), float(region.edition.sigma_rest[:, 1, 1].mean())


def _variance_of_a(region: FittedRegion, item: Observed) -> float:
    patterns, mix = _patterns(region, item)
    return variance_elsewhere(item.plan, patterns, mix, _pooled_target(region, item), _covariance(region, item))


def _control_gap(region: FittedRegion, item: Observed, controls: Controls) -> ControlsGap:
    study, rest = _specificity_variances(region)
    eta, message = controls_eta(controls, np.zeros(1), study, rest)
    patterns, mix = _patterns(region, item)
    theta = fit_response(item.plan, patterns, mix, _pooled_target(region, item), _covariance(region, item)).theta
    return gap_of(item.observable, controls, float(theta[0, 0]), float(eta[0]), _variance_of_a(region, item), message)


def _fit(region: FittedRegion, item: Observed, target: Floats, offset: Floats | None) -> Floats:
    patterns, mix = _patterns(region, item)
    return fit_response(item.plan, patterns, mix, target, _covariance(region, item), offset).theta


def _patterns(region: FittedRegion, item: Observed) -> tuple[NDArray[np.bool_], Floats]:
    """The patterns of the conditions that a finding responds to, (patterns, responds), and how common each is."""
    patterns, place = patterns_of(_codes(len(region.conditions)), mask_of(item.plan.responds))
    held = np.array([[bool(code >> c & 1) for c in item.plan.responds] for code in patterns.tolist()], dtype=bool)
    return held, np.asarray(np.bincount(place, weights=region.case_mix, minlength=len(patterns)), dtype=np.float64)


@cache
def _codes(n_conditions: int) -> NDArray[np.int64]:
    return codes_of(make_states(n_conditions))


def _covariance(region: FittedRegion, item: Observed) -> Floats:
    """(pairs, 2, 2): how far the pooled pairs, as probit margins, are known in a new place."""
    study, rest = region.edition.sigma_study.mean(axis=0), region.edition.sigma_rest.mean(axis=0)
    rows = []
    for pair in item.pairs:
        margins = probit_margins(pair.draws, np.broadcast_to(np.diag(rest), pair.draws.shape))
        known = np.cov(margins.T) if len(margins) > 1 else np.zeros((2, 2))
        # One logit is about 1/1.7 probits; specificity turns its sign when it becomes 1 - specificity.
        turn = np.diag([1.0, -1.0]) / 1.7
        rows.append(known + turn @ study @ turn)
    return np.stack(rows)


def _residuals(region: FittedRegion) -> tuple[Residual, ...]:
    found = []
    for item in region.observed:
        if len(item.pairs) < 2:
            continue
        target = _pooled_target(region, item)
        patterns, mix = _patterns(region, item)
        fitted = fit_response(item.plan, patterns, mix, target, _covariance(region, item)).fitted
        gaps = (logit_of_probit(fitted) - logit_of_probit(target))[0]
        for pair, gap in zip(item.pairs, gaps, strict=True):
            if not pair.assumed:
                largest = float(gap[np.argmax(np.abs(gap))])
                found.append(Residual(item.observable, pair.condition, largest, abs(largest) > DISAGREE))
    return tuple(found)


def _pooled_target(region: FittedRegion, item: Observed) -> Floats:
    """η with and without each pair's condition at the pooled means, (1, pairs, 2)."""
    rest = np.einsum("dii->di", region.edition.sigma_rest).mean(axis=0)
    return np.stack([probit_margins(p.draws.mean(axis=0), p.draws.var(axis=0) + rest) for p in item.pairs])[None]
