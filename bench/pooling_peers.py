"""The maximum likelihood fit of one pair beside lme4's, on the same 2x2 tables; printed results: pooling_printed.py.

Run: OMP_NUM_THREADS=1 python bench/pooling_peers.py [--rscript Rscript] [--repeats 5] [--keep bench/data/peer_lme4.csv]

Needs R with the package lme4 (Bates et al., J Stat Softw 2015;67(1):1-48). Its glmer is given one row per study and
side, 0 + side as fixed effects and (0 + side | study) as random ones: the same bivariate binomial-normal model, its
integral by Laplace's approximation (nAGQ = 1, the only choice that glmer has for two random effects). So three things
are compared: likelihoods at lme4's own estimates (must be equal: same model, same approximation), our maximum with one
node (may only be the higher), and our default fit with nine nodes per dimension (the integral itself).

Tables: bench/data/peer_tables.csv; where each was read: bench/data/peer_sources.csv. Tables without a source line are
Endfeel's own evidence, the first line of each study.
"""

from __future__ import annotations

import argparse
import csv
import os
import subprocess
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from endfeel.pooling.likelihood import BivariateFit, fit_bivariate, log_likelihood_of

Array = NDArray[np.float64]

DATA = Path(__file__).parent / "data"
TABLES, SOURCES = DATA / "peer_tables.csv", DATA / "peer_sources.csv"

FIT_IN_R = r"""
suppressMessages(library(lme4))
arguments <- commandArgs(trailingOnly = TRUE)
all <- read.csv(arguments[1], check.names = FALSE)
repeats <- as.integer(arguments[3])
found <- NULL
for (name in unique(all$table)) {
  one <- all[all$table == name, ]
  long <- data.frame(study = factor(rep(seq_len(nrow(one)), 2)),
                     side = factor(rep(c("sens", "spec"), each = nrow(one))),
                     hits = c(one$tp, one$tn), misses = c(one$fn, one$fp))
  run <- function() suppressMessages(suppressWarnings(
    glmer(cbind(hits, misses) ~ 0 + side + (0 + side | study), data = long, family = binomial, nAGQ = 1)))
  fit <- run()
  seconds <- median(sapply(seq_len(repeats), function(i) system.time(run())[["elapsed"]]))
  spread <- VarCorr(fit)$study
  found <- rbind(found, data.frame(
    table = name, k = nrow(one), mean_sens = fixef(fit)[[1]], mean_spec = fixef(fit)[[2]],
    sd_sens = attr(spread, "stddev")[[1]], sd_spec = attr(spread, "stddev")[[2]],
    correlation = attr(spread, "correlation")[1, 2], log_likelihood = as.numeric(logLik(fit)),
    singular = isSingular(fit), converged = length(fit@optinfo$conv$lme4$messages) == 0, seconds = seconds))
}
write.csv(format(found, digits = 9), arguments[2], row.names = FALSE, quote = FALSE)
cat(R.version$major, ".", R.version$minor, " ", as.character(packageVersion("lme4")), "\n", sep = "")
"""


@dataclass(frozen=True)
class PeerFit:
    """What lme4 found; mean, sd (2,); correlation nan where a spread is 0."""

    mean: Array
    sd: Array
    correlation: float
    log_likelihood: float
    singular: bool
    converged: bool
    seconds: float


