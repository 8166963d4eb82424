"""How long planning takes on one core: ranking one step ahead, the plan of depth 3, and what more nodes would buy.

Run: OMP_NUM_THREADS=1 python bench/planning_speed.py [--repeats 7]

Two moments per region: before any finding, and after five (drawn from the model), when more must be summed. `one step`
ranks every finding left; `plan` searches to depth 3; `with route` adds the route by position. `settled at` is the
number of nodes after which no unopened one could change which is best, and `left` how much lower the loss of the best
plan is there than at the planner's own limit, in routine imaging referrals; `same first`: whether both put the same
finding first. Times are of the processor, so that others
on the machine do not count.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable

import numpy as np

from endfeel.belief import Belief, Context, RegionModel, believe, compile_region, prior_belief
from endfeel.belief.results import Result
from endfeel.catalogue import Catalogue, load_catalogue
from endfeel.evidence import EvidenceBase, load_evidence
from endfeel.planning import Costs, Plan, Situation, default_costs, plan
from endfeel.planning.plan import MOST_NODES
from endfeel.planning.simulate import GENERATORS, simulate_patients
from endfeel.planning.strategy import every_finding
from endfeel.pooling import load_edition

RECORDED = 5
AMPLE = 3000


def main() -> None:
    """Time every region and print one table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=7)
    options = parser.parse_args()
    evidence, edition, catalogue = load_evidence(), load_edition(), load_catalogue()
    threads = os.environ.get("OMP_NUM_THREADS", "unset")
    print(f"edition {edition.id}, OMP_NUM_THREADS={threads}, {os.cpu_count()} cores, at most {MOST_NODES} nodes, "
          f"median (largest) of {options.repeats}, milliseconds\n")
    print("| region | recorded | ranked | one step | plan | nodes | with route | settled at | left | same first |")
    print("|---|---:|---:|---:|---:|---:|---:|---:|---:|---|")
    for region in catalogue.regions:
        model = compile_region(evidence, edition, catalogue, Context(region))
        costs = default_costs(catalogue.region(region), catalogue.modalities)
        for belief in (prior_belief(model), after_some(evidence, model, catalogue, costs)):
            row(evidence, model, belief, catalogue, costs, options.repeats)


def after_some(evidence: EvidenceBase, model: RegionModel, catalogue: Catalogue, costs: Costs) -> Belief:
    """The belief after RECORDED findings of one simulated patient."""
    rng = np.random.default_rng(7)
    patients = simulate_patients(model, GENERATORS["model"], 1, rng)
    askable = tuple(c.observable for c in every_finding(evidence, model, catalogue, costs, Situation()))
    chosen = tuple(askable[k] for k in rng.choice(len(askable), size=RECORDED, replace=False))
    results: dict[str, Result] = {
        o: "positive" if r else "negative" for o, r in patients.results(0, model, chosen).items()
    }
    return believe(model, results)


def row(
    evidence: EvidenceBase, model: RegionModel, belief: Belief, catalogue: Catalogue, costs: Costs, repeats: int
) -> None:
    """One line of the table."""
    situation = Situation(irritability="low", position="sitting")

    def planned(depth: int, most_nodes: int = MOST_NODES, with_route: bool = False) -> Plan:
        return plan(
            evidence, model, belief, catalogue, costs, situation,
            depth=depth, most_nodes=most_nodes, with_route=with_route,
        )  # fmt: skip

    one_step = timed(lambda: planned(1), repeats)
    three = timed(lambda: planned(3), repeats)
    routed = timed(lambda: planned(3, with_route=True), max(repeats // 2, 1))
    found, ample = planned(3), planned(3, AMPLE)
    settled = str(ample.nodes) if ample.settled else f"over {AMPLE}"
    left = worth(ample) - worth(found)
    ranked = len(found.next) + len(found.others)
    print(f"| {model.region} | {len(belief.results)} | {ranked} | {one_step} | {three} | {found.nodes} | {routed} "
          f"| {settled} | {left:.4f} | {'yes' if first(found) == first(ample) else 'no'} |")


def worth(found: Plan) -> float:
    """What the best plan saves; 0 where stopping is best."""
    return max((o.worth for o in found.next), default=0.0)


def first(found: Plan) -> str:
    """The finding put first, or that there is none."""
    return found.next[0].observable if found.next else "stop"


def timed(job: Callable[[], object], repeats: int) -> str:
    """Median and largest processor time of a job, first run left out."""
    job()
    taken = []
    for _ in range(repeats):
        began = time.process_time()
        job()
        taken.append(1000 * (time.process_time() - began))
    return f"{np.median(taken):.0f} ({max(taken):.0f})"


if __name__ == "__main__":
    main()
