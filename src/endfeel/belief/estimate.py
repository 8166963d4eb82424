"""How strongly findings repeat each other, estimated from published combinations.

For one class of people of one cluster

    L(r) = ∫ Multinomial(cells | count of positives, r, p) dp

over the single findings' own uncertainty: Beta(positive + 1/2, negative + 1/2) where the study prints the single tests,
else p_i = Φ(η + δ_i), η ~ N(0, 1.2²), δ_i ~ N(0, 0.6²) (ours, wide: the cut-offs then tell level and dependence apart).
Where a split is not printed, L is averaged over the splits that the printed figures allow.

Then logit r_{g,s} = m_s + h_g + e_{g,s}, one r_{g,s} for all clusters of one structure group; h and e each take half of
the variance 0.6²; m_0 ~ N(logit 0.3, 0.8²); m_1 - m_0 ~ N(0, 0.4²). The posterior is summed on a grid; nothing is
sampled.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, gammaln, logsumexp, ndtr, ndtri, xlogy
from scipy.stats import beta, norm, qmc

from endfeel.belief.clusters import Cluster, Counts, qualifying_clusters
from endfeel.belief.combine import count_distribution
from endfeel.belief.dependence import Dependence, dependence_text
from endfeel.evidence.base import EvidenceBase

Floats = NDArray[np.float64]

LEVEL_SPREAD = 1.2
TEST_SPREAD = 0.6
POINTS = 2048
LOGIT_R = np.linspace(-6.0, 2.2, 42)


@dataclass(frozen=True)
class ClusterLikelihood:
    """log L of a cluster over LOGIT_R: (2, grid), without and with the condition; zeros where it says nothing."""

    cluster: Cluster
    log_likelihood: Floats


@dataclass(frozen=True)
class Estimate:
    """The posterior as a Dependence.

    used: log L per cluster. largest (2,): the r of largest likelihood if all clusters shared one, without and with.
    log_evidence: log probability of all their counts, averaged over the prior; the difference between two sets of
    clusters is the prediction of the ones by the others.
    """

    dependence: Dependence
    used: tuple[ClusterLikelihood, ...]
    largest: Floats
    log_evidence: float


def cluster_likelihood(cluster: Cluster, kappa: float, seed: int = 0, points: int = POINTS) -> ClusterLikelihood:
    """log L of one cluster over LOGIT_R, by quasi-random points over the single findings' uncertainty."""
    rows = np.zeros((2, len(LOGIT_R)))
    for s, splits in enumerate(cluster.classes):
        if splits:
            terms = [np.log(c.weight) + _log_likelihood(cluster, c, kappa, seed, points) for c in splits]
            rows[s] = logsumexp(terms, axis=0)
    return ClusterLikelihood(cluster, rows)


def estimate(
    likelihoods: Iterable[ClusterLikelihood], prior: Dependence | None = None, source: str = ""
) -> Estimate:
    """The posterior of m_0, m_1 - m_0 and of each structure group's logit r."""
    prior = prior or Dependence()
    used = tuple(likelihoods)
    m0 = np.linspace(-5.0, 2.0, 71)
    gap = np.linspace(-1.6, 1.6, 33)
    log_post = norm.logpdf(m0, prior.mean, prior.mean_sd)[:, None] + norm.logpdf(gap, prior.gap, prior.gap_sd)[None, :]
    log_post -= logsumexp(log_post)
    by_key: dict[str, Floats] = {}
    for item in used:
        by_key[item.cluster.key] = by_key.get(item.cluster.key, np.zeros((2, len(LOGIT_R)))) + item.log_likelihood
    # (m_0, m_1 - m_0, h): where the two classes of a group lie before what is each one's own.
    h, log_h = _shared_part(prior)
    centre = (m0[:, None, None] + 0 * gap[:, None] + h, m0[:, None, None] + gap[:, None] + h)
    own = prior.spread * np.sqrt(1 - prior.shared)
    inside = {key: _group_evidence(rows, centre, own) + log_h for key, rows in by_key.items()}
    for rows in inside.values():
        log_post = log_post + logsumexp(rows, axis=-1)
    log_evidence = float(logsumexp(log_post))
    weight = np.exp(log_post - log_evidence)
    mean, mean_sd = _moments(m0, weight.sum(axis=1))
    gap_mean, gap_sd = _moments(gap, weight.sum(axis=0))
    groups, together = {}, {}
    for key, rows in by_key.items():
        if any(item.cluster.key == key and len(set(item.cluster.groups)) == 1 for item in used):
            given = weight[..., None] * np.exp(inside[key] - logsumexp(inside[key], axis=-1, keepdims=True))
            groups[key], together[key] = _group_moments(rows, centre, given, own)
    total = sum((item.log_likelihood for item in used), np.zeros((2, len(LOGIT_R))))
    dependence = Dependence(
        mean, mean_sd, gap_mean, gap_sd, prior.spread, groups, source, prior.shared, together
    )
    return Estimate(dependence, used, expit(LOGIT_R[total.argmax(axis=1)]), log_evidence)


