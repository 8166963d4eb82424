"""The grid on which shared irritability (z) and a group's own factor (t) are summed.

A finding of group g depends on z and u_g only through t_g = √κ z + √(1-κ) u_g, which is standard normal given nothing
and normal with mean √κ z and variance 1-κ given z. So sums run over z and t, each on 33 equispaced nodes over ±6; for
a smooth integrand against a normal density the error of that rule falls off like exp(-(2π/spacing)²/2).
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

NODES = 33
REACH = 6.0


@cache
def grid(nodes: int = NODES) -> tuple[Floats, Floats]:
    """Nodes (nodes,) over ±6 and their standard normal weights (nodes,), which sum to one."""
    points = np.linspace(-REACH, REACH, nodes)
    weights = np.exp(-0.5 * points**2)
    weights /= weights.sum()
    points.setflags(write=False)
    weights.setflags(write=False)
    return points, weights


@cache
def shifted_weights(shift: float, nodes: int = NODES) -> Floats:
    """Weights of z for a patient known to be more (or less) irritable than most: N(shift, 1) on the same nodes."""
    points, _ = grid(nodes)
    weights = np.exp(-0.5 * (points - shift) ** 2)
    weights /= weights.sum()
    weights.setflags(write=False)
    return np.asarray(weights)


@cache
def kernel(kappa: float, nodes: int = NODES) -> Floats:
    """P(t node | z node), rows z, columns t, each row sums to one; (nodes, nodes). kappa in [0, 1)."""
    points, _ = grid(nodes)
    gap = points[None, :] - np.sqrt(kappa) * points[:, None]
    rows = np.exp(-0.5 * gap**2 / (1.0 - kappa))
    rows /= rows.sum(axis=1, keepdims=True)
    rows.setflags(write=False)
    return np.asarray(rows)


def positive_given_t(eta: Floats, r: Floats, nodes: int = NODES) -> Floats:
    """P(positive | t) = Φ((η + √r t) / √(1-r)); η and r of one shape, the result has one axis more (nodes, last).

    Over the standard normal t it averages to Φ(η), whatever r is: dependence leaves the margins alone.
    """
    points, _ = grid(nodes)
    root = np.sqrt(1.0 - r)
    return np.asarray(ndtr((eta / root)[..., None] + (np.sqrt(r) / root)[..., None] * points))
