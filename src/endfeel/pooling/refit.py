"""Quick refit of one pair when its studies change, without a sampler.

For each draw of the shared parameters (spreads, kind and condition means, design effects, and the effects of the
studies that the edition knows) the pair's own mean mu and its lines' logits theta are refitted:

    p(mu, theta | draw, lines) ~ Normal2(mu; kind + condition, Sigma_pair) prod_r Normal2(theta_r; mu + B x_r / 2 + s_r,
    Sigma_r) Binomials(theta_r)         Sigma_r = Sigma_rest; Sigma_study + Sigma_rest and no s_r for a study that is
    new to the edition, or whose effect no other line tells anything about

Newton finds the mode; samples from the Gaussian at the mode, weighted by target over proposal, give both a draw of mu
and the marginal likelihood Z of the lines. The shared draws are then weighted by Z(new lines) / Z(old lines), which is
exact where the Pareto k of the weights is good. Where it is not, the shared draws are held as they were and the result
says so. A study new to the edition is taken to test this pair only; together.py refits several pairs that one new
study tested.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from endfeel.pooling.data import Pair, PoolingData
from endfeel.pooling.edition import Edition, make_edition
from endfeel.pooling.integrate import PICKS, Line, integrate_pair
from endfeel.pooling.pareto import effective_draws, smoothed_weights, trusted
from endfeel.pooling.predictive import PairDraws

Array = NDArray[np.float64]

LARGEST_WORK = 60_000
"""Lines times draws; with more lines fewer draws are used."""


@dataclass(frozen=True)
class Refit:
    """A refitted pair.

    draws: (PICKS * D0,) resampled draws to summarise. aligned (D0, 2): one draw of mu for each draw of the edition,
    given that draw's shared parameters, to replace the edition's own. weights (D0,): of the edition's draws. pareto_k:
    of the weights; reweighted: whether the weights could be used for the shared parameters. effective: effective draws.
    """

    observable: str
    condition: str
    draws: PairDraws
    aligned: Array
    weights: Array
    pareto_k: float
    reweighted: bool
    effective: float


def counted_line(
    study_id: str,
    tp: int,
    fp: int,
    fn: int,
    tn: int,
    *,
    two_gate: bool = False,
    proposes_test: bool = False,
    index_not_blinded: bool = False,
    basis: str = "counts",
) -> Line:
    """A line of your own: four counts and the study's design. ValueError with one line where the counts can not be."""
    for name, value in (("tp", tp), ("fp", fp), ("fn", fn), ("tn", tn)):
        if value < 0 or value != int(value):
            raise ValueError(f"study {study_id}: {name} is {value}; give a whole number of people, 0 or more")
    if tp + fn == 0 or fp + tn == 0:
        missing = "with" if tp + fn == 0 else "without"
        raise ValueError(f"study {study_id}: nobody {missing} the condition; both groups need at least one person")
    return Line(
        study_id=study_id,
        tp=np.array([float(tp)]),
        n1=np.array([float(tp + fn)]),
        tn=np.array([float(tn)]),
        n0=np.array([float(fp + tn)]),
        log_weight=np.zeros(1),
        design=(float(two_gate), float(proposes_test), float(index_not_blinded)),
        basis=basis,
    )


def lines_of(data: PoolingData, observable: str, condition: str) -> tuple[Line, ...]:
    """The lines of one pair in the pooled data; empty where there are none.

    A rates line keeps the splits that all lines of its study and condition allow; what the others' rates say beyond
    that is left out by averaging them over every rate alike.
    """
    pair = (observable, condition)
    if pair not in data.pairs:
        return ()
    index = data.pairs.index(pair)
    counted, rated = data.counted, data.rated
    lines_per_study = np.bincount(np.concatenate([counted.study, rated.study]), minlength=len(data.studies))
    found = []
    for r in np.flatnonzero(counted.pair == index):
        one = slice(r, r + 1)
        source, design = counted.sources[r], _design(counted.design[r])
        alone = bool(lines_per_study[counted.study[r]] == 1)
        counts = (counted.tp[one], counted.n1[one], counted.tn[one], counted.n0[one])
        found.append(Line(source.study_id, *counts, np.zeros(1), design, source.basis, source, alone))
    for r in np.flatnonzero(rated.pair == index):
        g = rated.group[r]
        real = np.isfinite(rated.log_weight[g])
        source, design = rated.sources[r], _design(rated.design[r])
        alone = bool(lines_per_study[rated.study[r]] == 1)
        counts = (rated.tp[r, real], rated.n1[g, real], rated.tn[r, real], rated.n0[g, real])
        weight = rated.log_weight[g, real].copy()
        for other in np.flatnonzero(rated.group == g):
            if other != r:
                weight += _left_to_others(rated.tp[other, real], counts[1]) + _left_to_others(
                    rated.tn[other, real], counts[3]
                )
        found.append(Line(source.study_id, *counts, weight, design, "rates", source, alone))
    return tuple(found)


