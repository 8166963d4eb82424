"""The maximum likelihood fit beside results that were printed for the same 2x2 tables.

Run: OMP_NUM_THREADS=1 python -m bench.pooling_printed

bench/data/peer_printed.csv has one line per printed result. Its columns: table (of peer_tables.csv); model: what was
printed, in words, as far as the place says; likelihood: what it is held against (exact; exact-apart: correlation held
at 0; normal and normal-restricted: pooling_normal.py, without and with half a person in each cell); scale: rate or
logit; places: digits after the point; nodes: quadrature nodes per dimension, an inference of ours where it is not nine
(the number among 1, 3, 5, 7 and 9 that comes nearest); agrees: all, points (the interval's ends do not) or none;
read_in.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from bench.pooling_normal import fit_normal
from bench.pooling_peers import DATA, likelihood_at, read_tables
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit
from scipy.stats import norm

from endfeel.pooling.likelihood import BivariateFit, fit_bivariate

Array = NDArray[np.float64]

PRINTED = DATA / "peer_printed.csv"

_Z = float(norm.ppf(0.975))


@dataclass(frozen=True)
class PrintedResult:
    """One printed result; mean (2,), low and high (2,) on its scale, nan where not printed; sd (2,) between studies."""

    table: str
    model: str
    likelihood: str
    scale: str
    places: int
    nodes: int
    mean: Array
    low: Array
    high: Array
    sd: Array
    correlation: float
    agrees: str


@dataclass(frozen=True)
class OwnResult:
    """Ours for the same: mean, low, high (2,) on the printed scale (intervals of exact fits only), sd, correlation."""

    mean: Array
    low: Array
    high: Array
    sd: Array
    correlation: float


def main() -> None:
    """Print every printed result beside ours."""
    tables, printed = read_tables(), read_printed()
    exact = [p for p in printed if p.likelihood.startswith("exact")]
    print("## Printed results of the exact model\n")
    print(
        "| table | k | what was printed | nodes of ours | sensitivity: printed | ours | specificity: printed | ours "
        "| largest difference of a point | of an interval's end |\n|---|---|---|---|---|---|---|---|---|---|"
    )
    for p in exact:
        ours = own_result(tables[p.table], p)
        ends = "none printed" if np.isnan(p.low).all() else f"{end_difference(p, ours):.4f}"
        print(
            f"| {p.table} | {len(tables[p.table])} | {p.model} | {p.nodes} | {_text(p, p, 0)} | {_text(p, ours, 0)} "
            f"| {_text(p, p, 1)} | {_text(p, ours, 1)} | {point_difference(p, ours):.6f} | {ends} |"
        )
    print("\n## Printed results of the normal approximation\n")
    print(
        "Of normal-restricted: half a person added to every cell, restricted likelihood; of normal: nothing added, "
        "maximum likelihood.\n\n"
        "| table | k | likelihood | printed | ours by the same approximation | difference "
        "| our exact fit, less the printed one |\n|---|---|---|---|---|---|---|"
    )
    for p in printed:
        if p not in exact:
            ours = own_result(tables[p.table], p)
            fit = _fit(p.table, 9)
            apart = (expit(fit.mean) if p.scale == "rate" else fit.mean) - p.mean
            print(
                f"| {p.table} | {len(tables[p.table])} | {p.likelihood} | {p.mean[0]:.4f}, {p.mean[1]:.4f} "
                f"| {ours.mean[0]:.4f}, {ours.mean[1]:.4f} | {point_difference(p, ours):.1e} "
                f"| {apart[0]:+.3f}, {apart[1]:+.3f} |"
            )
    print("\n## Spreads and correlations, where printed\n")
    print("| table | what was printed | sds: printed, ours | correlation: printed, ours |\n|---|---|---|---|")
    for p in printed:
        if not np.isnan(p.sd).any():
            ours = own_result(tables[p.table], p)
            rho = "none in either" if np.isnan(p.correlation) else f"{p.correlation:.3f}, {ours.correlation:.3f}"
            print(
                f"| {p.table} | {p.model} | {p.sd[0]:.3f}, {p.sd[1]:.3f}; {ours.sd[0]:.3f}, {ours.sd[1]:.3f} | {rho} |"
            )


def read_printed(path: Path = PRINTED) -> list[PrintedResult]:
    """All printed results, in the file's order."""
    with path.open(encoding="utf-8", newline="") as file:
        return [
            PrintedResult(
                table=row["table"],
                model=row["model"],
                likelihood=row["likelihood"],
                scale=row["scale"],
                places=int(row["places"]),
                nodes=int(row["nodes"] or 0),
                mean=_pair(row, "sens", "spec"),
                low=_pair(row, "sens_low", "spec_low"),
                high=_pair(row, "sens_high", "spec_high"),
                sd=np.sqrt(_pair(row, "var_sens", "var_spec")),
                correlation=float(row["correlation"] or "nan"),
                agrees=row["agrees"],
            )
            for row in csv.DictReader(file)
        ]


