"""Are the chances right? Simulated patients from the model and from wrong generators, some findings recorded for each.

Run: OMP_NUM_THREADS=1 python bench/calibration.py [--patients 900] [--people knee:injury,shoulder:gradual] [--figure F]

Each patient has 4 to 16 findings recorded, picked at random among those that can be examined (--pick spread), or 4 to 8
that load one structure, where there are so many (--pick structure): what many tests of one thing are worth. Every
finest condition of every patient counts once. Beside belief stand
  base          the true share of each condition among the simulated patients, whatever was found
  start         the model's own starting chances, whatever was found
  multiplied    per condition, its starting odds times the likelihood ratios of the findings that respond to it
  states alone  belief's own states and average accuracies, findings multiplied as though independent given the state
Skill = 1 - score / score of the reference. Slope: of the truth on the log-odds of the chance (logistic regression),
where the chance is above 0.2; its error by patients as clusters. 1 is right, below 1 too sure.
"""

from __future__ import annotations

import argparse
import os
import textwrap
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import altair as alt
import numpy as np
import vl_convert
from numpy.typing import NDArray

from endfeel.belief import Context, RegionModel, believe, compile_region, prior_belief
from endfeel.belief.results import Result
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.planning import Situation, default_costs
from endfeel.planning.simulate import GENERATORS, simulate_patients
from endfeel.planning.strategy import every_finding
from endfeel.pooling import load_edition

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Pick = Callable[[tuple[str, ...], np.random.Generator], tuple[str, ...]]

ABOVE = 0.2
FEWEST, MOST = 4, 16
INK, ACCENT, SOFT, PAPER = "#1c2a30", "#0b5563", "#58656a", "#fffdf7"


@dataclass(frozen=True)
class Scored:
    """Chances (N, C) by method for one region and generator, and what was true (N, C)."""

    region: str
    generator: str
    truth: Bools
    chances: dict[str, Floats]


