"""How long belief takes, and how time and memory grow; pyAgrum's time for one draw beside it.

Run: OMP_NUM_THREADS=1 python bench/belief_speed.py > bench/results_belief.md
Processor time of one thread, so that what else the machine does counts as little as it can.

An invented region (bench/belief_region.py) of 10 conditions (176 states) and 40 findings, 128 draws for chances and 64
for ranges, 33 nodes each for z and t. Then the shipped regions, and what is believed of people in whom nothing specific
is wrong (bench/belief_none.py).
"""

from __future__ import annotations

import time
from collections.abc import Callable

import belief_none
import numpy as np
import pyagrum as gum
from belief_region import REGION, invented

from endfeel.belief import (
    Belief,
    Context,
    RegionModel,
    compile_region,
    explain,
    predict,
    prior_belief,
    record,
    withdraw,
)
from endfeel.belief.nodes import grid, kernel
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.pooling import load_edition


def main() -> None:
    """Print the tables."""
    print("# Belief: time and memory\n")
    print("Made by bench/belief_speed.py: processor time of one thread. A recording works out every chance and its "
          "range anew, over 128 draws for the chances and 64 for the ranges.\n")
    gum.setNumberOfThreads(1)
    print("## Ten conditions, forty findings\n")
    model, first = fresh(10, 40)
    belief = prior_belief(model)
    taken, belief = recordings(model, belief, 20, seed=1)
    print("| what | milliseconds |\n| --- | --- |")
    print(f"| compile, fit and first belief (once a region) | {first:.0f} |")
    print(f"| record one finding: median of the first 20 | {np.median(taken):.1f} |")
    print(f"| record one finding: longest of the first 20 | {max(taken):.1f} |")
    one = belief.recorded[10][0]
    print(f"| withdraw one of 20 | {timed(lambda: withdraw(model, belief, one)):.1f} |")
    left = [o for o in model.observables if o not in belief.results]
    print(f"| look one step ahead at the {len(left)} findings left, 20 recorded | "
          f"{timed(lambda: predict(model, belief, left)):.1f} |")
    few = prior_belief(model)
    _, few = recordings(model, few, 6, seed=2)
    print(f"| look one step ahead at 34 findings, 6 recorded | "
          f"{timed(lambda: predict(model, few, [o for o in model.observables if o not in few.results])):.1f} |")
    print(f"| explain a belief of 6 findings | {timed(lambda: explain(model, few)):.1f} |")
    one_draw = float(np.median([agrum(model, belief) for _ in range(5)]))
    print(f"| pyAgrum {gum.__version__}, one of the 192 draws, 20 findings recorded (lazy propagation, one target: the "
          f"state) | {one_draw:.1f} |")
    print(f"\nEffective draws after 20 findings: {belief.effective_draws:.0f} of {len(belief.draw_weights)}. "
          f"Memory of the compiled region with every table laid out: {megabytes(model):.0f} MB.\n")
    growth()
    shipped()
    print()
    belief_none.main()


def growth() -> None:
    """How time and memory grow with conditions, findings and draws."""
    print("## Growth\n")
    print("Median and longest of 20 recordings; memory with every table laid out.\n")
    print("| conditions | findings | draws | states | median ms | longest ms | MB |\n" + "| --- " * 7 + "|")
    sizes = [(c, 40, 128) for c in (6, 8, 10, 12, 16)] + [(10, n, 128) for n in (20, 80, 120)]
    sizes += [(10, 40, d) for d in (64, 256, 512)]
    for conditions, findings, draws in sizes:
        model, _ = fresh(conditions, findings, draws)
        taken, _ = recordings(model, prior_belief(model), 20, seed=3)
        print(f"| {conditions} | {findings} | {draws} | {len(model.states)} | {np.median(taken):.1f} | "
              f"{max(taken):.1f} | {megabytes(model):.0f} |")
    print()


