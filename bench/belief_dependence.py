"""How far findings repeat each other: the estimate, what it hangs on, and how it predicts a study left out.

Run: OMP_NUM_THREADS=1 python bench/belief_dependence.py > bench/results_dependence.md

Each combination study is left out whole. Its counts are then scored by three predictions of how its findings go
together, all with the same knowledge of the single findings: the estimate from the other studies, independence (r = 0),
and r = 0.3 for all. The score is the log probability of all the study's counts; higher is better.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit, logsumexp, ndtr
from scipy.stats import binom, norm

from endfeel.belief.clusters import Cluster, Counts, qualifying_clusters
from endfeel.belief.combine import count_distribution
from endfeel.belief.dependence import Dependence
from endfeel.belief.estimate import (
    LEVEL_SPREAD,
    LOGIT_R,
    TEST_SPREAD,
    ClusterLikelihood,
    cluster_likelihood,
    estimate,
)
from endfeel.evidence import load_evidence

KAPPAS = (0.1, 0.3, 0.5)


def main() -> None:
    """Print the tables."""
    clusters = qualifying_clusters(load_evidence())
    by_kappa = {kappa: tuple(cluster_likelihood(c, kappa) for c in clusters) for kappa in KAPPAS}
    print("# Dependence of findings that load the same structure\n")
    print(f"Made by bench/belief_dependence.py from {len(clusters)} combinations of "
          f"{len({c.study_id for c in clusters})} studies.\n")
    print("| kappa | r without, middle (95 %) | r with, middle (95 %) |\n| --- | --- | --- |")
    for kappa, likelihoods in by_kappa.items():
        d = estimate(likelihoods).dependence
        print(f"| {kappa} | {told(d.mean, d.mean_sd)} | {told(d.mean + d.gap, np.hypot(d.mean_sd, d.gap_sd))} |")
    before = Dependence()
    print(f"| before any combination | {told(before.mean, before.mean_sd)} | "
          f"{told(before.mean, np.hypot(before.mean_sd, before.gap_sd))} |\n")
    print("The counts hardly tell kappa: estimates move by less than a hundredth.\n")
    scores(by_kappa[0.3])


def told(mean: float, sd: float) -> str:
    """A logit-normal r in words."""
    low, middle, high = expit(mean + sd * np.array([-1.96, 0.0, 1.96]))
    return f"{middle:.2f} ({low:.2f} to {high:.2f})"


def scores(likelihoods: tuple[ClusterLikelihood, ...]) -> None:
    """Leave each study out and score all its counts together."""
    print("## Studies left out\n")
    print("Log probability of all that a study counted; the others' posterior predicts it, averaged over r.\n")
    print("| study | condition | largest likelihood at r, without and with | estimate | independent | r = 0.3 |\n"
          + "| --- " * 6 + "|")
    studies = tuple(dict.fromkeys(item.cluster.study_id for item in likelihoods))
    ours = np.array([predicted(likelihoods, study, Dependence()) for study in studies])
    apart, fixed = (np.array([with_one_r(likelihoods, study, r) for study in studies]) for r in (0.0, 0.3))
    for place, study in enumerate(studies):
        held = [item for item in likelihoods if item.cluster.study_id == study]
        best = expit(LOGIT_R[sum(item.log_likelihood for item in held).argmax(axis=1)])
        print(f"| {study} | {held[0].cluster.condition} | {best[0]:.2f} and {best[1]:.2f} | {ours[place]:.2f} | "
              f"{apart[place]:.2f} | {fixed[place]:.2f} |")
    print(f"| all | | | {ours.sum():.2f} | {apart.sum():.2f} | {fixed.sum():.2f} |\n")
    largest = int(np.argmax(np.abs(ours - apart)))
    print(f"Against independence {difference(ours, apart)}, against r = 0.3 for all {difference(ours, fixed)}: sums "
          f"over {len(studies)} studies, in brackets the standard error from how the studies differ. Of the first, "
          f"{ours[largest] - apart[largest]:+.1f} comes from {studies[largest]} alone. The value 0.3 is also where our "
          "prior is centred: a fixed value loses only where a study lies far from it.\n")
    intervals(likelihoods)
    alike(likelihoods, studies, fixed)
    classes_apart(likelihoods)


def intervals(likelihoods: tuple[ClusterLikelihood, ...]) -> None:
    """95 % intervals of how many people reach each cut-off."""
    print("## Intervals\n")
    print("How many people of a class reach a cut-off, predicted from r of the other studies and from the single "
          "findings' counts in the same people; where only cut-offs are printed, from how many reach the lowest one. "
          "The interval score is width plus 40 times what it misses by, in per cent of the people; lower is better.\n")
    names = ("estimate", "independent", "r = 0.3")
    found: dict[str, list[tuple[float, float, bool]]] = {name: [] for name in names}
    by_study: dict[str, list[np.ndarray]] = {}
    for item in likelihoods:
        others = [o for o in likelihoods if o.cluster.study_id != item.cluster.study_id]
        told = estimate(others).dependence
        for s in (0, 1):
            if not item.cluster.classes[s]:
                continue
            counts = max(item.cluster.classes[s], key=lambda c: c.weight)
            rows = [reached(item.cluster, counts, told, s, fixed) for fixed in (None, 0.0, 0.3)]
            for name, row in zip(names, rows, strict=True):
                found[name] += row
            by_study.setdefault(item.cluster.study_id, []).append(np.array([[x[0] for x in row] for row in rows]))
    print("| prediction | interval score | mean width | inside |\n| --- | --- | --- | --- |")
    for name in names:
        score, width, inside = (np.array(column, dtype=float) for column in zip(*found[name], strict=True))
        print(f"| {name} | {score.mean():.1f} | {width.mean():.1f} | {int(inside.sum())} of {len(inside)} |")
    means = np.array([np.concatenate(rows, axis=1).mean(axis=1) for rows in by_study.values()])
    apart, fixed = (means[:, 0] - means[:, k] for k in (1, 2))
    error = [gap.std(ddof=1) / np.sqrt(len(gap)) for gap in (apart, fixed)]
    print(f"\nMean difference per study, and its standard error: against independence {apart.mean():+.1f} "
          f"({error[0]:.1f}), against r = 0.3 {fixed.mean():+.1f} ({error[1]:.1f}); {len(means)} studies.\n")


def reached(
    cluster: Cluster, counts: Counts, told: Dependence, s: int, fixed: float | None, draws: int = 32_768
) -> list[tuple[float, float, bool]]:
    """(interval score, width, inside) for each cut-off, in per cent of people. fixed: one r for all; None: as told."""
    rng = np.random.default_rng([1, s])
    total, tests = int(counts.cells.sum()), len(cluster.findings)
    seen = [int(counts.cells[k + 1 :].sum()) for k in range(len(cluster.cuts))]
    if counts.singles is not None:
        hits, people = counts.singles[:, 0], counts.singles[:, 1]
        positive = rng.beta(hits + 0.5, people - hits + 0.5, (draws, tests))
    else:
        level, own = rng.standard_normal((draws, 1)), rng.standard_normal((draws, tests))
        positive = ndtr(LEVEL_SPREAD * level + TEST_SPREAD * own)
    positive = np.clip(positive, 1e-6, 1 - 1e-6)
    names = tuple(dict.fromkeys(cluster.groups))
    r = told.draw(names, rng.standard_normal((draws, 2)), rng.standard_normal((draws, len(names), 2)))
    shares = r[:, [names.index(g) for g in cluster.groups], s] if fixed is None else np.full_like(positive, fixed)
    number = count_distribution(positive, shares, cluster.groups, 0.3)
    rate = [np.clip(number[cut:].sum(axis=0), 1e-12, 1 - 1e-12) for cut in cluster.cuts]
    weight, first = np.ones(draws), 0
    if counts.singles is None:
        weight, first = binom.pmf(seen[0], total, rate[0]), 1
    kept = rng.choice(draws, size=draws, p=weight / weight.sum())
    found = []
    for k in range(first, len(cluster.cuts)):
        # Given that the lowest cut-off is known, people who reach a higher one are among those who reach it.
        of, chance = (total, rate[k]) if first == 0 else (seen[0], rate[k] / rate[0])
        low, high = np.quantile(rng.binomial(of, np.minimum(chance[kept], 1.0)), [0.025, 0.975])
        missed = max(low - seen[k], seen[k] - high, 0.0)
        found.append((100 * (high - low + 40 * missed) / total, 100 * (high - low) / total, missed == 0))
    return found


def alike(likelihoods: tuple[ClusterLikelihood, ...], studies: tuple[str, ...], fixed: np.ndarray) -> None:
    """What the score hangs on: how much of a group's spread is the same in both classes, and its size."""
    print("## What the score hangs on\n")
    print("How alike a group's r is with and without the condition, and how far groups spread, are our assumptions. "
          "Shipped: half alike, spread 0.6.\n")
    print("| part alike | spread (logit sd) | all counts together | studies left out | against r = 0.3 |\n"
          + "| --- " * 5 + "|")
    for shared, spread in ((0.0, 0.6), (0.5, 0.6), (0.8, 0.6), (0.5, 1.0), (0.8, 1.0)):
        prior = Dependence(shared=shared, spread=spread)
        score = np.array([predicted(likelihoods, study, prior) for study in studies])
        print(f"| {shared} | {spread} | {estimate(likelihoods, prior).log_evidence:.2f} | {score.sum():.2f} | "
              f"{difference(score, fixed)} |")
    print("\nThe first column of scores is what all counts say of the assumption; differences of less than one are "
          "worth nothing with six studies, so the stated half was kept and not the best row.\n")


