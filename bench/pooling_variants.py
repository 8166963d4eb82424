"""Other forms of the hierarchical model on held-out studies: which part of the model earns its place, and why.

Run: OMP_NUM_THREADS=1 python bench/pooling_variants.py fit FORM... --keep DIR [--folds 0,1,2,3]
     OMP_NUM_THREADS=1 python bench/pooling_variants.py score FORM... --keep DIR [--folds 0,1,2,3] [--truth FORM]

A form is `endfeel` or words joined by +, each of which changes the model of endfeel.pooling.model:

  no-study   without the study effect
  total      prior on each side's spread between studies in all, half-normal(1), and a uniform share of it for the study
  one        study effect along one direction (rank one)
  heavy-s    study effect with a t distribution, degrees of freedom 2 + Gamma(2, 0.1)
  heavy-e    residual with such a t distribution
  paper      one study effect for all conditions of a paper
  finding    an effect of the finding besides that of the pair, common to its conditions and readings
  lone       a shift of each side where the study reads one test of the condition only, Normal(0, 0.5)
  tests      the same shift times the log of how many tests the study reads
  wide       the study effect's spread of such studies times exp(Normal(0, 0.5))

Folds are those of pooling_holdout.py. A fold's lines get weight 0, so that one compiled sampler serves every fold: one
chain, 250 + 400 iterations. --truth draws the held-out tables from that form's own fits instead of reading them: what
the differences would be if that form were true.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
import numpyro
import numpyro.distributions as dist
from jax.flatten_util import ravel_pytree
from numpy.typing import NDArray
from numpyro.infer.hmc import hmc
from numpyro.infer.util import initialize_model
from pooling_holdout import SIZES, clustered, log_mean, row_likelihood, study_effects
from scipy.special import expit

from endfeel.evidence import AccuracyRow, load_evidence
from endfeel.pooling import model as full
from endfeel.pooling import planar
from endfeel.pooling.data import design_of, pooling_data

Array = NDArray[np.float64]

WARMUP, SAMPLES = 250, 400
WORDS = ("endfeel", "no-study", "total", "one", "heavy-s", "heavy-e", "paper", "finding", "lone", "tests", "wide")
KEPT = (
    "mu", "centre_of_pair", "condition_sd", "sigma_pair", "sigma_study", "sigma_rest", "sigma_finding",
    "design_effect", "tests_effect", "log_width", "nu_s", "nu_e",
)  # fmt: skip
EVIDENCE = load_evidence()
DATA = pooling_data(EVIDENCE)
INPUTS = full.model_inputs(DATA)
SOURCES = (*DATA.counted.sources, *DATA.rated.sources)
STUDIES = sorted({source.study_id for source in SOURCES})
FOLD = dict(zip(STUDIES, np.random.default_rng(1).permutation(len(STUDIES)) % 10, strict=True))
READ = {(s.study_id, s.observable_id, s.condition_id) for s in SOURCES}
TESTS = Counter((study, condition) for study, _, condition in READ)
ROW_TESTS = np.array([TESTS[s.study_id, s.condition_id] for s in SOURCES])
ROW_PAPER = np.array([STUDIES.index(s.study_id) for s in SOURCES])
FINDINGS = sorted({pair[0].split(":")[0] for pair in DATA.pairs})
PAIR_FINDING = np.array([FINDINGS.index(pair[0].split(":")[0]) for pair in DATA.pairs])


def main() -> None:
    """Fit or score."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("fit", "score"))
    parser.add_argument("forms", nargs="+")
    parser.add_argument("--keep", type=Path, required=True, help="folder of the fits")
    parser.add_argument("--folds", default="0,1,2,3,4,5,6,7,8,9")
    parser.add_argument("--truth", help="score tables drawn from this form's fits")
    parser.add_argument("--against", default="no-study", help="the form that others are compared with")
    parser.add_argument("--repeats", type=int, default=1, help="how often, with --truth")
    options = parser.parse_args()
    folds = [int(fold) for fold in options.folds.split(",")]
    for form in (*options.forms, options.against):
        if not set(form.split("+")) <= set(WORDS):
            parser.error(f"no form {form!r}; words are {', '.join(WORDS)}")
    if options.what == "fit":
        options.keep.mkdir(parents=True, exist_ok=True)
        for form in options.forms:
            _fit(form, folds, options.keep)
    else:
        for repeat in range(options.repeats if options.truth else 1):
            _report(options, folds, repeat)


