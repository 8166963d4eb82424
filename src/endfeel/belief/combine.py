"""The accuracy to expect of several findings read by a rule: at least n of them, all of them, any of them.

The number of positive findings is summed exactly on the node grid: given t, a group's findings are independent, so its
count follows by recursion; groups are brought together given z. Readings of which only one can hold count as one
finding, positive where any of them is (exclusive.py); a positive grade of a sign includes the milder ones. Draws are of
a new clinic: pooled accuracy, one study effect shared by all the findings, and each finding's own remainder.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtri
from scipy.stats import qmc

from endfeel.belief.dependence import Dependence, shipped_dependence
from endfeel.belief.exclusive import MOST
from endfeel.belief.model import KAPPA, SEED
from endfeel.belief.nodes import grid, kernel, positive_given_t
from endfeel.belief.observed import observed_of
from endfeel.belief.probit import to_probit
from endfeel.belief.refusal import BeliefError
from endfeel.belief.resolve import resolve_observable
from endfeel.catalogue.regions import Catalogue
from endfeel.evidence.base import EvidenceBase
from endfeel.pooling.edition import Edition
from endfeel.pooling.summary import Interval

Floats = NDArray[np.float64]

CLINICS = 1024


@dataclass(frozen=True)
class AtLeast:
    """Positive where at least `count` of the findings are."""

    count: int


Rule = AtLeast | Literal["and", "or"]


@dataclass(frozen=True)
class Independent:
    """What multiplying as though independent claims, from the same single accuracies."""

    sensitivity: float
    specificity: float
    lr_positive: float
    lr_negative: float


@dataclass(frozen=True)
class Combination:
    """The accuracy to expect of the combination in a new clinic, 95 %; a likelihood ratio's mean is a ratio of means.

    observables: what the findings named stood for. assumed: those that nobody studied for the condition.
    """

    region: str
    condition: str
    observables: tuple[str, ...]
    at_least: int
    sensitivity: Interval
    specificity: Interval
    lr_positive: Interval
    lr_negative: Interval
    independent: Independent
    assumed: tuple[str, ...]


def combine(
    evidence: EvidenceBase,
    edition: Edition,
    catalogue: Catalogue,
    region: str,
    condition: str,
    observables: tuple[str, ...],
    rule: Rule,
    *,
    dependence: Dependence | None = None,
    kappa: float = KAPPA,
    seed: int = SEED,
    clinics: int = CLINICS,
) -> Combination:
    """Accuracy of a combination for one condition; findings by observable or bare finding id.

    BeliefError where the condition or a finding is not there, a finding was neither studied for the condition nor
    targets it, one is named twice, or the rule asks for more findings than there are, or than can be positive together.
    """
    entry = catalogue.region(region)
    found, groups = observed_of(evidence, edition, entry)
    parts = tuple(entry.states_conditions.index(p) for p in entry.parts(condition))
    if condition not in entry.conditions or not parts:
        chances = [c for c in entry.conditions if entry.parts(c)]
        raise BeliefError(f"{condition}: no condition of {region} with a chance; there are {', '.join(chances)}")
    by_id = {item.observable: item for item in found if item.rule is None}
    exact = [o for o, item in by_id.items() if any(p.condition == condition and not p.assumed for p in item.pairs)]
    chosen = tuple(resolve_observable(name, by_id, exact) for name in observables)
    if len(set(chosen)) < len(chosen):
        raise BeliefError("a finding is named twice; name each finding once")
    count = _count(rule, len(chosen))
    pairs = []
    for observable in chosen:
        item = by_id[observable]
        fits = sorted(
            (p for p in item.pairs if set(p.parts) & set(parts)),
            key=lambda p: (p.condition != condition, p.assumed, len(set(p.parts) ^ set(parts))),
        )
        if not fits:
            raise BeliefError(f"{observable} was not studied for {condition} and does not target it; leave it out")
        pairs.append(fits[0])
    singles = _new_clinics(edition, np.stack([p.draws for p in pairs], axis=1), clinics, seed)
    names = tuple(groups[by_id[o].group].name for o in chosen)
    joined = dependence or shipped_dependence()
    shares = _shares(joined, names, [groups[by_id[o].group].dependent for o in chosen], clinics, seed)
    slots = tuple(dict.fromkeys(tuple(o for o in chosen if o in (by_id[c].exclusives or (c,))) for c in chosen))
    if count > len(slots):
        apart = " and ".join(by_id[o].name for slot in slots if len(slot) > 1 for o in slot)
        raise BeliefError(f"no more than {len(slots)} of these can be positive together: {apart} exclude each other")
    columns = [[chosen.index(o) for o in slot] for slot in slots]
    shares, names = shares[:, [c[0] for c in columns]], tuple(names[c[0]] for c in columns)
    signs = _signs([by_id[slot[0]].grades for slot in slots], [slot[0] for slot in slots])
    sensitivity = at_least(count, _any_of(singles[..., 0], columns), shares[..., 1], names, kappa, signs)
    false_positive = at_least(count, _any_of(1 - singles[..., 1], columns), shares[..., 0], names, kappa, signs)
    mean = singles.mean(axis=0)
    alone = at_least_independent(count, mean[:, 0]), 1 - at_least_independent(count, 1 - mean[:, 1])
    return Combination(
        region, condition, chosen, count,
        _interval(sensitivity), _interval(1 - false_positive),
        _ratio(sensitivity, false_positive), _ratio(1 - sensitivity, 1 - false_positive),
        Independent(alone[0], alone[1], _divide(alone[0], 1 - alone[1]), _divide(1 - alone[0], alone[1])),
        tuple(o for o, p in zip(chosen, pairs, strict=True) if p.assumed),
    )


def _any_of(positive: Floats, columns: list[list[int]]) -> Floats:
    """P(any of the findings of each slot), (draws, slots); several in one slot exclude each other."""
    alone = positive[:, [c[0] for c in columns]]
    together = np.stack([positive[:, c].sum(axis=1) for c in columns], axis=1)
    return np.where([len(c) > 1 for c in columns], np.minimum(together, MOST), alone)


def _signs(grades: list[tuple[str, ...]], observables: list[str]) -> tuple[tuple[int, ...], ...]:
    """Places of findings that are grades of one sign together, mild first; every other by itself."""
    found: dict[tuple[int, ...], None] = {}
    for place, (sign, observable) in enumerate(zip(grades, observables, strict=True)):
        together = tuple(observables.index(o) for o in sign if o in observables)
        found[together if observable in sign else (place,)] = None
    return tuple(found)


def at_least(
    count: int,
    positive: Floats,
    shares: Floats,
    groups: tuple[str, ...],
    kappa: float,
    signs: tuple[tuple[int, ...], ...] | None = None,
) -> Floats:
    """P(at least `count` findings positive) in each draw; arguments as in count_distribution."""
    number = count_distribution(positive, shares, groups, kappa, signs)
    return np.asarray(np.clip(number[count:].sum(axis=0), 0.0, 1.0))


def count_distribution(
    positive: Floats,
    shares: Floats,
    groups: tuple[str, ...],
    kappa: float,
    signs: tuple[tuple[int, ...], ...] | None = None,
) -> Floats:
    """P(exactly k findings positive) in each draw, (findings + 1, draws).

    positive (draws, findings): each finding's own probability. shares (draws, findings): r. groups: of each finding.
    signs: columns of findings that are grades of one sign, mild first, every other column by itself; None where no
    finding is a grade. Of a sign's grades at least j are positive where the j-th is, no likelier than a milder one.
    """
    draws, findings = positive.shape
    signs = signs or tuple((i,) for i in range(findings))
    _, weights = grid()
    given_z = np.zeros((findings + 1, draws, len(weights)))
    given_z[0] = 1.0
    reached = 0
    for group in dict.fromkeys(groups):
        inside = [sign for sign in signs if groups[sign[0]] == group]
        members = sum(len(sign) for sign in inside)
        given_t = np.zeros((members + 1, draws, len(weights)))
        given_t[0] = 1.0
        done = 0
        for sign in inside:
            each = np.stack([positive_given_t(to_probit(positive[:, i]), shares[:, i]) for i in sign])
            upto = np.minimum.accumulate(each, axis=0)
            exactly = [1 - upto[0], *(upto[:-1] - upto[1:]), upto[-1]]
            before = given_t[: done + 1].copy()
            given_t[:] = 0.0
            for k in range(done + 1):
                for j, chance in enumerate(exactly):
                    given_t[k + j] += before[k] * chance
            done += len(sign)
        own = given_t @ kernel(kappa).T
        joined = np.zeros_like(given_z)
        for k in range(reached + 1):
            for m in range(members + 1):
                joined[k + m] += given_z[k] * own[m]
        given_z, reached = joined, reached + members
    return np.asarray(given_z @ weights)


def at_least_independent(count: int, positive: Floats) -> float:
    """P(at least `count` positive) of independent findings with probabilities (findings,)."""
    counts = np.zeros(len(positive) + 1)
    counts[0] = 1.0
    for p in positive:
        counts[1:] = counts[1:] * (1 - p) + counts[:-1] * p
        counts[0] *= 1 - p
    return float(counts[count:].sum())


def _count(rule: Rule, findings: int) -> int:
    if not findings:
        raise BeliefError("no findings to combine; name at least one")
    count = findings if rule == "and" else 1 if rule == "or" else rule.count if isinstance(rule, AtLeast) else 0
    if not 1 <= count <= findings:
        raise BeliefError(f"at least {count} of {findings} findings: give a number from 1 to {findings}")
    return count


def _normal(columns: int, draws: int, seed: int) -> Floats:
    points = qmc.Sobol(columns, scramble=True, rng=np.random.default_rng(seed)).random(draws)
    return np.asarray(ndtri(np.clip(points, 1e-9, 1 - 1e-9)))


def _new_clinics(edition: Edition, pooled: Floats, clinics: int, seed: int) -> Floats:
    """Sensitivity and specificity (clinics, findings, 2) from pooled draws (D, findings, 2) in logits."""
    pick = np.arange(clinics) % edition.draws
    findings = pooled.shape[1]
    noise = _normal(2 + 2 * findings, clinics, seed).reshape(clinics, 1 + findings, 2)
    study = np.einsum("dij,dj->di", np.linalg.cholesky(edition.sigma_study[pick] + 1e-12 * np.eye(2)), noise[:, 0])
    rest = np.einsum("dij,dfj->dfi", np.linalg.cholesky(edition.sigma_rest[pick] + 1e-12 * np.eye(2)), noise[:, 1:])
    return np.asarray(expit(pooled[pick] + study[:, None, :] + rest))


def _shares(
    dependence: Dependence, groups: tuple[str, ...], dependent: list[bool], clinics: int, seed: int
) -> Floats:
    """r (clinics, findings, 2), without and with the condition; findings of one group share theirs."""
    names = tuple(dict.fromkeys(groups))
    noise = _normal(2 + 2 * len(names), clinics, seed + 1)
    r = dependence.draw(names, noise[:, :2], noise[:, 2:].reshape(clinics, len(names), 2))
    spread = r[:, [names.index(g) for g in groups], :]
    spread[:, [not d for d in dependent], :] = 0.0
    return np.asarray(spread)


def _interval(draws: Floats) -> Interval:
    low, high = np.quantile(draws, [0.025, 0.975])
    return Interval(mean=float(draws.mean()), low=float(low), high=float(high))


def _ratio(above: Floats, below: Floats) -> Interval:
    ratios = above / np.maximum(below, 1e-12)
    low, high = np.quantile(ratios, [0.025, 0.975])
    return Interval(mean=_divide(float(above.mean()), float(below.mean())), low=float(low), high=float(high))


def _divide(above: float, below: float) -> float:
    return above / max(below, 1e-12)