def main() -> None:
    """Simulate, score, print, draw."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--patients", type=int, default=900)
    parser.add_argument("--people", default="knee:injury,shoulder:gradual,lumbar-pelvis:gradual", help="region:onset")
    parser.add_argument("--pick", choices=("spread", "structure"), default="spread")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--figure", type=Path, help="path without ending: writes .svg and .png")
    options = parser.parse_args()
    began = time.perf_counter()
    evidence, edition, catalogue = load_evidence(), load_edition(), load_catalogue()
    scored = []
    for place, people in enumerate(options.people.split(",")):
        region, _, onset = people.partition(":")
        context = Context(region, onset="injury" if onset == "injury" else "gradual")
        model = compile_region(evidence, edition, catalogue, context)
        costs = default_costs(catalogue.region(region), catalogue.modalities)
        askable = tuple(c.observable for c in every_finding(evidence, model, catalogue, costs, Situation()))
        for number, name in enumerate(GENERATORS):
            rng = np.random.default_rng([options.seed, place, number])
            pick = spread if options.pick == "spread" else same_structure(model, askable)
            scored.append(score(model, name, pick, askable, options.patients, rng))
    print(f"edition {edition.id}, pick {options.pick}, {options.patients} patients a row, seed {options.seed}, "
          f"OMP_NUM_THREADS={os.environ.get('OMP_NUM_THREADS', 'unset')}, {os.cpu_count()} cores\n")
    scored += [together([s for s in scored if s.generator == name]) for name in GENERATORS]
    print_slopes(scored)
    print_skills(scored)
    if options.figure:
        draw(scored, options.figure)
    print(f"\n{time.perf_counter() - began:.0f} s")


def spread(askable: tuple[str, ...], rng: np.random.Generator) -> tuple[str, ...]:
    """FEWEST to MOST findings of any kind."""
    chosen = rng.choice(len(askable), size=min(int(rng.integers(FEWEST, MOST + 1)), len(askable)), replace=False)
    return tuple(askable[k] for k in chosen)


def same_structure(model: RegionModel, askable: tuple[str, ...]) -> Pick:
    """FEWEST to twice as many findings that load one structure, among structures with as many."""
    groups: dict[str, list[str]] = {}
    for observable in askable:
        groups.setdefault(model.group_of(observable), []).append(observable)
    large = [tuple(members) for members in groups.values() if len(members) >= FEWEST]

    def pick(_: tuple[str, ...], rng: np.random.Generator) -> tuple[str, ...]:
        members = large[int(rng.integers(len(large)))]
        size = int(rng.integers(FEWEST, min(len(members), 2 * FEWEST) + 1))
        return tuple(members[k] for k in rng.choice(len(members), size=size, replace=False))

    return pick


def score(
    model: RegionModel, name: str, pick: Pick, askable: tuple[str, ...], count: int, rng: np.random.Generator
) -> Scored:
    """Chances of every method for patients of one generator."""
    patients = simulate_patients(model, GENERATORS[name], count, rng)
    truth = model.states[patients.state]
    margin = np.stack([model.p_positive(o).mean(axis=0) for o in model.observables])
    start = prior_belief(model).state_probability @ model.states
    belief, multiplied, alone = (np.empty(truth.shape) for _ in range(3))
    for i in range(count):
        results = patients.results(i, model, pick(askable, rng))
        recorded: dict[str, Result] = {o: "positive" if r else "negative" for o, r in results.items()}
        belief[i] = believe(model, recorded).state_probability @ model.states
        multiplied[i] = by_multiplying(model, margin, start, results)
        alone[i] = by_states_alone(model, margin, results)
    base = np.broadcast_to(truth.mean(axis=0), truth.shape)
    return Scored(
        model.region, name, truth,
        {
            "belief": belief, "base": np.array(base), "start": np.tile(start, (count, 1)),
            "multiplied": multiplied, "states alone": alone,
        },
    )  # fmt: skip


def by_multiplying(model: RegionModel, margin: Floats, start: Floats, results: dict[str, bool]) -> Floats:
    """Each condition by itself: odds times P(result | it) / P(result | not it) of each finding that responds to it."""
    prior = np.exp(model.log_prior)
    held = model.states.T
    with_it = (prior * held) / (prior * held).sum(axis=1, keepdims=True)
    without = (prior * ~held) / (prior * ~held).sum(axis=1, keepdims=True)
    log_odds = np.log(start / (1 - start))
    for observable, positive in results.items():
        j = model.place[observable]
        rate = margin[j] if positive else 1 - margin[j]
        responds = list(model.fitted.observed[j].plan.responds)
        log_odds[responds] += np.log((with_it[responds] @ rate) / (without[responds] @ rate))
    return np.asarray(1 / (1 + np.exp(-log_odds)))


def by_states_alone(model: RegionModel, margin: Floats, results: dict[str, bool]) -> Floats:
    """All conditions together, findings multiplied as though independent given the state."""
    log_p = model.log_prior.copy()
    for observable, positive in results.items():
        j = model.place[observable]
        log_p += np.log(margin[j] if positive else 1 - margin[j])
    p = np.exp(log_p - log_p.max())
    return np.asarray(p / p.sum() @ model.states)


def log_points(chance: Floats, truth: Bools) -> Floats:
    """Per patient, -log of the chance given to what was true, in nats over conditions; less is better. (N,)"""
    kept = np.clip(chance, 1e-9, 1 - 1e-9)
    return np.asarray(-np.where(truth, np.log(kept), np.log(1 - kept)).sum(axis=1))


def brier_points(chance: Floats, truth: Bools) -> Floats:
    """Per patient, squared distance of chance and truth over conditions; less is better. (N,)"""
    return np.asarray(((chance - truth) ** 2).sum(axis=1))


def slope(chance: Floats, truth: Bools) -> tuple[float, float, float, int]:
    """(slope, its standard error, mean truth minus mean chance, number) where the chance is above ABOVE."""
    rows, columns = np.nonzero(chance > ABOVE)
    p = np.clip(chance[rows, columns], 1e-9, 1 - 1e-9)
    y = truth[rows, columns].astype(float)
    x = np.stack([np.ones(len(p)), np.log(p / (1 - p))], axis=1)
    beta = np.array([0.0, 1.0])
    for _ in range(50):
        fitted = 1 / (1 + np.exp(-(x @ beta)))
        bend = (x * (fitted * (1 - fitted))[:, None]).T @ x + 1e-9 * np.eye(2)
        # Short steps: from far away a whole one can overshoot to where the curve is flat.
        step = np.clip(np.linalg.solve(bend, x.T @ (y - fitted)), -0.5, 0.5)
        beta = beta + step
        if np.abs(step).max() < 1e-10:
            break
    scores = np.zeros((len(chance), 2))
    np.add.at(scores, rows, x * (y - fitted)[:, None])
    inverse = np.linalg.inv(bend)
    error = float(np.sqrt((inverse @ (scores.T @ scores) @ inverse)[1, 1]))
    return float(beta[1]), error, float(y.mean() - p.mean()), len(p)


def together(scored: list[Scored]) -> Scored:
    """All regions of one generator as one: every condition of every patient a row of its own column."""
    width = max(s.truth.shape[1] for s in scored)

    def padded(values: NDArray[np.generic]) -> NDArray[np.generic]:
        return np.pad(values, ((0, 0), (0, width - values.shape[1])))

    return Scored(
        "all", scored[0].generator,
        np.concatenate([padded(s.truth) for s in scored]).astype(bool),
        {m: np.concatenate([padded(s.chances[m]) for s in scored]).astype(float) for m in scored[0].chances},
    )  # fmt: skip


def print_slopes(scored: list[Scored]) -> None:
    """Calibration where the chance is above ABOVE, in Markdown."""
    print("| region | generator | pairs | slope (SE) | truth - chance | multiplied (SE) | truth - chance "
          "| states alone (SE) | truth - chance |")
    print("|---|---|---:|---:|---:|---:|---:|---:|---:|")
    for s in scored:
        found = [slope(s.chances[m], s.truth) for m in ("belief", "multiplied", "states alone")]
        cells = [f"{beta:.2f} ({error:.2f}) | {gap:+.3f}" for beta, error, gap, _ in found]
        print(f"| {s.region} | {s.generator} | {found[0][3]} | {' | '.join(cells)} |")
    print()


def print_skills(scored: list[Scored]) -> None:
    """Skill of belief above each reference, in Markdown; its standard error is by patients."""
    references = ("base", "start", "multiplied", "states alone")
    print(f"| region | generator | {' | '.join(f'log: {r}' for r in references)} "
          f"| {' | '.join(f'Brier: {r}' for r in references)} |")
    print("|---|---|" + "---:|" * 8)
    for s in scored:
        cells = []
        for points in (log_points, brier_points):
            own = points(s.chances["belief"], s.truth)
            for reference in references:
                theirs = points(s.chances[reference], s.truth)
                error = float((theirs - own).std(ddof=1) / np.sqrt(len(own)) / theirs.mean())
                cells.append(f"{1 - own.mean() / theirs.mean():+.3f} ({error:.3f})")
        print(f"| {s.region} | {s.generator} | {' | '.join(cells)} |")


def draw(scored: list[Scored], path: Path) -> None:
    """How often what was given a chance came true, all regions together: belief and multiplying, by generator."""
    rows = []
    for s in (s for s in scored if s.region == "all"):
        for method in ("belief", "multiplied"):
            chance, truth = s.chances[method].ravel(), s.truth.ravel()
            edges = np.array([0.001, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
            which = np.digitize(chance, edges)
            for k in range(1, len(edges)):
                here = which == k
                n = int(here.sum())
                if n < 20:
                    continue
                p = float(truth[here].mean())
                centre, half = _wilson(p, n)
                rows.append(
                    {
                        "generator": GENERATORS[s.generator].words, "method": method,
                        "chance": float(chance[here].mean()), "truth": p,
                        "low": max(centre - half, 0.0), "high": min(centre + half, 1.0),
                    }
                )  # fmt: skip
    axis = alt.Axis(values=[0, 0.2, 0.4, 0.6, 0.8, 1.0], format=".1f")
    base = alt.Chart(alt.Data(values=rows))
    colour = alt.Color(
        "method:N", scale=alt.Scale(domain=["belief", "multiplied"], range=[ACCENT, SOFT]),
        legend=alt.Legend(title=None, orient="top"),
    )  # fmt: skip
    x = alt.X("chance:Q", title="chance given", axis=axis, scale=alt.Scale(domain=[0, 1]))
    line = alt.Chart(alt.Data(values=[{"x": 0, "y": 0}, {"x": 1, "y": 1}])).mark_line(
        color=INK, strokeWidth=0.7, strokeDash=[3, 3]
    ).encode(x="x:Q", y="y:Q")  # fmt: skip
    bars = base.mark_rule(strokeWidth=1).encode(x=x, y=alt.Y("low:Q", title="share true"), y2="high:Q", color=colour)
    points = base.mark_point(filled=True, size=34, opacity=1).encode(
        x=x, y=alt.Y("truth:Q", title="share true", axis=axis, scale=alt.Scale(domain=[0, 1])), color=colour,
        shape=alt.Shape("method:N", scale=alt.Scale(domain=["belief", "multiplied"], range=["circle", "diamond"]),
                        legend=alt.Legend(title=None, orient="top")),
    )  # fmt: skip
    # Layers of different data can not be faceted: one chart for each cell, laid out by hand.
    cells = [
        (line + bars.transform_filter(_only(generator)) + points.transform_filter(_only(generator))).properties(
            width=210, height=210, title=alt.Title(_broken(generator), fontSize=11, fontWeight="normal", anchor="start")
        )
        for generator in dict.fromkeys(r["generator"] for r in rows)
    ]
    grid = alt.vconcat(*[alt.hconcat(*cells[k : k + 4]) for k in range(0, len(cells), 4)])
    grid = grid.configure(background=PAPER).configure_view(stroke=None)
    path.parent.mkdir(parents=True, exist_ok=True)
    spec = grid.to_json()
    path.with_suffix(".svg").write_text(vl_convert.vegalite_to_svg(spec), encoding="utf-8")
    path.with_suffix(".png").write_bytes(vl_convert.vegalite_to_png(spec, scale=1.0))


def _only(generator: str) -> alt.expr.core.Expression:
    return alt.datum.generator == generator


def _broken(words: str) -> list[str]:
    """In lines short enough for a cell."""
    return textwrap.wrap(words, 36)


def _wilson(p: float, n: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share, as centre and half width (J Am Stat Assoc 1927;22:209-212)."""
    z = 1.96
    centre = (p + z**2 / (2 * n)) / (1 + z**2 / n)
    return centre, z / (1 + z**2 / n) * float(np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2)))


if __name__ == "__main__":
    main()