def classes_apart(likelihoods: tuple[ClusterLikelihood, ...]) -> None:
    """The same, each class of each combination scored as though the other and the structure's other studies were not
    known of: how the estimate was scored before."""
    total, fixed = 0.0, 0.0
    for item in likelihoods:
        found = estimate(o for o in likelihoods if o.cluster.study_id != item.cluster.study_id).dependence
        for s in (0, 1):
            if item.cluster.classes[s]:
                total += one_class(item.log_likelihood[s], found, s)
                fixed += float(np.interp(np.log(0.3 / 0.7), LOGIT_R, item.log_likelihood[s]))
    print("## Each class by itself\n")
    print("Scored class by class, each as though nothing were known of the study's other class nor of other studies "
          f"of the same structure, the estimate gets {total:.2f} and r = 0.3 {fixed:.2f}: {total - fixed:+.1f}. An "
          "average over r pays for its width once in every class; a study is one bet.")


def predicted(likelihoods: tuple[ClusterLikelihood, ...], study: str, prior: Dependence) -> float:
    """log probability of one study's counts given all others: p(all) / p(others)."""
    others = [item for item in likelihoods if item.cluster.study_id != study]
    return estimate(likelihoods, prior).log_evidence - estimate(others, prior).log_evidence


def with_one_r(likelihoods: tuple[ClusterLikelihood, ...], study: str, r: float) -> float:
    """log probability of one study's counts with one r for all; 0 is the lower end of the grid."""
    at = LOGIT_R[0] if r == 0 else np.log(r / (1 - r))
    rows = [row for item in likelihoods if item.cluster.study_id == study for row in item.log_likelihood]
    return float(sum(np.interp(at, LOGIT_R, row) for row in rows))


def difference(one: np.ndarray, other: np.ndarray) -> str:
    """Sum of the differences and its standard error."""
    gap = one - other
    return f"{gap.sum():+.1f} ({gap.std(ddof=1) * np.sqrt(len(gap)):.1f})"


def one_class(row: np.ndarray, found: Dependence, s: int) -> float:
    """log of the mean of L over r of a structure that the other studies tell of only through the middle."""
    mean = found.mean + (found.gap if s else 0.0)
    spread = np.sqrt(found.mean_sd**2 + (found.gap_sd**2 if s else 0.0) + found.spread**2)
    weights = norm.pdf(LOGIT_R, mean, spread)
    return float(logsumexp(row, b=weights / weights.sum()))


if __name__ == "__main__":
    main()
