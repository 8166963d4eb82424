"""The same model as a discrete Bayesian network for pyAgrum: states, z and t nodes, findings; one draw at a time."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pyagrum as gum

from endfeel.belief.model import RegionModel
from endfeel.belief.nodes import grid, kernel


def build(model: RegionModel, draw: int, observables: tuple[str, ...]) -> gum.BayesNet:
    """The network of one draw with the findings asked for. Grades and coarse readings are left out by the caller."""
    tables = model.weighing()
    points, weights = grid()
    nodes = len(points)
    net = gum.BayesNet()
    net.add(gum.LabelizedVariable("state", "", len(model.states)))
    net.add(gum.LabelizedVariable("z", "", nodes))
    net.cpt("state").fillWith(np.exp(model.log_prior).tolist())
    net.cpt("z").fillWith(weights.tolist())
    for observable in observables:
        j = model.place[observable]
        group = f"t{model.fitted.observed[j].group}"
        if group not in net.names():
            net.add(gum.LabelizedVariable(group, "", nodes))
            net.addArc("z", group)
            net.cpt(group)[:] = kernel(model.kappa)
        name = f"f{j}"
        net.add(gum.LabelizedVariable(name, "", 2))
        net.addArc("state", name)
        net.addArc(group, name)
        positive = tables.positive(j)[tables.place[j], draw, :]
        table = np.stack([1 - positive, positive], axis=-1)  # (states, t, result)
        order = net.cpt(name).names[::-1]  # the axes of [:] run from the last parent to the node
        axes = {"state": 0, group: 1, name: 2}
        net.cpt(name)[:] = np.ascontiguousarray(np.transpose(table, [axes[n] for n in order]))
    return net


def posterior(model: RegionModel, net: gum.BayesNet, results: Mapping[str, str]) -> np.ndarray:
    """P(state | results) by lazy propagation, exact."""
    engine = gum.LazyPropagation(net)
    engine.setEvidence({f"f{model.place[o]}": int(r == "positive") for o, r in results.items()})
    engine.setTargets({"state"})
    engine.makeInference()
    return np.array(engine.posterior("state").tolist())
