"""Does the pooled model predict studies it has not seen? Whole studies are held out, all their tests at once.

Run: OMP_NUM_THREADS=1 python bench/pooling_holdout.py [--folds 10] [--warmup 200] [--samples 200] [--minutes 60]

Four predictions of each held-out 2x2 are scored:
  endfeel   the model of endfeel.pooling
  no-study  the same model without the study effect that one study's tests share
  own-only  the pair's own other studies with a vague mean (sd 1.5), the full model's spreads between studies
  counts    the pair's own other studies added up, Beta(1/2, 1/2) otherwise: remembered figures, no spread
Log densities are higher-better, interval scores (Gneiting & Raftery, J Am Stat Assoc 2007;102:359-378, of the central
95 %, in rates) lower-better. "joint" is the log density of all tests of one study and condition together.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, expit, gammaln, log_expit, logsumexp

from endfeel.evidence import AccuracyRow, EvidenceBase, load_evidence
from endfeel.pooling import planar
from endfeel.pooling.build import covariance_of, sample_posterior
from endfeel.pooling.data import PoolingData, design_of, pooling_data
from endfeel.pooling.edition import Edition, load_edition, make_edition, save_edition
from endfeel.pooling.integrate import integrate_pair
from endfeel.pooling.refit import lines_of

Array = NDArray[np.float64]
MODELS = ("endfeel", "no-study", "own-only", "counts")
VAGUE_MEAN, VAGUE_SD = (0.75, 1.5), 1.5
SAMPLES_PER_ROW = 4000


@dataclass
class Scores:
    """Per held-out row and side: log density (one per row), PIT, interval score, covered; joint log densities."""

    log_density: list[float] = field(default_factory=list)
    pit: list[float] = field(default_factory=list)
    interval: list[float] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    joint: list[float] = field(default_factory=list)


def main() -> None:
    """Fit every fold and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folds", type=int, default=10)
    parser.add_argument("--warmup", type=int, default=200)
    parser.add_argument("--samples", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder that keeps the fits, so that scoring can be repeated")
    parser.add_argument("--minutes", type=float, default=60.0, help="start no further fold after this time")
    options = parser.parse_args()
    evidence = load_evidence()
    rng = np.random.default_rng(options.seed)
    studies = sorted({row.study_id for row in (*evidence.accuracy, *evidence.rates)})
    fold_of = dict(zip(studies, rng.permutation(len(studies)) % options.folds, strict=True))
    scores = {name: Scores() for name in MODELS}
    seen_before: list[bool] = []
    together: list[int] = []
    started = time.time()
    for fold in range(options.folds):
        if time.time() - started > 60 * options.minutes:
            print(f"stopped after {fold} of {options.folds} folds")
            break
        held = {s for s in studies if fold_of[s] == fold}
        left_out = frozenset(
            (r.study_id, r.observable_id) for r in (*evidence.accuracy, *evidence.rates) if r.study_id in held
        )
        data = pooling_data(evidence, left_out)
        editions = {name: _fit(data, options, fold, shared=name == "endfeel") for name in ("endfeel", "no-study")}
        groups: dict[tuple[str, str], list[AccuracyRow]] = {}
        for row in evidence.accuracy:
            if row.study_id in held:
                groups.setdefault((row.study_id, row.condition_id), []).append(row)
        for (_, condition), rows in groups.items():
            known = [(r.observable_id, condition) in data.pairs for r in rows]
            seen_before += known
            together.append(len(rows))
            for name in MODELS:
                if name == "counts":
                    _score_counts(scores[name], evidence, left_out, rows, rng)
                else:
                    edition = editions["no-study" if name == "no-study" else "endfeel"]
                    _score_model(scores[name], edition, evidence, data, condition, rows, name == "own-only", rng)
        print(f"fold {fold + 1} of {options.folds}, {time.time() - started:.0f} s", flush=True)
    _report(scores, np.array(seen_before), np.array(together))


def _fit(data: PoolingData, options: argparse.Namespace, fold: int, shared: bool) -> Edition:
    kept = options.keep and Path(options.keep) / f"fold-{fold}-{'shared' if shared else 'plain'}.npz"
    if kept and kept.exists():
        return load_edition(kept)
    posterior, health = sample_posterior(
        data, options.seed + fold, 2, options.warmup, options.samples, shared_study=shared
    )
    flat = {name: values.reshape(-1, *values.shape[2:]) for name, values in posterior.items()}
    draws = flat["mu"].shape[0]
    nothing = np.zeros((draws, 2, 2))
    edition = make_edition(
        pairs=data.pairs,
        kinds=data.kinds,
        conditions=data.conditions,
        # Without its own study effects, a refit treats every study as new: what own-only wants.
        studies=(),
        arrays={
            **{
                k: flat[k]
                for k in (
                    "mu",
                    "kind_mean",
                    "condition_effect",
                    "condition_sd",
                    "pair_sd",
                    "pair_correlation",
                    "design_effect",
                )
            },
            "sigma_study": covariance_of(flat["study_sd"], flat["study_correlation"]) if shared else nothing,
            "sigma_rest": covariance_of(flat["rest_sd"], flat["rest_correlation"]),
            "study_effect": np.zeros((draws, 0, 2)),
        },
        meta={"health": health},
    )
    if kept:
        save_edition(edition, kept)
    return edition


def _score_model(
    scores: Scores,
    edition: Edition,
    evidence: EvidenceBase,
    data: PoolingData,
    condition: str,
    rows: list[AccuracyRow],
    own_only: bool,
    rng: np.random.Generator,
) -> None:
    draw = rng.permutation(np.resize(np.arange(edition.draws), SAMPLES_PER_ROW))
    study = planar.apply(planar.lower_factor(edition.sigma_study)[draw], rng.standard_normal((draw.size, 2)))
    unknown = edition.condition_sd[draw] * rng.standard_normal((draw.size, 2))
    per_row = []
    for row in rows:
        pair = (row.observable_id, condition)
        spread = edition.sigma_rest
        if own_only:
            mu = _own_only(edition, data, pair, rng)[draw]
        elif pair in edition.pair_index:
            mu = edition.pair(*pair)[draw]
        else:
            # A new pair's own deviation is integrated with the residual; only what tests share is sampled.
            spread = spread + edition.sigma_pair
            kind = evidence.finding(row.observable_id, row.region).kind
            mu = edition.kind_mean[draw, edition.kinds.index(kind)]
            known = condition in edition.conditions
            mu = mu + (edition.condition_effect[draw, edition.conditions.index(condition)] if known else unknown)
        rest = planar.lower_factor(spread)[draw]
        design = edition.design_effect[draw] @ np.array(design_of(evidence.studies[row.study_id]))
        mean = mu + design[:, None] / 2 + study
        hits = np.array([row.tp, row.tn], dtype=float)
        size = np.array([row.diseased, row.healthy], dtype=float)
        log_row = _row_likelihood(mean, rest, hits, size)
        per_row.append(log_row)
        scores.log_density.append(_log_mean(log_row))
        rate = expit(mean + planar.apply(rest, rng.standard_normal((draw.size, 2))))
        for side in (0, 1):
            _score_rates(scores, rate[:, side], int(hits[side]), int(size[side]), rng)
    scores.joint.append(_log_mean(np.sum(per_row, axis=0)))


def _own_only(edition: Edition, data: PoolingData, pair: tuple[str, str], rng: np.random.Generator) -> Array:
    mean = np.tile(VAGUE_MEAN, (edition.draws, 1))
    covariance = np.tile(np.eye(2) * VAGUE_SD**2, (edition.draws, 1, 1))
    lines = lines_of(data, *pair)
    return integrate_pair(
        edition, np.arange(edition.draws), pair[1], lines, mean, covariance, int(rng.integers(2**31))
    )[1]


def _row_likelihood(mean: Array, lower: Array, hits: Array, size: Array) -> Array:
    """Log probability of one 2x2 for each sample, its residual integrated by adaptive quadrature; (M,)."""
    u = np.zeros_like(mean)
    for _ in range(50):
        rate = expit(mean + planar.apply(lower, u))
        transposed = np.swapaxes(lower, -1, -2)
        curvature = transposed @ ((size * rate * (1 - rate))[..., None] * lower) + np.eye(2)
        gradient = planar.apply(transposed, hits - size * rate) - u
        step = np.clip(planar.apply(planar.inverse(curvature), gradient), -1, 1)
        u = u + step
        if np.abs(step).max() < 1e-8:
            break
    scale = planar.lower_factor(planar.inverse(curvature))
    points, weights = np.polynomial.hermite_e.hermegauss(7)
    terms = []
    for x, wx in zip(points, weights, strict=True):
        for y, wy in zip(points, weights, strict=True):
            at = u + planar.apply(scale, np.array([x, y]))
            theta = mean + planar.apply(lower, at)
            value = (hits * log_expit(theta) + (size - hits) * log_expit(-theta)).sum(axis=1)
            value += -0.5 * (at**2).sum(axis=1) + 0.5 * (x * x + y * y) + np.log(wx * wy / (2 * np.pi))
            terms.append(value)
    constant = (gammaln(size + 1) - gammaln(hits + 1) - gammaln(size - hits + 1)).sum()
    return logsumexp(terms, axis=0) + np.log(planar.determinant(scale)) + constant


def _score_counts(
    scores: Scores,
    evidence: EvidenceBase,
    left_out: frozenset[tuple[str, str]],
    rows: list[AccuracyRow],
    rng: np.random.Generator,
) -> None:
    total = 0.0
    for row in rows:
        others = [
            r
            for r in evidence.accuracy_of(row.observable_id, row.condition_id)
            if (r.study_id, r.observable_id) not in left_out
        ]
        density = 0.0
        for hit, size, hits, sizes in (
            (row.tp, row.diseased, sum(r.tp for r in others), sum(r.diseased for r in others)),
            (row.tn, row.healthy, sum(r.tn for r in others), sum(r.healthy for r in others)),
        ):
            a, b = 0.5 + hits, 0.5 + sizes - hits
            density += gammaln(size + 1) - gammaln(hit + 1) - gammaln(size - hit + 1)
            density += betaln(a + hit, b + size - hit) - betaln(a, b)
            _score_rates(scores, rng.beta(a, b, SAMPLES_PER_ROW), hit, size, rng)
        scores.log_density.append(float(density))
        total += density
    scores.joint.append(total)


def _score_rates(scores: Scores, rates: Array, hits: int, size: int, rng: np.random.Generator) -> None:
    """PIT (randomised, since counts are discrete) and interval score of one side from sampled rates."""
    drawn = rng.binomial(size, rates)
    scores.pit.append(float((drawn < hits).mean() + rng.random() * (drawn == hits).mean()))
    low, high = np.quantile(drawn / size, [0.025, 0.975])
    rate = hits / size
    scores.interval.append(float(high - low + 40 * max(0.0, low - rate) + 40 * max(0.0, rate - high)))
    scores.covered.append(bool(low <= rate <= high))


def _log_mean(values: Array) -> float:
    return float(logsumexp(values) - np.log(values.size))


def _report(scores: dict[str, Scores], seen: NDArray[np.bool_], together: NDArray[np.int64]) -> None:
    print(
        f"\n{seen.size} held-out 2x2 tables, {seen.sum()} of pairs with another study; "
        f"{(together > 1).sum()} of {together.size} study-condition groups have several tests\n"
    )
    print(
        "| prediction | log density per 2x2 | ... pair has another study | ... pair is new "
        "| joint per group of several tests | interval score | 95 % covers |"
    )
    print("|---|---|---|---|---|---|---|")
    reference = scores["endfeel"]
    for name, s in scores.items():
        density, joint = np.array(s.log_density), np.array(s.joint)
        print(
            f"| {name} | {density.mean():.2f} | {density[seen].mean():.2f} | {density[~seen].mean():.2f} "
            f"| {joint[together > 1].mean():.2f} | {np.mean(s.interval):.3f} | {np.mean(s.covered):.3f} |"
        )
    group = np.repeat(np.arange(together.size), together)
    print("\nendfeel minus the others: mean difference (standard error over study-condition groups)\n")
    for name, s in scores.items():
        if name == "endfeel":
            continue
        one = np.array(reference.log_density) - np.array(s.log_density)
        score = (np.array(reference.interval) - np.array(s.interval)).reshape(-1, 2).mean(axis=1)
        many = (np.array(reference.joint) - np.array(s.joint))[together > 1]
        parts = [
            _clustered(one, group),
            _clustered(one[seen], group[seen]),
            _clustered(many, np.arange(many.size)),
            _clustered(score, group),
        ]
        print(
            f"- {name}: log density {parts[0]}, where the pair has another study {parts[1]}, "
            f"joint {parts[2]}, interval score {parts[3]}"
        )
    print("\nPIT histogram, ten equal bins (10 % each if calibrated):\n")
    for name, s in scores.items():
        counts, _ = np.histogram(s.pit, bins=10, range=(0, 1))
        print(f"- {name}: " + " ".join(f"{100 * c / counts.sum():.0f}" for c in counts))


def _clustered(values: Array, group: NDArray[np.int64]) -> str:
    """Mean and its standard error, tables of one group counted as dependent."""
    sums = np.bincount(group, weights=values - values.mean())
    return f"{values.mean():+.3f} ({np.sqrt((sums**2).sum()) / values.size:.3f})"


if __name__ == "__main__":
    main()
