"""Simulation-based calibration of the hierarchical model: do its posteriors cover what drew the data?

Run: OMP_NUM_THREADS=1 python bench/pooling_sbc.py [--sets 200] [--figure docs/figures/sbc] [--without-study]

Talts et al., arXiv:1804.06788. Each round draws every parameter from the model's prior, then counts of a small table
given them, fits the table by the no-U-turn sampler, and notes the rank of each true value among the thinned draws. If
model, sampler and generator agree, ranks are uniform. The generator below is written anew with numpy from the formulas
that model.py states, so a slip in either shows. The log likelihood is ranked too, since it sees the data (Modrak et
al., arXiv:2211.02383).

The small table has the shape of the real one: pairs of two kinds and three conditions with one to three studies each,
studies that put several tests to the same people, all three design covariates. Lines count fully (weight 1); lines of
printed rates without a split are not part of it.

Tests per quantity: chi-square over ten bins, and the largest distance of the ranks' distribution function from the
diagonal, its null distribution simulated. --without-study fits the model that leaves the shared study effect out to the
same data: a control that the check must fail.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import altair as alt
import jax
import numpy as np
import numpyro
import vl_convert
from jax.flatten_util import ravel_pytree
from numpy.typing import NDArray
from numpyro.diagnostics import effective_sample_size
from numpyro.infer.hmc import hmc
from numpyro.infer.util import initialize_model
from scipy.special import expit, log_expit
from scipy.stats import binom, chisquare

from endfeel.pooling.model import DESIGN_PRIOR_MEAN, DESIGN_PRIOR_SD, accuracy_model

Array = NDArray[np.float64]

KEPT = 99
BINS = 10
INK, ACCENT, SOFT, PAPER = "#1c2a30", "#0b5563", "#58656a", "#fffdf7"

# pair: (kind, condition). row: (pair, study), a study being one study of one condition; studies 0, 3 and 5 read
# several tests of the same people.
PAIRS = np.array([(0, 0), (0, 0), (1, 0), (0, 1), (1, 1), (1, 2)])
ROWS = np.array(
    [(0, 0), (1, 0), (2, 0), (0, 1), (1, 2), (3, 3), (4, 3), (3, 4), (4, 4), (5, 5), (0, 6), (2, 6), (5, 7), (3, 8)]
)
STUDIES = 9
DESIGN = np.array([(0, 0, 0), (1, 0, 1), (0, 1, 0), (0, 0, 1), (0, 0, 0), (1, 1, 0), (0, 0, 0), (0, 1, 1), (0, 0, 0)])
WITH = np.array([40, 25, 60, 30, 120, 18, 75, 35, 50])
WITHOUT = np.array([55, 30, 45, 80, 90, 40, 20, 150, 35])


@dataclass(frozen=True)
class Ranked:
    """Ranks (N, Q) of true values among KEPT draws, least effective size and divergences per data set (N,)."""

    names: tuple[str, ...]
    ranks: NDArray[np.int64]
    effective: Array
    divergent: NDArray[np.int64]
    seconds: float


def main() -> None:
    """Simulate, fit, test, print a report and draw the histograms."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sets", type=int, default=200)
    parser.add_argument("--warmup", type=int, default=400)
    parser.add_argument("--samples", type=int, default=990)
    parser.add_argument("--minutes", type=float, default=11.0, help="stop after this many, with fewer sets")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--without-study", action="store_true")
    parser.add_argument("--figure", type=Path, help="path without ending: writes .svg and .png")
    options = parser.parse_args()
    ranked = calibrate(
        options.sets, options.warmup, options.samples, options.seed, not options.without_study, options.minutes
    )
    report(ranked, options)
    if options.figure:
        draw(ranked, options.figure)


