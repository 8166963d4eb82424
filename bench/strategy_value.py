"""What a strategy is worth beside every test, the three most-published tests and no examination, on simulated patients.

Run: OMP_NUM_THREADS=1 python bench/strategy_value.py [--patients 1500] [--thorough 70] [--people knee:injury,...]

Patients come from the model and from wrong generators. Each way of examining ends in the cheapest decision by its
belief; what that costs is then read off the patient's true state: harm of a miss, of wrong care, price of looking
further, in routine imaging referrals. Burden is minutes, provocation and moving the patient in the same unit. The
differences to the strategy are paired, on the same patients; "every test" is worked out for the first --thorough ones.
"""

from __future__ import annotations

import argparse
import os
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endfeel.belief import Context, RegionModel, believe, compile_region, prior_belief
from endfeel.belief.results import Result
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.planning import Costs, Situation, default_costs
from endfeel.planning.decide import ActionTable, action_table, loss_when_known
from endfeel.planning.effort import Candidate
from endfeel.planning.simulate import GENERATORS, Patients, simulate_patients
from endfeel.planning.strategy import (
    End,
    Step,
    battery_efforts,
    every_finding,
    follow,
    most_published,
    strategy,
    strategy_text,
)
from endfeel.pooling import load_edition

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Arm:
    """One way of examining, for each patient (N,): number of findings, minutes, burden, loss."""

    name: str
    findings: Floats
    minutes: Floats
    burden: Floats
    loss: Floats

    @property
    def total(self) -> Floats:
        """Burden and loss of each patient."""
        return self.burden + self.loss


def main() -> None:
    """Grow the strategies, simulate, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--patients", type=int, default=1500)
    parser.add_argument("--thorough", type=int, default=70)
    parser.add_argument("--people", default="knee:injury,shoulder:gradual,lumbar-pelvis:gradual", help="region:onset")
    parser.add_argument("--depths", default="4,6")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    began = time.perf_counter()
    evidence, edition, catalogue = load_evidence(), load_edition(), load_catalogue()
    threads = os.environ.get("OMP_NUM_THREADS", "unset")
    print(f"edition {edition.id}, {options.patients} patients a row ({options.thorough} for every test), "
          f"seed {options.seed}, OMP_NUM_THREADS={threads}, {os.cpu_count()} cores\n")
    print("| region | generator | way | findings | minutes | burden | loss | together | more than the strategy (SE) |")
    print("|---|---|---|---:|---:|---:|---:|---:|---:|")
    texts = []
    depths = [int(d) for d in options.depths.split(",")]
    for place, people in enumerate(options.people.split(",")):
        region, _, onset = people.partition(":")
        context = Context(region, onset="injury" if onset == "injury" else "gradual")
        model = compile_region(evidence, edition, catalogue, context)
        entries = catalogue.region(region)
        costs = default_costs(entries, catalogue.modalities)
        table = action_table(model.conditions, model.none_id, model.states, entries, costs)
        rng = np.random.default_rng([options.seed, place])
        grown = [
            strategy(evidence, model, catalogue, costs, depth=depth, patients=0, rng=rng) for depth in depths
        ]
        texts.append(strategy_text(grown[0]))
        everything = every_finding(evidence, model, catalogue, costs, Situation())
        known = most_published(evidence, region, everything)
        for number, name in enumerate(GENERATORS):
            patients = simulate_patients(
                model, GENERATORS[name], options.patients, np.random.default_rng([options.seed, place, number])
            )
            arms = [
                by_tree(f"strategy, {g.depth} deep", g.root, model, table, patients) for g in grown
            ]
            arms.append(by_battery("most published", known, model, table, costs, patients, options.patients))
            arms.append(by_battery("none", (), model, table, costs, patients, options.patients))
            arms.append(by_battery("every test", everything, model, table, costs, patients, options.thorough))
            for arm in arms:
                row(region, name, arm, arms[0])
    for text in texts:
        print(f"\n```\n{text}\n```")
    print(f"\n{time.perf_counter() - began:.0f} s")


def by_tree(name: str, root: Step | End, model: RegionModel, table: ActionTable, patients: Patients) -> Arm:
    """Every patient led through a tree."""
    beliefs: dict[tuple[tuple[str, bool], ...], Floats] = {}
    figures, after = [], []
    for i in range(len(patients.state)):
        positive = dict(zip(model.observables, patients.positive[i].tolist(), strict=True))
        steps, _ = follow(root, positive)
        key = tuple((s.observable, positive[s.observable]) for s in steps)
        if key not in beliefs:
            beliefs[key] = believed(model, dict(key))
        after.append(beliefs[key])
        figures.append((len(steps), sum(s.minutes for s in steps), sum(s.burden for s in steps)))
    count, minutes, burden = np.array(figures, dtype=float).T
    return Arm(name, count, minutes, burden, loss_when_known(table, np.stack(after), patients.state))


def by_battery(
    name: str,
    battery: tuple[Candidate, ...],
    model: RegionModel,
    table: ActionTable,
    costs: Costs,
    patients: Patients,
    count: int,
) -> Arm:
    """The same findings for each of the first `count` patients."""
    observables = tuple(c.observable for c in battery)
    beliefs: dict[tuple[bool, ...], Floats] = {}
    after = []
    for i in range(min(count, len(patients.state))):
        results = patients.results(i, model, observables)
        key = tuple(results.values())
        if key not in beliefs:
            beliefs[key] = believed(model, results)
        after.append(beliefs[key])
    taken = battery_efforts(battery, costs, Situation())
    loss = loss_when_known(table, np.stack(after), patients.state[: len(after)])
    alike = np.ones(len(after))
    return Arm(
        name,
        findings=alike * len({c.finding_id for c in battery}),
        minutes=alike * sum(t.minutes for t in taken),
        burden=alike * sum(t.burden for t in taken),
        loss=loss,
    )


def believed(model: RegionModel, results: dict[str, bool]) -> Floats:
    """State probabilities (S,) after some results."""
    told: dict[str, Result] = {o: "positive" if r else "negative" for o, r in results.items()}
    return (believe(model, told) if told else prior_belief(model)).state_probability


def row(region: str, generator: str, arm: Arm, strategy_arm: Arm) -> None:
    """One line of the table."""
    n = len(arm.loss)
    more = arm.total - strategy_arm.total[:n]
    gap = "" if arm is strategy_arm else f"{more.mean():+.3f} ({more.std(ddof=1) / np.sqrt(n):.3f})"
    print(f"| {region} | {generator} | {arm.name} | {arm.findings.mean():.1f} | {arm.minutes.mean():.1f} "
          f"| {arm.burden.mean():.3f} | {arm.loss.mean():.3f} | {arm.total.mean():.3f} | {gap} |")


if __name__ == "__main__":
    main()
