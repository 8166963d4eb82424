"""Does the pooled model predict studies it has not seen? Whole studies are held out, all their tests at once.

Run: OMP_NUM_THREADS=1 python bench/pooling_holdout.py [--folds 10] [--warmup 200] [--samples 200] [--minutes 60]

Four predictions of each held-out 2x2 are scored:
  endfeel   the model of endfeel.pooling
  no-study  the same model without the study effect that one study's tests share
  own-only  the pair's own other studies with a vague mean (sd 1.5), the full model's spreads between studies
  counts    the pair's own other studies added up, Beta(1/2, 1/2) otherwise: remembered figures, no spread
Log densities are higher-better, interval scores (Gneiting & Raftery, J Am Stat Assoc 2007;102:359-378, of the central
95 %, in rates) lower-better. Two log densities are told apart. Per table: each 2x2 by itself, summed over tables, so
that a study of twelve tests counts twelve times. Per study: all tests of one study and condition together, one joint
density. Only the second can see whether tests of one study go together; the first is what a model that takes every
table for a study of its own is fitted to.
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
SIZES = ((1, 1), (2, 4), (5, 10**6))


@dataclass
class Scores:
    """Per held-out row and side: log density (one per row), PIT, interval score, covered.

    joint, effective: one per study and condition: joint log density, effective draws behind it.
    """

    log_density: list[float] = field(default_factory=list)
    pit: list[float] = field(default_factory=list)
    interval: list[float] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    joint: list[float] = field(default_factory=list)
    effective: list[float] = field(default_factory=list)


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
    # What the tables of one study share: the study effect, and the effect of a condition that is new.
    study = edition.sigma_study[draw]
    if condition not in edition.conditions and not own_only:
        study = study + edition.condition_sd[draw, :, None] ** 2 * np.eye(2)
    parts = []
    for row in rows:
        pair = (row.observable_id, condition)
        rest = edition.sigma_rest[draw]
        if own_only:
            mu = _own_only(edition, data, pair, rng)[draw]
        elif pair in edition.pair_index:
            mu = edition.pair(*pair)[draw]
        else:
            # A new pair's own deviation is integrated with the residual.
            kind = evidence.finding(row.observable_id, row.region).kind
            mu = edition.pair_centre(kind, condition)[0][draw]
            rest = rest + edition.sigma_pair[draw]
        design = edition.design_effect[draw] @ np.array(design_of(evidence.studies[row.study_id]))
        mean = mu + design[:, None] / 2
        hits = np.array([row.tp, row.tn], dtype=float)
        size = np.array([row.diseased, row.healthy], dtype=float)
        parts.append((mean, rest, hits, size))
        whole = planar.lower_factor(rest + study)
        scores.log_density.append(log_mean(row_likelihood(mean, whole, hits, size)))
        rate = expit(mean + planar.apply(whole, rng.standard_normal((draw.size, 2))))
        for side in (0, 1):
            _score_rates(scores, rate[:, side], int(hits[side]), int(size[side]), rng)
    if len(rows) == 1:
        scores.joint.append(scores.log_density[-1])
        scores.effective.append(np.nan)
        return
    shared = study.any()
    effect, log_weight = study_effects(study, parts, rng) if shared else (np.zeros_like(study[:, 0]), 0.0)
    total = log_weight + sum(
        row_likelihood(mean + effect, planar.lower_factor(rest), hits, size) for mean, rest, hits, size in parts
    )
    scores.joint.append(log_mean(total))
    scores.effective.append(float(np.exp(2 * logsumexp(total) - logsumexp(2 * total))))


def study_effects(
    study: Array, parts: list[tuple[Array, Array, Array, Array]], rng: np.random.Generator
) -> tuple[Array, Array]:
    """A study effect for each sample and its log importance weight, proposed near what the study's tables say.

    Many tables tell a study's effect so exactly that draws from its prior would miss it. The proposal is the Gaussian
    posterior given empirical logits, with the tails of a t distribution with 8 degrees of freedom.
    """
    inverse = planar.inverse(study)
    precision, pull = inverse, np.zeros(study.shape[:2])
    for mean, rest, hits, size in parts:
        noise = np.diag(1 / (hits + 0.5) + 1 / (size - hits + 0.5))
        row = planar.inverse(rest + noise)
        precision = precision + row
        pull = pull + planar.apply(row, np.log((hits + 0.5) / (size - hits + 0.5)) - mean)
    covariance = planar.inverse(precision)
    lower = planar.lower_factor(covariance)
    z = rng.standard_normal(pull.shape) / np.sqrt(rng.chisquare(8, len(pull)) / 8)[:, None]
    effect = planar.apply(covariance, pull) + planar.apply(lower, z)
    # The bivariate t's constant is 1 / (2 pi), as the Gaussian's, so that both fall out.
    prior = -0.5 * np.log(planar.determinant(study)) - 0.5 * np.einsum("mi,mij,mj->m", effect, inverse, effect)
    proposal = -5 * np.log1p((z**2).sum(axis=1) / 8) - np.log(planar.determinant(lower))
    return effect, prior - proposal


def _own_only(edition: Edition, data: PoolingData, pair: tuple[str, str], rng: np.random.Generator) -> Array:
    mean = np.tile(VAGUE_MEAN, (edition.draws, 1))
    covariance = np.tile(np.eye(2) * VAGUE_SD**2, (edition.draws, 1, 1))
    lines = lines_of(data, *pair)
    return integrate_pair(
        edition, np.arange(edition.draws), pair[1], lines, mean, covariance, int(rng.integers(2**31))
    )[1][0]


def row_likelihood(mean: Array, lower: Array, hits: Array, size: Array) -> Array:
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
    scores.effective.append(np.nan)


def _score_rates(scores: Scores, rates: Array, hits: int, size: int, rng: np.random.Generator) -> None:
    """PIT (randomised, since counts are discrete) and interval score of one side from sampled rates."""
    drawn = rng.binomial(size, rates)
    scores.pit.append(float((drawn < hits).mean() + rng.random() * (drawn == hits).mean()))
    low, high = np.quantile(drawn / size, [0.025, 0.975])
    rate = hits / size
    scores.interval.append(float(high - low + 40 * max(0.0, low - rate) + 40 * max(0.0, rate - high)))
    scores.covered.append(bool(low <= rate <= high))


def log_mean(values: Array) -> float:
    return float(logsumexp(values) - np.log(values.size))


def _report(scores: dict[str, Scores], seen: NDArray[np.bool_], together: NDArray[np.int64]) -> None:
    print(
        f"\n{seen.size} held-out 2x2 tables, {seen.sum()} of pairs with another study; "
        f"{(together > 1).sum()} of {together.size} study-condition groups have several tests\n"
    )
    print(
        "| prediction | log density per table | ... pair has another study | ... pair is new "
        "| per study, all its tests together | ... of several tests | interval score | 95 % covers |"
    )
    print("|---|---|---|---|---|---|---|---|")
    reference = scores["endfeel"]
    for name, s in scores.items():
        density, joint = np.array(s.log_density), np.array(s.joint)
        print(
            f"| {name} | {density.mean():.2f} | {density[seen].mean():.2f} | {density[~seen].mean():.2f} "
            f"| {joint.mean():.2f} | {joint[together > 1].mean():.2f} "
            f"| {np.mean(s.interval):.3f} | {np.mean(s.covered):.3f} |"
        )
    tables = np.repeat(together, together)
    group = np.repeat(np.arange(together.size), together)
    print("\nendfeel minus the others: mean difference (standard error over studies)\n")
    print("| against | per table | ... pair has another study | per study | ... of several tests | interval score |")
    print("|---|---|---|---|---|---|")
    others = {name: s for name, s in scores.items() if name != "endfeel"}
    for name, s in others.items():
        one = np.array(reference.log_density) - np.array(s.log_density)
        score = (np.array(reference.interval) - np.array(s.interval)).reshape(-1, 2).mean(axis=1)
        joint = np.array(reference.joint) - np.array(s.joint)
        many = joint[together > 1]
        parts = [
            clustered(one, group),
            clustered(one[seen], group[seen]),
            clustered(joint, np.arange(joint.size)),
            clustered(many, np.arange(many.size)),
            clustered(score, group),
        ]
        print(f"| {name} | {' | '.join(parts)} |")
    print("\nendfeel minus the others by how many tests the study has: per table; per study\n")
    print("| against | 1 test | 2 to 4 tests | 5 or more |\n|---|---|---|---|")
    for name, s in others.items():
        one = np.array(reference.log_density) - np.array(s.log_density)
        joint = np.array(reference.joint) - np.array(s.joint)
        cells = []
        for low, high in SIZES:
            rows, studies = (tables >= low) & (tables <= high), (together >= low) & (together <= high)
            cells.append(f"{clustered(one[rows], group[rows])}; {clustered(joint[studies], np.arange(studies.sum()))}")
        print(f"| {name} | {' | '.join(cells)} |")
    print("\nmean PIT of sensitivity and specificity by how many tests the study has (0.5 if unbiased)\n")
    print("| prediction | 1 test | 2 to 4 tests | 5 or more |\n|---|---|---|---|")
    for name, s in scores.items():
        pit = np.array(s.pit).reshape(-1, 2)
        means = [pit[(tables >= low) & (tables <= high)].mean(axis=0) for low, high in SIZES]
        print(f"| {name} | {' | '.join(f'{m[0]:.2f}, {m[1]:.2f}' for m in means)} |")
    for name, s in scores.items():
        least = np.nanmin(s.effective) if np.isfinite(s.effective).any() else np.nan
        print(f"\nleast effective draws behind a joint density, {name}: {least:.0f} of {SAMPLES_PER_ROW}")
    print("\nPIT histogram, ten equal bins (10 % each if calibrated):\n")
    for name, s in scores.items():
        counts, _ = np.histogram(s.pit, bins=10, range=(0, 1))
        print(f"- {name}: " + " ".join(f"{100 * c / counts.sum():.0f}" for c in counts))


def clustered(values: Array, group: NDArray[np.int64]) -> str:
    """Mean and its standard error, tables of one group counted as dependent."""
    sums = np.bincount(group, weights=values - values.mean())
    return f"{values.mean():+.3f} ({np.sqrt((sums**2).sum()) / values.size:.3f})"


if __name__ == "__main__":
    main()