def simulate(rng: np.random.Generator) -> tuple[dict[str, Array], Array, Array]:
    """True values by name, hits and misses (R, 2), from the prior and likelihood that model.py states."""
    truth: dict[str, Array] = {
        "centre": np.array([0.5, 1.0]) + rng.standard_normal(2),
        "kind_sd": np.abs(0.7 * rng.standard_normal(2)),
        "condition_sd": np.abs(0.7 * rng.standard_normal(2)),
        "design_effect": np.array(DESIGN_PRIOR_MEAN) + np.array(DESIGN_PRIOR_SD) * rng.standard_normal(3),
    }
    covariance = {}
    for level in ("pair", "rest", "study"):
        sd, rho = np.abs(rng.standard_normal(2)), 2 * rng.beta(2.0, 2.0) - 1
        truth[f"{level}_sd"], truth[f"{level}_correlation"] = sd, np.array(rho)
        between = rho * sd[0] * sd[1]
        covariance[level] = np.array([[sd[0] ** 2, between], [between, sd[1] ** 2]])
    kind = truth["centre"] + truth["kind_sd"] * rng.standard_normal((PAIRS[:, 0].max() + 1, 2))
    condition = truth["condition_sd"] * rng.standard_normal((PAIRS[:, 1].max() + 1, 2))
    own = rng.multivariate_normal(np.zeros(2), covariance["pair"], len(PAIRS))
    truth["mu"] = kind[PAIRS[:, 0]] + condition[PAIRS[:, 1]] + own
    truth["study_effect"] = rng.multivariate_normal(np.zeros(2), covariance["study"], STUDIES)
    rest = rng.multivariate_normal(np.zeros(2), covariance["rest"], len(ROWS))
    pair, study = ROWS.T
    theta = truth["mu"][pair] + (DESIGN[study] @ truth["design_effect"])[:, None] / 2 + truth["study_effect"][study]
    theta = theta + rest
    size = np.stack([WITH, WITHOUT], axis=1)[study]
    hits = rng.binomial(size, expit(theta)).astype(float)
    truth["log_likelihood"] = np.array((hits * log_expit(theta) + (size - hits) * log_expit(-theta)).sum())
    return truth, hits, size - hits


def calibrate(sets: int, warmup: int, samples: int, seed: int, shared: bool, minutes: float) -> Ranked:
    """Ranks over at most `sets` data sets, fewer if `minutes` are spent."""
    numpyro.enable_x64()
    fixed: dict[str, Any] = {
        "sizes": (PAIRS[:, 0].max() + 1, PAIRS[:, 1].max() + 1, len(PAIRS), STUDIES),
        "pair_kind": PAIRS[:, 0],
        "pair_condition": PAIRS[:, 1],
        "row_pair": ROWS[:, 0],
        "row_study": ROWS[:, 1],
        "row_design": DESIGN[ROWS[:, 1]].astype(float),
        "weight": np.ones((len(ROWS), 2)),
        "rated": None,
    }

    def model(hits: Array, misses: Array) -> None:
        accuracy_model({**fixed, "hits": hits, "misses": misses}, shared)

    fit = _compiled(model, warmup, samples)
    rng = np.random.default_rng(seed)
    started = time.perf_counter()
    ranks, effective, divergent = [], [], []
    names: tuple[str, ...] = ()
    for number in range(sets):
        truth, hits, misses = simulate(rng)
        values_by_name, diverging = fit(jax.random.PRNGKey(1000 * seed + number), hits, misses)
        drawn = {name: np.asarray(value, dtype=float) for name, value in values_by_name.items()}
        drawn["log_likelihood"] = _log_likelihood(drawn, hits, misses, shared)
        true, values, names = _ranked_quantities(truth, drawn)
        # Evenly thinned; ties do not occur with continuous parameters.
        kept = values[np.linspace(0, samples - 1, KEPT).astype(int)]
        ranks.append((kept < true).sum(axis=0))
        effective.append([float(effective_sample_size(values[None, :, q])) for q in range(values.shape[1])])
        divergent.append(int(np.asarray(diverging).sum()))
        if number % 20 == 19:
            print(f"{number + 1} sets, {time.perf_counter() - started:.0f} s", flush=True)
        if time.perf_counter() - started > 60 * minutes:
            break
    return Ranked(names, np.array(ranks), np.array(effective), np.array(divergent), time.perf_counter() - started)


