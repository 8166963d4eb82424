"""The same model as a discrete Bayesian network for pyAgrum: states, z and t nodes, findings; one draw at a time.

Readings that exclude each other are one node with a value for each reading and one for none of them; its table is
worked out here anew from the fitted responses.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pyagrum as gum
from scipy.special import ndtr, ndtri

from endfeel.belief.model import RegionModel
from endfeel.belief.nodes import grid, kernel


def build(model: RegionModel, draw: int, observables: tuple[str, ...]) -> gum.BayesNet:
    """The network of one draw with the findings asked for. Grades and coarse readings are left out by the caller."""
    points, weights = grid()
    nodes = len(points)
    net = gum.BayesNet()
    net.add(gum.LabelizedVariable("state", "", len(model.states)))
    net.add(gum.LabelizedVariable("z", "", nodes))
    net.cpt("state").fillWith(np.exp(model.log_prior).tolist())
    net.cpt("z").fillWith(weights.tolist())
    for observable in observables:
        group = f"t{model.fitted.observed[model.place[observable]].group}"
        if group not in net.names():
            net.add(gum.LabelizedVariable(group, "", nodes))
            net.addArc("z", group)
            net.cpt(group)[:] = kernel(model.kappa)
        name = node_of(model, observable)
        if name in net.names():
            continue
        table = _values_given_state_and_t(model, draw, observable)  # (states, t, value)
        net.add(gum.LabelizedVariable(name, "", table.shape[-1]))
        net.addArc("state", name)
        net.addArc(group, name)
        order = net.cpt(name).names[::-1]  # the axes of [:] run from the last parent to the node
        axes = {"state": 0, group: 1, name: 2}
        net.cpt(name)[:] = np.ascontiguousarray(np.transpose(table, [axes[n] for n in order]))
    return net


def node_of(model: RegionModel, observable: str) -> str:
    """The node that an observable is a value of."""
    sign = readings_of(model, observable)
    return f"f{model.place[sign[0]]}"


def readings_of(model: RegionModel, observable: str) -> tuple[str, ...]:
    """The readings of its node, in the order of the values 1, 2, ...; value 0 is none of them."""
    return tuple(o for o in model.observed(observable).exclusives if o in model.place) or (observable,)


def _values_given_state_and_t(model: RegionModel, draw: int, observable: str) -> np.ndarray:
    tables, (points, _) = model.weighing(), grid()
    places = [model.place[o] for o in readings_of(model, observable)]
    if len(places) == 1:
        j = places[0]
        positive = tables.positive(j)[tables.place[j], draw, :]
        return np.stack([1 - positive, positive], axis=-1)
    reach = {c for j in places for c in model.fitted.observed[j].plan.responds}
    shares = tables.drawn.r[draw, model.fitted.observed[places[0]].group]
    table = np.empty((len(model.states), len(points), 1 + len(places)))
    for state, held in enumerate(model.states):
        margins = np.array([ndtr(tables.eta(j)[draw, tables.place[j][state]]) for j in places])
        margins = margins / max(1.0, margins.sum() / 0.999)
        r = shares[int(any(held[c] for c in reach))]
        seen = ndtr((ndtri(margins.sum()) + np.sqrt(r) * points) / np.sqrt(1 - r))
        table[state, :, 0] = 1 - seen
        table[state, :, 1:] = seen[:, None] * margins / margins.sum()
    return table


def posterior(model: RegionModel, net: gum.BayesNet, results: Mapping[str, str]) -> np.ndarray:
    """P(state | results) by lazy propagation, exact."""
    allowed: dict[str, np.ndarray] = {}
    for observable, result in results.items():
        sign = readings_of(model, observable)
        value = sign.index(observable) + 1
        fits = np.ones(1 + len(sign))
        fits[value] = 0.0
        if result == "positive":
            fits = 1 - fits
        name = node_of(model, observable)
        allowed[name] = allowed.get(name, np.ones(1 + len(sign))) * fits
    engine = gum.LazyPropagation(net)
    engine.setEvidence({name: fits.tolist() for name, fits in allowed.items()})
    engine.setTargets({"state"})
    engine.makeInference()
    return np.array(engine.posterior("state").tolist())
