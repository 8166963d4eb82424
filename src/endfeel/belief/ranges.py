"""Weighted ranges over draws."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def effective(weights: Floats) -> float:
    """The number of equally weighted draws worth as much: (Σw)² / Σw²."""
    return float(weights.sum() ** 2 / (weights**2).sum())


def soften(weights: Floats, enough: float) -> Floats:
    """Weights raised to the largest power up to one that leaves `enough` effective draws; they sum to one.

    A range from a handful of draws would look narrow for want of draws alone.
    """
    power, low, high = 1.0, 0.0, 1.0
    scaled = weights / weights.max()
    if effective(scaled) < enough <= len(weights):
        for _ in range(30):
            power = (low + high) / 2
            low, high = (power, high) if effective(scaled**power) >= enough else (low, power)
        power = low
    softened = scaled**power
    return np.asarray(softened / softened.sum())


def weighted_ranges(values: Floats, weights: Floats, low: float = 0.025, high: float = 0.975) -> tuple[Floats, Floats]:
    """Quantiles of each column of values (draws, columns) under weights (draws,), interpolated between mid-ranks."""
    order = np.argsort(values, axis=0, kind="stable")
    ordered = np.take_along_axis(values, order, axis=0)
    share = weights[order]
    middle = np.cumsum(share, axis=0) - share / 2
    lows, highs = np.empty(values.shape[1]), np.empty(values.shape[1])
    for column in range(values.shape[1]):
        lows[column] = np.interp(low, middle[:, column], ordered[:, column])
        highs[column] = np.interp(high, middle[:, column], ordered[:, column])
    return lows, highs