def main() -> None:
    """Fit every table by both and print the figures side by side."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rscript", default="Rscript")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--keep", type=Path, help="write lme4's figures to this file, for the test that needs no R")
    options = parser.parse_args()
    tables = read_tables()
    kept = options.keep or Path(tempfile.mkdtemp()) / "peer_lme4.csv"
    versions = run_lme4(options.rscript, kept, options.repeats)
    peers = read_peers(kept)
    kinds = {row["table"]: row["kind"] for row in csv.DictReader(SOURCES.open(encoding="utf-8"))}
    print(f"R and lme4 {versions}; {os.cpu_count()} cores, one used; seconds: median of {options.repeats}\n")
    one_node = {name: fit_bivariate(counts, nodes=1) for name, counts in tables.items()}
    default = {name: fit_bivariate(counts) for name, counts in tables.items()}
    seconds = {
        name: median_seconds(lambda c=counts: fit_bivariate(c), options.repeats) for name, counts in tables.items()
    }
    quick = {
        name: median_seconds(lambda c=counts: fit_bivariate(c, nodes=1), options.repeats)
        for name, counts in tables.items()
    }
    print_estimates(tables, kinds, peers, one_node, default)
    print_likelihoods(tables, peers, one_node, default, quick, seconds)
    print_boundaries(tables, peers, default)
    print_shares(np.random.default_rng(1))


def read_tables(path: Path = TABLES) -> dict[str, Array]:
    """Counts (k, 4) as tp, fp, fn, tn by the table's name."""
    found: dict[str, list[list[float]]] = {}
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            found.setdefault(row["table"], []).append([float(row[c]) for c in ("tp", "fp", "fn", "tn")])
    return {name: np.array(rows) for name, rows in found.items()}


def read_peers(path: Path) -> dict[str, PeerFit]:
    """lme4's figures by the table's name."""
    with path.open(encoding="utf-8", newline="") as file:
        return {
            row["table"].strip(): PeerFit(
                mean=np.array([float(row["mean_sens"]), float(row["mean_spec"])]),
                sd=np.array([float(row["sd_sens"]), float(row["sd_spec"])]),
                correlation=float(row["correlation"]) if row["correlation"].strip() not in ("NaN", "NA") else np.nan,
                log_likelihood=float(row["log_likelihood"]),
                singular=row["singular"].strip() == "TRUE",
                converged=row["converged"].strip() == "TRUE",
                seconds=float(row["seconds"]),
            )
            for row in csv.DictReader(file)
        }


def run_lme4(rscript: str, kept: Path, repeats: int) -> str:
    """Fit all tables in R; returns the versions of R and lme4."""
    with tempfile.NamedTemporaryFile("w", suffix=".R", encoding="utf-8") as script:
        script.write(FIT_IN_R)
        script.flush()
        done = subprocess.run(
            [rscript, script.name, str(TABLES), str(kept), str(repeats)], capture_output=True, text=True, check=False
        )
    if done.returncode:
        raise SystemExit(f"R could not fit the tables: {done.stderr.strip()}; is the package lme4 installed?")
    return done.stdout.strip()


def likelihood_at(counts: Array, mean: Array, sd: Array, correlation: float, nodes: int) -> float:
    """Our log likelihood of counts (k, 4) at given means, spreads and correlation."""
    rho = 0.0 if np.isnan(correlation) else float(np.clip(correlation, -1, 1))
    lower = np.array([[sd[0], 0.0], [rho * sd[1], np.sqrt(1 - rho**2) * sd[1]]])
    return log_likelihood_of(counts[:, [0, 3]], counts[:, [2, 1]], mean, lower, nodes)


def median_seconds(fit: Callable[[], BivariateFit], repeats: int) -> float:
    """Median wall time of fit()."""
    spent = []
    for _ in range(repeats):
        started = time.perf_counter()
        fit()
        spent.append(time.perf_counter() - started)
    return float(np.median(spent))


def print_estimates(
    tables: dict[str, Array],
    kinds: dict[str, str],
    peers: dict[str, PeerFit],
    one_node: dict[str, BivariateFit],
    default: dict[str, BivariateFit],
) -> None:
    """Estimates side by side; means of lme4 and of our two fits."""
    print("## Estimates: logit means, spreads and correlation\n")
    print(
        "sens and spec stand for the two groups of each table. Ours: one node (Laplace) / nine nodes per dimension.\n"
    )
    print(
        "| table | of | k | mean sens: lme4, ours | mean spec: lme4, ours | sd sens: lme4, ours | sd spec: lme4, ours ",
        end="",
    )
    print("| correlation: lme4, ours |\n|---|---|---|---|---|---|---|---|")
    for name, counts in tables.items():
        p, a, b = peers[name], one_node[name], default[name]
        cells = [f"{p.mean[i]:.3f}, {a.mean[i]:.3f} / {b.mean[i]:.3f}" for i in (0, 1)]
        cells += [f"{p.sd[i]:.3f}, {a.sd[i]:.3f} / {b.sd[i]:.3f}" for i in (0, 1)]
        cells.append(f"{_number(p.correlation)}, {_number(a.correlation)} / {_number(b.correlation)}")
        print(f"| {name} | {kinds.get(name, 'own evidence')} | {len(counts)} | {' | '.join(cells)} |")
    for label, fits in (("one node", one_node), ("nine nodes", default)):
        large = [n for n in tables if len(tables[n]) >= 10]
        worst = {n: float(np.abs(fits[n].mean - peers[n].mean).max()) for n in tables}
        print(
            f"\nlargest difference of a mean from lme4, {label}: {max(worst[n] for n in large):.4f} over the "
            f"{len(large)} tables with k >= 10, {max(worst.values()):.4f} over all"
        )