def _log_likelihood(cluster: Cluster, counts: Counts, kappa: float, seed: int, points: int) -> Floats:
    n = len(cluster.findings)
    uniform = np.clip(qmc.Sobol(n + 1, scramble=True, rng=np.random.default_rng(seed)).random(points), 1e-9, 1 - 1e-9)
    if counts.singles is None:
        normal = ndtri(uniform)
        positive = ndtr(LEVEL_SPREAD * normal[:, :1] + TEST_SPREAD * normal[:, 1:])
    else:
        hits, people = counts.singles[:, 0], counts.singles[:, 1]
        positive = beta.ppf(uniform[:, 1:], hits + 0.5, people - hits + 0.5)
    positive = np.clip(positive, 1e-6, 1 - 1e-6)
    constant = gammaln(counts.cells.sum() + 1) - gammaln(counts.cells + 1).sum()
    edges = [0, *cluster.cuts, n + 1]
    rows = np.empty(len(LOGIT_R))
    for place, r in enumerate(expit(LOGIT_R)):
        number = count_distribution(positive, np.full_like(positive, r), cluster.groups, kappa)
        cells = np.stack([number[low:high].sum(axis=0) for low, high in pairwise(edges)], axis=-1)
        rows[place] = logsumexp(constant + xlogy(counts.cells, np.maximum(cells, 1e-12)).sum(axis=-1)) - np.log(points)
    return rows


def _integrated(log_likelihood: Floats, centres: Floats, spread: float) -> Floats:
    """log ∫ L(logit r) N(logit r; centre, spread²) for each centre; L is flat beyond the grid's ends."""
    weights = norm.pdf(LOGIT_R[None, :], centres[:, None], spread)
    step = LOGIT_R[1] - LOGIT_R[0]
    weights *= step
    weights[:, 0] += norm.cdf(LOGIT_R[0] - step / 2, centres, spread)
    weights[:, -1] += norm.sf(LOGIT_R[-1] + step / 2, centres, spread)
    return np.asarray(logsumexp(log_likelihood[None, :], b=np.maximum(weights, 1e-200), axis=1))


def _moments(points: Floats, weights: Floats) -> tuple[float, float]:
    mean = float(points @ weights)
    return mean, float(np.sqrt(np.maximum(weights @ (points - mean) ** 2, 0.0)))


def _shared_part(prior: Dependence) -> tuple[Floats, Floats]:
    """Values of h (points,) and their log weights, which add up to one."""
    points = np.linspace(-4.0, 4.0, 41) if prior.spread > 0 and prior.shared > 0 else np.zeros(1)
    log_weight = norm.logpdf(points)
    return prior.spread * np.sqrt(prior.shared) * points, log_weight - logsumexp(log_weight)


def _group_evidence(rows: Floats, centre: tuple[Floats, Floats], own: float) -> Floats:
    """log probability of a group's counts where its classes are centred at `centre`, summed over e."""
    points = np.linspace(-9.0, 6.0, 301)
    first, second = (_integrated(rows[s], points, own) for s in (0, 1))
    return np.asarray(np.interp(centre[0], points, first) + np.interp(centre[1], points, second))


def _group_moments(
    rows: Floats, centre: tuple[Floats, Floats], weight: Floats, own: float
) -> tuple[tuple[tuple[float, float], tuple[float, float]], float]:
    """(mean, sd) of a group's logit r in each class and their correlation; weight: of each centre, sums to one."""
    points = np.linspace(-9.0, 6.0, 301)
    means, variances = [], []
    for s in (0, 1):
        inner = norm.pdf(LOGIT_R[None, :], points[:, None], own) * np.exp(rows[s] - rows[s].max())
        inner /= np.maximum(inner.sum(axis=1, keepdims=True), 1e-300)
        first = inner @ LOGIT_R
        second = inner @ LOGIT_R**2 - first**2
        means.append(np.interp(centre[s], points, first))
        variances.append(np.interp(centre[s], points, second))
    found = []
    for s in (0, 1):
        mean = float((weight * means[s]).sum())
        variance = float((weight * (variances[s] + (means[s] - mean) ** 2)).sum())
        found.append((mean, float(np.sqrt(variance))))
    covariance = float((weight * (means[0] - found[0][0]) * (means[1] - found[1][0])).sum())
    return (found[0], found[1]), covariance / (found[0][1] * found[1][1])


def build_dependence(evidence: EvidenceBase, kappa: float = 0.3) -> tuple[Estimate, str]:
    """The estimate from a set of tables, and the text of the file that ships it."""
    likelihoods = tuple(cluster_likelihood(c, kappa) for c in qualifying_clusters(evidence))
    source = f"{len(likelihoods)} published combinations of {len({i.cluster.study_id for i in likelihoods})} studies"
    found = estimate(likelihoods, source=source)
    made_from = {"tables": evidence.fingerprint, "kappa": f"{kappa}", "points": f"{POINTS}"}
    return found, dependence_text(found.dependence, made_from, tuple(_said(item) for item in likelihoods))


def _said(item: ClusterLikelihood) -> str:
    c = item.cluster
    cuts = ", ".join(str(cut) for cut in c.cuts)
    best = expit(LOGIT_R[item.log_likelihood.argmax(axis=1)])
    r = " and ".join(
        f"{value:.2f} {word}" for value, word, held in zip(best, ("without", "with"), c.classes, strict=True) if held
    )
    marked = "; rule derived on the same people" if c.derived else ""
    return f"{c.study_id} {c.condition}: at least {cuts} of {len(c.findings)} ({'; '.join(c.findings)}); r {r}{marked}"
