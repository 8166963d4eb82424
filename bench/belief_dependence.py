"""How far findings repeat each other: the estimate, what it hangs on, and how it predicts a study left out.

Run: OMP_NUM_THREADS=1 python bench/belief_dependence.py > bench/results_dependence.md

Each combination study is left out whole. Its counts are then scored by three predictions of how its findings go
together, all with the same knowledge of the single findings: the estimate from the other studies, independence (r = 0),
and r = 0.3 for all. The score is the log probability of the counts, with and without the condition apart; higher is
better.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit, logsumexp
from scipy.stats import norm

from endfeel.belief.clusters import qualifying_clusters
from endfeel.belief.dependence import Dependence
from endfeel.belief.estimate import LOGIT_R, ClusterLikelihood, cluster_likelihood, estimate
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
    """Leave each study out and score its counts."""
    print("## Studies left out\n")
    print("| study | condition | people with the condition | estimate | independent | r = 0.3 |\n" + "| --- " * 6 + "|")
    total = np.zeros(3)
    for item in likelihoods:
        others = tuple(o for o in likelihoods if o.cluster.study_id != item.cluster.study_id)
        found = estimate(others).dependence
        for s, word in enumerate(("no", "yes")):
            if not item.cluster.classes[s]:
                continue
            row = item.log_likelihood[s]
            score = np.array([predicted(row, found, s), row[0], np.interp(np.log(0.3 / 0.7), LOGIT_R, row)])
            total += score
            print(f"| {item.cluster.study_id} | {item.cluster.condition} | {word} | "
                  + " | ".join(f"{value:.2f}" for value in score) + " |")
    print("| all | | | " + " | ".join(f"{value:.2f}" for value in total) + " |\n")
    ours, apart, fixed = total
    one, other = ("wins" if ours > score else "loses" for score in (apart, fixed))
    print(f"Against independence the estimate {one} by {abs(ours - apart):.1f}, against r = 0.3 for all it {other} by "
          f"{abs(ours - fixed):.1f} (log probability over all studies). It spreads "
          "its bets over r, which six studies can not narrow much; a fixed value does not.")


def predicted(row: np.ndarray, found: Dependence, s: int) -> float:
    """log of the mean of L over r of a structure that the other studies tell of only through the middle."""
    mean = found.mean + (found.gap if s else 0.0)
    spread = np.sqrt(found.mean_sd**2 + (found.gap_sd**2 if s else 0.0) + found.spread**2)
    weights = norm.pdf(LOGIT_R, mean, spread)
    return float(logsumexp(row, b=weights / weights.sum()))


if __name__ == "__main__":
    main()