def refit_pair(
    edition: Edition,
    data: PoolingData,
    observable: str,
    condition: str,
    *,
    added: Sequence[Line] = (),
    without: Callable[[Line], bool] | None = None,
    kind: str | None = None,
    before: Array | None = None,
    seed: int = 0,
) -> Refit:
    """Refit one pair with lines added, or without those for which `without` is true.

    data: what the edition was built from. kind: of the finding, needed only for a pair new to the edition. before:
    what `likelihood_as_it_stands` gave for this pair and seed, where several refits only leave lines out.
    """
    joined = {line.study_id for line in added}
    old = [
        replace(line, alone=line.alone and line.study_id not in joined)
        for line in lines_of(data, observable, condition)
    ]
    new = [*(line for line in old if without is None or not without(line)), *added]
    kind = kind or _kind_of(data, (observable, condition))
    rng = np.random.default_rng(seed)
    used = used_draws(edition, max(len(old), len(new)))
    mean, covariance = edition.pair_centre(kind, condition)
    mean, covariance = mean[used], covariance[used]
    noise = noise_seed((observable, condition), seed)
    if before is None:
        before, _ = integrate_pair(edition, used, condition, old, mean, covariance, noise)
    elif added or before.shape != used.shape:
        raise ValueError("before can be given again only to refits that leave lines of the same edition's pair out")
    after, drawn = integrate_pair(edition, used, condition, new, mean, covariance, noise)
    return weighted_refits(edition, {(observable, condition): drawn}, used, after - before, rng)[0]


def weighted_refits(
    edition: Edition,
    drawn: Mapping[Pair, Array],
    used: NDArray[np.int64],
    log_ratio: Array,
    rng: np.random.Generator,
) -> tuple[Refit, ...]:
    """Refits of pairs from draws of each one's mean at every used draw, weighted alike.

    drawn: (PICKS, D, 2) by pair; used (D,): evenly spaced indices of the edition's draws; log_ratio (D,): of the
    marginal likelihood of the lines after and before.
    """
    weights, k = smoothed_weights(log_ratio)
    good = trusted(k, weights)
    if not good:
        weights = np.full(used.size, 1 / used.size)
    chosen = _systematic(weights, PICKS * edition.draws, rng)
    turn = np.arange(chosen.size) % PICKS
    picked = used[chosen]
    nearest = np.searchsorted(used, np.arange(edition.draws), side="right") - 1
    return tuple(
        Refit(
            observable=observable,
            condition=condition,
            draws=PairDraws(mu[turn, chosen], edition.sigma_study[picked], edition.sigma_rest[picked]),
            aligned=mu[0, nearest],
            weights=weights,
            pareto_k=k,
            reweighted=good,
            effective=effective_draws(weights),
        )
        for (observable, condition), mu in drawn.items()
    )


def likelihood_as_it_stands(
    edition: Edition, data: PoolingData, observable: str, condition: str, seed: int = 0
) -> Array:
    """Log marginal likelihood of a studied pair's lines at each draw that a refit uses, to be worked out once (D,)."""
    lines = lines_of(data, observable, condition)
    used = used_draws(edition, len(lines))
    mean, covariance = edition.pair_centre(_kind_of(data, (observable, condition)), condition)
    noise = noise_seed((observable, condition), seed)
    return integrate_pair(edition, used, condition, lines, mean[used], covariance[used], noise)[0]


def noise_seed(pair: Pair, seed: int) -> int:
    """Seed of one pair's noise: pairs that met the same noise would seem to go together."""
    return zlib.crc32(" ".join(pair).encode()) + seed


def used_draws(edition: Edition, lines: int) -> NDArray[np.int64]:
    """Evenly spaced draws of the edition, fewer with very many lines."""
    return np.arange(0, edition.draws, max(1, int(np.ceil(edition.draws * lines / LARGEST_WORK))))


def with_refits(edition: Edition, refits: Sequence[Refit], overlay: str) -> Edition:
    """The edition with refitted pairs in place of its own, shared parameters as they were; a new id.

    overlay: what was changed, kept in meta so that the new id can be told apart.
    """
    pairs, mu = list(edition.pairs), edition.mu
    for refit in refits:
        pair = (refit.observable, refit.condition)
        if pair in pairs:
            mu = mu.copy()
            mu[:, pairs.index(pair)] = refit.aligned
        else:
            pairs.append(pair)
            mu = np.concatenate([mu, refit.aligned[:, None]], axis=1)
    changed = replace(edition, mu=mu)
    return make_edition(
        pairs=tuple(pairs),
        kinds=edition.kinds,
        conditions=edition.conditions,
        studies=edition.studies,
        arrays=vars(changed),
        meta={**edition.meta, "based_on": edition.id, "overlay": overlay},
    )


def _kind_of(data: PoolingData, pair: Pair) -> str:
    if pair not in data.pairs:
        raise ValueError(f"no study measured {pair[0]!r} for {pair[1]!r}; say which kind of finding it is")
    return data.kinds[int(data.pair_kind[data.pairs.index(pair)])]


def _systematic(weights: Array, size: int, rng: np.random.Generator) -> NDArray[np.int64]:
    points = (np.arange(size) + rng.random()) / size
    return np.minimum(np.searchsorted(np.cumsum(weights), points), weights.size - 1)


def _left_to_others(hits: Array, size: Array) -> Array:
    """Log of the average binomial probability over all rates, 1 / (n + 1), in place of the binomial coefficient."""
    result: Array = gammaln(hits + 1) + gammaln(size - hits + 1) - gammaln(size + 2)
    return result


def _design(values: Array) -> tuple[float, float, float]:
    return (float(values[0]), float(values[1]), float(values[2]))