def print_likelihoods(
    tables: dict[str, Array],
    peers: dict[str, PeerFit],
    one_node: dict[str, BivariateFit],
    default: dict[str, BivariateFit],
    quick: dict[str, float],
    seconds: dict[str, float],
) -> None:
    """Log likelihoods at lme4's estimates and at each maximum, and the time of a fit."""
    print("\n## Log likelihood and time\n")
    print(
        "| table | lme4's, at its estimates | ours there, one node | ours there, nine nodes | our maximum, one node "
        "| our maximum, nine nodes | seconds: lme4 | ours, one node | ours, nine nodes | lme4 converged |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|")
    apart, gained = [], []
    for name, counts in tables.items():
        p, a, b = peers[name], one_node[name], default[name]
        there = [likelihood_at(counts, p.mean, p.sd, p.correlation, nodes) for nodes in (1, 9)]
        apart.append(abs(there[0] - p.log_likelihood))
        gained.append(a.log_likelihood - p.log_likelihood)
        print(
            f"| {name} | {p.log_likelihood:.4f} | {there[0]:.4f} | {there[1]:.4f} | {a.log_likelihood:.4f} "
            f"| {b.log_likelihood:.4f} | {p.seconds:.3f} | {quick[name]:.3f} | {seconds[name]:.3f} "
            f"| {'yes' if p.converged else 'no'} |"
        )
    print(f"\nlargest difference at lme4's estimates, one node: {max(apart):.5f}")
    print(f"our one-node maximum above lme4's: from {min(gained):.5f} to {max(gained):.5f}")


def print_boundaries(tables: dict[str, Array], peers: dict[str, PeerFit], default: dict[str, BivariateFit]) -> None:
    """Where a spread or the correlation lies on its boundary."""
    print("\n## Boundaries\n")
    for name, counts in tables.items():
        ours = "; ".join(default[name].boundary) or "interior"
        print(f"- {name} (k = {len(counts)}): {ours}; lme4: {'singular' if peers[name].singular else 'interior'}")


def print_shares(rng: np.random.Generator, sets: int = 60) -> None:
    """How often the maximum lies on the boundary although the truth does not, by number of studies."""
    print(
        f"\n{sets} tables each, drawn with spreads 0.90 and 0.64 and correlation -0.62, 20 to 119 people a group; "
        "share whose maximum lies on a boundary:\n\n| studies | share |\n|---|---|"
    )
    lower = np.array([[0.9, 0.0], [-0.4, 0.5]])
    for studies in (3, 4, 6, 10, 20):
        found = 0
        for _ in range(sets):
            rate = expit(np.array([0.8, 1.6]) + rng.standard_normal((studies, 2)) @ lower.T)
            size = rng.integers(20, 120, (studies, 2))
            hits = rng.binomial(size, rate)
            rows = np.stack([hits[:, 0], size[:, 1] - hits[:, 1], size[:, 0] - hits[:, 0], hits[:, 1]], axis=1)
            found += bool(fit_bivariate(rows).boundary)
        print(f"| {studies} | {found} of {sets} |")


def _number(value: float) -> str:
    return "none" if np.isnan(value) else f"{value:.3f}"


if __name__ == "__main__":
    main()
