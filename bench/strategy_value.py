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
from dataclasses import replace

import numpy as np

from endfeel.belief import Context, compile_region
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.planning import Situation, default_costs
from endfeel.planning.decide import action_table
from endfeel.planning.simulate import GENERATORS, simulate_patients
from endfeel.planning.strategy import EVERY, every_finding, most_published, strategy, strategy_text
from endfeel.planning.trial import Trying, Way, by_tree
from endfeel.pooling import load_edition


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
    print(
        f"edition {edition.id}, {options.patients} patients a row ({options.thorough} for every test), "
        f"seed {options.seed}, OMP_NUM_THREADS={threads}, {os.cpu_count()} cores\n"
    )
    print(
        "| region | generator | way | findings | minutes | provocation | burden | loss | together "
        "| more than the strategy (SE) |"
    )
    print("|---|---|---|---:|---:|---:|---:|---:|---:|---:|")
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
        grown = [strategy(evidence, model, catalogue, costs, depth=depth, patients=0, rng=rng) for depth in depths]
        texts.append(strategy_text(grown[0]))
        everything = every_finding(evidence, model, catalogue, costs, Situation())
        batteries = {"most published": most_published(evidence, region, everything), "none": (), EVERY: everything}
        counts = {"strategy": options.patients, "most published": options.patients, "none": options.patients}
        counts[EVERY] = options.thorough
        trying = Trying(model, table, costs, Situation())
        for number, name in enumerate(GENERATORS):
            trial = trying.trial(
                name, grown[0].root, batteries, counts, np.random.default_rng([options.seed, place, number])
            )
            assert trial is not None
            patients = simulate_patients(
                model, GENERATORS[name], options.patients, np.random.default_rng([options.seed, place, number])
            )
            first, *others = trial.ways
            deeper = [
                by_tree(trying, f"strategy, {g.depth} deep", g.root, patients, options.patients) for g in grown[1:]
            ]
            for way in (replace(first, name=f"strategy, {grown[0].depth} deep"), *deeper, *others):
                row(region, name, way, first)
    for text in texts:
        print(f"\n```\n{text}\n```")
    print(f"\n{time.perf_counter() - began:.0f} s")


def row(region: str, generator: str, way: Way, of_strategy: Way) -> None:
    """One line of the table."""
    more, error = way.more_than(of_strategy)
    gap = "" if way.loss is of_strategy.loss else f"{more:+.3f} ({error:.3f})"
    print(
        f"| {region} | {generator} | {way.name} | {way.findings.mean():.1f} | {way.minutes.mean():.1f} "
        f"| {way.provocation.mean():.1f} | {way.burden.mean():.3f} | {way.loss.mean():.3f} | {way.total.mean():.3f} "
        f"| {gap} |"
    )


if __name__ == "__main__":
    main()