def shipped() -> None:
    """The shipped regions: patients simulated from the model, twelve findings each."""
    print("## The shipped regions\n")
    print("Ten patients simulated from the model, twelve findings each in random order.\n")
    print("| region | conditions | findings | states | first belief ms | median ms | 95 % ms | longest ms | "
          "fewest effective draws | MB |\n" + "| --- " * 10 + "|")
    evidence, edition, catalogue = load_evidence(), load_edition(), load_catalogue()
    for region in evidence.regions():
        start = time.process_time()
        model = compile_region(evidence, edition, catalogue, Context(region))
        prior_belief(model)
        first = 1000 * (time.process_time() - start)
        taken, fewest = [], np.inf
        for patient in range(10):
            spent, belief = recordings(model, prior_belief(model), 12, seed=patient)
            taken += spent
            fewest = min(fewest, belief.effective_draws)
        print(f"| {region} | {len(model.conditions)} | {len(model.observables)} | {len(model.states)} | {first:.0f} | "
              f"{np.median(taken):.1f} | {np.quantile(taken, 0.95):.1f} | {max(taken):.0f} | {fewest:.0f} | "
              f"{megabytes(model):.0f} |")


def fresh(conditions: int, findings: int, draws: int = 128) -> tuple[RegionModel, float]:
    """A compiled invented region and the milliseconds until its first belief."""
    evidence, edition, catalogue = invented(conditions, findings)
    start = time.process_time()
    model = compile_region(evidence, edition, catalogue, Context(REGION), draws=draws)
    prior_belief(model)
    return model, 1000 * (time.process_time() - start)


def recordings(model: RegionModel, belief: Belief, count: int, seed: int) -> tuple[list[float], Belief]:
    """Record `count` findings in random order, results as the model predicts them; milliseconds of each."""
    rng = np.random.default_rng(seed)
    taken = []
    for observable in rng.permutation(model.observables)[:count]:
        positive = rng.random() < predict(model, belief, [str(observable)])[0].probability
        start = time.process_time()
        belief = record(model, belief, str(observable), "positive" if positive else "negative")
        taken.append(1000 * (time.process_time() - start))
    return taken, belief


def timed(act: Callable[[], object], times: int = 7) -> float:
    """Median milliseconds."""
    taken = []
    for _ in range(times):
        start = time.process_time()
        act()
        taken.append(1000 * (time.process_time() - start))
    return float(np.median(taken))


def megabytes(model: RegionModel) -> float:
    """Every table of the chances' draws and of the ranges' draws."""
    total = 0
    for tables in (model.weighing(), model.ranging()):
        total += sum(tables.positive(j).nbytes for j in range(len(model.observables)))
        total += sum(tables.drawn.response(j)[0].nbytes for j in range(len(model.observables)))
    return total / 1e6


def agrum(model: RegionModel, belief: Belief) -> float:
    """Milliseconds of exact inference in pyAgrum for one draw of the same network with the same findings."""
    points, weights = grid()
    nodes, tables = len(points), model.weighing()
    net = gum.BayesNet()
    net.add(gum.LabelizedVariable("state", "", len(model.states)))
    net.add(gum.LabelizedVariable("z", "", nodes))
    net.cpt("state").fillWith(np.exp(model.log_prior).tolist())
    net.cpt("z").fillWith(weights.tolist())
    evidence = {}
    for observable, result in belief.recorded:
        j = model.place[observable]
        group, name = f"t{model.fitted.observed[j].group}", f"f{j}"
        if group not in net.names():
            net.add(gum.LabelizedVariable(group, "", nodes))
            net.addArc("z", group)
            net.cpt(group)[:] = kernel(model.kappa)
        net.add(gum.LabelizedVariable(name, "", 2))
        net.addArc("state", name)
        net.addArc(group, name)
        positive = tables.positive(j)[tables.place[j], 0, :]
        table = np.stack([1 - positive, positive], axis=-1)
        axes = {"state": 0, group: 1, name: 2}
        net.cpt(name)[:] = np.ascontiguousarray(np.transpose(table, [axes[n] for n in net.cpt(name).names[::-1]]))
        evidence[name] = int(result == "positive")
    start = time.process_time()
    engine = gum.LazyPropagation(net)
    engine.setEvidence(evidence)
    engine.setTargets({"state"})
    engine.makeInference()
    engine.posterior("state")
    return 1000 * (time.process_time() - start)


if __name__ == "__main__":
    main()