def accuracy_form(mask: Array, words: frozenset[str]) -> None:
    """The numpyro model in one form; mask (R,): 1 for lines that count."""
    kinds, conditions, pairs, studies = INPUTS["sizes"]
    standard = full._standard
    centre = numpyro.sample("centre", dist.Normal(jnp.array([0.5, 1.0]), 1.0).to_event(1))
    kind_sd = numpyro.sample("kind_sd", dist.HalfNormal(jnp.array([0.7, 0.7])).to_event(1))
    condition_sd = numpyro.sample("condition_sd", dist.HalfNormal(jnp.array([0.7, 0.7])).to_event(1))
    kind = centre + kind_sd * standard("kind_z", kinds)
    centre_of_pair = kind[INPUTS["pair_kind"]]
    centre_of_pair += (condition_sd * standard("condition_z", conditions))[INPUTS["pair_condition"]]
    if "finding" in words:
        centre_of_pair += (standard("finding_z", len(FINDINGS)) @ _lower("finding").T)[PAIR_FINDING]
    numpyro.deterministic("centre_of_pair", centre_of_pair)
    mu = numpyro.deterministic("mu", centre_of_pair + standard("pair_z", pairs) @ _lower("pair").T)
    prior = dist.Normal(jnp.array(full.DESIGN_PRIOR_MEAN), jnp.array(full.DESIGN_PRIOR_SD))
    design = numpyro.sample("design_effect", prior.to_event(1))
    theta = mu[INPUTS["row_pair"]] + (INPUTS["row_design"] @ design)[:, None] / 2
    if words & {"lone", "tests"}:
        shift = numpyro.sample("tests_effect", dist.Normal(jnp.zeros(2), 0.5).to_event(1))
        theta += _shift_of(ROW_TESTS, words)[:, None] * shift
    study_sd = rest_sd = None
    if "total" in words:
        total = numpyro.sample("total_sd", dist.HalfNormal(jnp.ones(2)).to_event(1))
        share = numpyro.sample("share", dist.Beta(jnp.ones(2), jnp.ones(2)).to_event(1))
        study_sd, rest_sd = total * jnp.sqrt(share), total * jnp.sqrt(1 - share)
    if "no-study" not in words:
        of_row, number = (ROW_PAPER, len(STUDIES)) if "paper" in words else (INPUTS["row_study"], studies)
        lower = _one_direction() if "one" in words else _lower("study", study_sd)
        effect = _tailed("s", number, "heavy-s" in words, standard("study_z", number)) @ lower.T
        if "wide" in words:
            log_width = numpyro.sample("log_width", dist.Normal(0.0, 0.5))
            widened = jnp.where(jnp.array(ROW_TESTS == 1), jnp.exp(log_width), 1.0)
            theta += effect[of_row] * widened[:, None]
        else:
            theta += effect[of_row]
    rows = len(SOURCES)
    rest_z = _tailed("e", rows, "heavy-e" in words, standard("rest_z", rows))
    theta += rest_z @ _lower("rest", rest_sd).T
    counted = INPUTS["hits"].shape[0]
    weighed = {**INPUTS, "weight": INPUTS["weight"] * mask[:counted, None]}
    numpyro.factor("counts", full._count_likelihood(weighed, theta[:counted]))
    rated = replace(INPUTS["rated"], weight=INPUTS["rated"].weight * mask[counted:])
    numpyro.factor("rates", full._rate_likelihood(rated, theta[counted:]))


def _lower(name: str, sd: jax.Array | None = None) -> jax.Array:
    if sd is None:
        sd = numpyro.sample(f"{name}_sd", dist.HalfNormal(jnp.ones(2)).to_event(1))
    half = numpyro.sample(f"{name}_correlation_half", dist.Beta(2.0, 2.0))
    second = jnp.array([2 * half - 1, jnp.sqrt(4 * half * (1 - half))]) * sd[1]
    lower = jnp.stack([jnp.array([1.0, 0.0]) * sd[0], second])
    numpyro.deterministic(f"sigma_{name}", lower @ lower.T)
    return lower


def _one_direction() -> jax.Array:
    sd = numpyro.sample("study_sd", dist.HalfNormal(jnp.ones(2)).to_event(1))
    lower = jnp.stack([sd, jnp.zeros(2)], axis=1)
    numpyro.deterministic("sigma_study", lower @ lower.T + 1e-6 * jnp.eye(2))
    return lower