def own_result(counts: Array, printed: PrintedResult) -> OwnResult:
    """Ours for the counts (k, 4), by the likelihood and on the scale of the printed result."""
    unknown = np.full(2, np.nan)
    if printed.likelihood == "exact":
        fit = _fit(printed.table, printed.nodes)
        reach = _Z * np.sqrt(np.diag(fit.mean_covariance))
        ours = OwnResult(fit.mean, fit.mean - reach, fit.mean + reach, fit.sd, fit.correlation)
    elif printed.likelihood == "exact-apart":
        mean, sd = fit_without_correlation(counts)
        ours = OwnResult(mean, unknown, unknown, sd, float("nan"))
    else:
        restricted = printed.likelihood == "normal-restricted"
        mean, sd, correlation = fit_normal(counts, half=restricted, restricted=restricted)
        ours = OwnResult(mean, unknown, unknown, sd, correlation)
    if printed.scale == "logit":
        return ours
    return OwnResult(expit(ours.mean), expit(ours.low), expit(ours.high), ours.sd, ours.correlation)


def point_difference(printed: PrintedResult, ours: OwnResult) -> float:
    """Largest difference of a printed point from ours, on the printed scale."""
    return float(np.abs(printed.mean - ours.mean).max())


def end_difference(printed: PrintedResult, ours: OwnResult) -> float:
    """Largest difference of a printed interval's end from ours."""
    return float(np.abs(np.stack([printed.low - ours.low, printed.high - ours.high])).max())


def fit_without_correlation(counts: Array) -> tuple[Array, Array]:
    """Means and spreads (2,) with the correlation held at 0: each group by itself."""

    def loss(at: Array) -> float:
        return -likelihood_at(counts, at[:2], np.exp(at[2:]), 0.0, 9)

    logits = np.log(counts[:, [0, 3]] + 0.5) - np.log(counts[:, [2, 1]] + 0.5)
    start = np.array([*logits.mean(axis=0), *np.log(logits.std(axis=0))])
    found = minimize(loss, start, method="BFGS").x
    return found[:2], np.exp(found[2:])


@cache
def _fit(table: str, nodes: int) -> BivariateFit:
    return fit_bivariate(read_tables()[table], nodes=nodes)


def _pair(row: dict[str, str], sens: str, spec: str) -> Array:
    return np.array([float(row[sens] or "nan"), float(row[spec] or "nan")])


def _text(printed: PrintedResult, shown: PrintedResult | OwnResult, side: int) -> str:
    places = printed.places + (0 if shown is printed or printed.places > 3 else 2)
    text = f"{shown.mean[side]:.{places}f}"
    if np.isnan(printed.low[side]):
        return text
    return f"{text} ({shown.low[side]:.{places}f} to {shown.high[side]:.{places}f})"


if __name__ == "__main__":
    main()