def uniformity(ranks: NDArray[np.int64], rng: np.random.Generator) -> tuple[float, float]:
    """p of the chi-square over BINS bins and of the largest distance from the diagonal; ranks (N,) in 0 .. KEPT."""
    counts = np.bincount(ranks * BINS // (KEPT + 1), minlength=BINS)
    null = np.sort([_distance(rng.integers(0, KEPT + 1, ranks.size)) for _ in range(4000)])
    return float(chisquare(counts).pvalue), float((1 + (null >= _distance(ranks)).sum()) / (null.size + 1))


def report(ranked: Ranked, options: argparse.Namespace) -> None:
    """Print the tests, quantity by quantity, worst first called out."""
    sets = len(ranked.ranks)
    rng = np.random.default_rng(0)
    tests = np.array([uniformity(ranked.ranks[:, q], rng) for q in range(len(ranked.names))])
    print(
        f"\n{sets} data sets in {ranked.seconds:.0f} s, one process, {os.cpu_count()} cores; {options.warmup} warm-up "
        f"and {options.samples} kept draws each, thinned to {KEPT}; seed {options.seed}\n"
    )
    print(
        f"divergent transitions: {ranked.divergent.sum()} of {sets * options.samples}, in "
        f"{(ranked.divergent > 0).sum()} sets; threshold for {len(tests)} quantities "
        f"at 5 %: p < {0.05 / len(tests):.4f}\n"
    )
    print(
        f"| quantity | ranks in {BINS} bins ({sets / BINS:.0f} expected) | mean rank / {KEPT} | chi-square p |", end=""
    )
    print(" distance p | effective draws, median (5 % of sets below) |\n|---|---|---|---|---|---|")
    for q, name in enumerate(ranked.names):
        counts = np.bincount(ranked.ranks[:, q] * BINS // (KEPT + 1), minlength=BINS)
        low, middle = np.quantile(ranked.effective[:, q], [0.05, 0.5])
        print(
            f"| {name} | {' '.join(map(str, counts))} | {ranked.ranks[:, q].mean() / KEPT:.3f} | {tests[q, 0]:.3f} "
            f"| {tests[q, 1]:.3f} | {middle:.0f} ({low:.0f}) |"
        )
    failed = [ranked.names[q] for q in range(len(tests)) if tests[q].min() < 0.05 / len(tests)]
    print(f"\nnot uniform after correction for {len(tests)} quantities: {', '.join(failed) or 'none'}")
    print(f"p below 0.05 without correction: {(tests < 0.05).sum(axis=0)} of {len(tests)} (about 1 in 20 by chance)")


def draw(ranked: Ranked, path: Path) -> None:
    """Rank histograms as .svg and .png, the 95 % range of a bin's count if uniform shaded."""
    sets = len(ranked.ranks)
    low, high = binom.ppf([0.025, 0.975], sets, 1 / BINS)
    rows = []
    for q, name in enumerate(ranked.names):
        counts = np.bincount(ranked.ranks[:, q] * BINS // (KEPT + 1), minlength=BINS)
        rows += [
            {"quantity": name, "from": b / BINS, "to": (b + 1) / BINS, "sets": int(c), "low": low, "high": high}
            for b, c in enumerate(counts)
        ]
    base = alt.Chart(alt.Data(values=rows)).properties(width=150, height=75)
    across = alt.X("from:Q", title="rank of the true value", axis=alt.Axis(values=[0, 0.5, 1], format="%"))
    band = base.mark_rect(color=SOFT, opacity=0.18).encode(
        x=across, x2="to:Q", y=alt.Y("low:Q", title="data sets"), y2="high:Q"
    )
    bars = base.mark_bar(color=ACCENT, stroke=PAPER).encode(x=across, x2="to:Q", y="sets:Q", y2=alt.datum(0))
    chart = (
        (bars + band)
        .facet(facet=alt.Facet("quantity:N", title=None, sort=list(ranked.names)), columns=5)
        .properties(
            title=alt.TitleParams(
                f"Ranks of true values among {KEPT} posterior draws, {sets} simulated data sets",
                subtitle="flat is calibrated; the grey band holds 95 % of bars if so",
                anchor="start",
            ),
            background=PAPER,
        )
        .configure_view(stroke=None)
        .configure_axis(labelColor=INK, titleColor=INK, grid=False)
        .configure_title(color=INK, subtitleColor=SOFT)
        .configure_header(labelColor=INK)
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    spec = chart.to_json()
    path.with_suffix(".svg").write_text(vl_convert.vegalite_to_svg(spec), encoding="utf-8")
    path.with_suffix(".png").write_bytes(vl_convert.vegalite_to_png(spec, scale=1.5))


def _compiled(model: Callable[[Array, Array], None], warmup: int, samples: int) -> Callable[..., Any]:
    """One compiled function (key, hits, misses) -> (draws by name, diverging (S,)), so that no data set recompiles."""
    like = np.zeros((len(ROWS), 2))
    start, potential, constrain, _ = initialize_model(
        jax.random.PRNGKey(0), model, model_args=(like, like), dynamic_args=True
    )
    init_kernel, sample_kernel = hmc(potential_fn_gen=potential, algo="NUTS")

    def fit(key: jax.Array, hits: jax.Array, misses: jax.Array) -> Any:
        first, second = jax.random.split(key)
        flat, unravel = ravel_pytree(start.z)
        begin = unravel(jax.random.uniform(first, flat.shape, flat.dtype, -1.0, 1.0))
        data = (hits, misses)
        state = init_kernel(begin, warmup, target_accept_prob=0.9, rng_key=second, model_args=data)

        def step(now: Any, _: None) -> Any:
            after = sample_kernel(now, model_args=data)
            return after, (after.z, after.diverging)

        state, _ = jax.lax.scan(lambda now, _: (sample_kernel(now, model_args=data), None), state, None, warmup)
        _, (z, diverging) = jax.lax.scan(step, state, None, samples)
        return jax.vmap(constrain(*data))(z), diverging

    return jax.jit(fit)


def _ranked_quantities(truth: dict[str, Array], drawn: dict[str, Array]) -> tuple[Array, Array, tuple[str, ...]]:
    true: list[float] = []
    values: list[Array] = []
    names: list[str] = []
    side = ("sens", "spec")

    def add(label: str, name: str, *at: int) -> None:
        if name in drawn:
            true.append(float(truth[name][at]))
            values.append(drawn[name][(slice(None), *at)])
            names.append(label)

    for name in ("centre", "kind_sd", "condition_sd", "pair_sd", "study_sd", "rest_sd"):
        for i in (0, 1):
            add(f"{name}, {side[i]}", name, i)
    for name in ("pair_correlation", "study_correlation", "rest_correlation"):
        add(name, name)
    for i, label in enumerate(("two-gate", "proposes test", "not blinded")):
        add(f"design: {label}", "design_effect", i)
    # A pair with three studies and one with two; a study with three tests and one with one.
    for pair in (0, 5):
        for i in (0, 1):
            add(f"mu of pair {pair}, {side[i]}", "mu", pair, i)
    for study in (0, 7):
        for i in (0, 1):
            add(f"effect of study {study}, {side[i]}", "study_effect", study, i)
    add("log likelihood", "log_likelihood")
    return np.array(true), np.stack(values, axis=1), tuple(names)


def _log_likelihood(drawn: dict[str, Array], hits: Array, misses: Array, shared: bool) -> Array:
    pair, study = ROWS.T
    sd, rho = drawn["rest_sd"], drawn["rest_correlation"]
    z = drawn["rest_z"]
    first = sd[:, None, 0] * z[..., 0]
    second = sd[:, None, 1] * (rho[:, None] * z[..., 0] + np.sqrt(1 - rho[:, None] ** 2) * z[..., 1])
    theta = drawn["mu"][:, pair] + np.stack([first, second], axis=-1)
    theta += (drawn["design_effect"] @ DESIGN[study].T)[..., None] / 2
    if shared:
        theta += drawn["study_effect"][:, study]
    return np.asarray((hits * log_expit(theta) + misses * log_expit(-theta)).sum(axis=(1, 2)))


def _distance(ranks: NDArray[np.int64]) -> float:
    counts = np.bincount(ranks, minlength=KEPT + 1)
    return float(np.abs(np.cumsum(counts) / ranks.size - np.arange(1, KEPT + 2) / (KEPT + 1)).max())


if __name__ == "__main__":
    main()