def _tailed(name: str, size: int, heavy: bool, z: jax.Array) -> jax.Array:
    if not heavy:
        return z
    freedom = numpyro.deterministic(f"nu_{name}", 2.0 + numpyro.sample(f"nu_{name}_over", dist.Gamma(2.0, 0.1)))
    mixing = numpyro.sample(f"mixing_{name}", dist.Gamma(freedom / 2, freedom / 2).expand([size]).to_event(1))
    return z / jnp.sqrt(mixing)[:, None]


def _shift_of(tests: NDArray[np.int64], words: frozenset[str]) -> Array:
    return (tests == 1).astype(float) if "lone" in words else np.log(tests)


def _compiled(words: frozenset[str]) -> Callable[..., Any]:
    ones = np.ones(len(SOURCES))
    numpyro.enable_x64()
    start, potential, constrain, _ = initialize_model(
        jax.random.PRNGKey(0), lambda mask: accuracy_form(mask, words), model_args=(ones,), dynamic_args=True
    )
    init_kernel, sample_kernel = hmc(potential_fn_gen=potential, algo="NUTS")

    def fit(key: jax.Array, mask: jax.Array) -> Any:
        first, second = jax.random.split(key)
        flat, unravel = ravel_pytree(start.z)
        begin = unravel(jax.random.uniform(first, flat.shape, flat.dtype, -0.5, 0.5))
        state = init_kernel(begin, WARMUP, target_accept_prob=0.85, rng_key=second, model_args=(mask,))
        state, _ = jax.lax.scan(
            lambda now, _: (sample_kernel(now, model_args=(mask,)), None), state, None, length=WARMUP
        )

        def step(now: Any, _: None) -> Any:
            after = sample_kernel(now, model_args=(mask,))
            values = constrain(mask)(after.z)
            return after, ({name: values[name] for name in KEPT if name in values}, after.diverging)

        return jax.lax.scan(step, state, None, length=SAMPLES)[1]

    return jax.jit(fit)


def _fit(form: str, folds: list[int], keep: Path) -> None:
    fit = _compiled(frozenset(form.split("+")))
    for fold in folds:
        started = time.perf_counter()
        mask = np.array([FOLD[source.study_id] != fold for source in SOURCES], dtype=float)
        drawn, diverging = fit(jax.random.PRNGKey(100 + fold), mask)
        kept = {name: np.asarray(values, dtype=np.float32) for name, values in drawn.items()}
        np.savez(keep / f"{form}-{fold}.npz", **kept)
        print(
            f"{form}, fold {fold}: {time.perf_counter() - started:.0f} s, {int(diverging.sum())} divergences",
            flush=True,
        )


@dataclass(frozen=True)
class Study:
    """One held-out study of one condition: log density of each table, of all together, pairs seen before, mean PIT."""

    single: list[float]
    joint: float
    seen: list[bool]
    interval: list[float]


def _report(options: argparse.Namespace, folds: list[int], repeat: int) -> None:
    forms = list(dict.fromkeys([options.against, *options.forms]))
    scored: dict[str, list[Study]] = {form: [] for form in forms}
    for fold in folds:
        drawn = None
        if options.truth:
            drawn = _drawn_tables(options.truth, fold, options.keep, np.random.default_rng([fold, repeat]))
        for form in forms:
            scored[form] += _score(form, fold, options.keep, drawn)
    reference = scored[options.against]
    together = np.array([len(study.single) for study in reference])
    group = np.repeat(np.arange(together.size), together)
    print(
        f"\n{group.size} tables of {together.size} studies" + (f", drawn from {options.truth}" if options.truth else "")
    )
    print(f"minus {options.against}: per table | interval score | per study | ... of several tests", end=" | ")
    print("per table by tests: 1 | 2 to 4 | 5 or more")
    for form in forms:
        single = np.array(
            [v for s, r in zip(scored[form], reference, strict=True) for v in np.subtract(s.single, r.single)]
        )
        width = np.array(
            [v for s, r in zip(scored[form], reference, strict=True) for v in np.subtract(s.interval, r.interval)]
        )
        joint = np.array([s.joint - r.joint for s, r in zip(scored[form], reference, strict=True)])
        many = joint[together > 1]
        cells = [clustered(single, group), clustered(width, group)]
        cells += [clustered(joint, np.arange(joint.size)), clustered(many, np.arange(many.size))]
        for low, high in SIZES:
            rows = np.repeat((together >= low) & (together <= high), together)
            cells.append(clustered(single[rows], group[rows]))
        print(f"| {form} | {' | '.join(cells)} |", flush=True)


def _held(fold: int) -> dict[tuple[str, str], list[AccuracyRow]]:
    groups: dict[tuple[str, str], list[AccuracyRow]] = {}
    for row in EVIDENCE.accuracy:
        if FOLD[row.study_id] == fold:
            groups.setdefault((row.study_id, row.condition_id), []).append(row)
    return groups


def _draws(form: str, fold: int, keep: Path) -> dict[str, Array]:
    with np.load(keep / f"{form}-{fold}.npz") as stored:
        return {name: stored[name].astype(float) for name in stored.files}


def _mean(drawn: dict[str, Array], form: str, row: AccuracyRow, known: bool) -> Array:
    pair = DATA.pairs.index((row.observable_id, row.condition_id))
    mean = drawn["mu" if known else "centre_of_pair"][:, pair]
    mean = mean + (drawn["design_effect"] @ np.array(design_of(EVIDENCE.studies[row.study_id])))[:, None] / 2
    if "tests_effect" in drawn:
        tests = np.array(TESTS[row.study_id, row.condition_id])
        mean = mean + _shift_of(tests, frozenset(form.split("+"))) * drawn["tests_effect"]
    return mean


def _score(form: str, fold: int, keep: Path, tables: dict[int, Array] | None) -> list[Study]:
    drawn = _draws(form, fold, keep)
    draw = np.resize(np.arange(SAMPLES), 8 * SAMPLES)
    rng = np.random.default_rng(fold)
    seen = {(s.observable_id, s.condition_id) for s in SOURCES if FOLD[s.study_id] != fold}
    result = []
    for (study_id, condition), rows in _held(fold).items():
        shared = drawn.get("sigma_study", np.zeros((SAMPLES, 2, 2)))[draw]
        if "nu_s" in drawn:
            shared = shared / _mixing(drawn["nu_s"][draw], rng)
        if "log_width" in drawn and TESTS[study_id, condition] == 1:
            shared = shared * np.exp(2 * drawn["log_width"][draw])[:, None, None]
        parts, single, interval, known = [], [], [], []
        for row in rows:
            known.append((row.observable_id, condition) in seen)
            mean = _mean(drawn, form, row, known[-1])[draw]
            rest = drawn["sigma_rest"][draw]
            if "nu_e" in drawn:
                rest = rest / _mixing(drawn["nu_e"][draw], rng)
            if not known[-1]:
                rest = rest + drawn["sigma_pair"][draw]
            size = np.array([row.diseased, row.healthy], dtype=float)
            hits = np.array([row.tp, row.tn], dtype=float) if tables is None else tables[id(row)]
            parts.append((mean, rest, hits, size))
            whole = planar.lower_factor(rest + shared)
            single.append(log_mean(row_likelihood(mean, whole, hits, size)))
            rates = expit(mean + planar.apply(whole, rng.standard_normal((draw.size, 2))))
            low, high = np.quantile(rng.binomial(size.astype(int), rates) / size, [0.025, 0.975], axis=0)
            outside = np.maximum(0, low - hits / size) + np.maximum(0, hits / size - high)
            interval.append(float((high - low + 40 * outside).mean()))
        joint = single[0]
        if len(rows) > 1:
            effect, total = (np.zeros((draw.size, 2)), np.zeros(draw.size))
            if shared.any():
                effect, total = study_effects(shared, parts, rng)
            for mean, rest, hits, size in parts:
                total = total + row_likelihood(mean + effect, planar.lower_factor(rest), hits, size)
            joint = log_mean(total)
        result.append(Study(single, joint, known, interval))
    return result


def _drawn_tables(form: str, fold: int, keep: Path, rng: np.random.Generator) -> dict[int, Array]:
    """Hits of each held-out table, by id of its row, drawn study by study from one draw of a fit."""
    drawn = _draws(form, fold, keep)
    tables = {}
    for rows in _held(fold).values():
        at = rng.integers(SAMPLES)
        shared = np.zeros(2)
        if "sigma_study" in drawn:
            shared = planar.lower_factor(drawn["sigma_study"][[at]])[0] @ rng.standard_normal(2)
        for row in rows:
            # The draw of a pair that no other study measured is one from its prior.
            theta = _mean(drawn, form, row, known=True)[at] + shared
            theta = theta + planar.lower_factor(drawn["sigma_rest"][[at]])[0] @ rng.standard_normal(2)
            tables[id(row)] = rng.binomial([row.diseased, row.healthy], expit(theta)).astype(float)
    return tables


def _mixing(freedom: Array, rng: np.random.Generator) -> Array:
    mixing: Array = (rng.gamma(freedom / 2) / (freedom / 2))[:, None, None]
    return mixing


if __name__ == "__main__":
    main()
