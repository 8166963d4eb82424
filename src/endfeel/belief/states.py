"""The states that belief is about: sets of the finest conditions, few at once, and none of them."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

AT_MOST = 3


def make_states(n_conditions: int, at_most: int = AT_MOST) -> Bools:
    """All sets of at most `at_most` of the conditions, as rows of a bool array (states, conditions).

    Row 0 is the empty set: no specific structure. Ten conditions and three at once give 176 rows.
    """
    rows = [
        chosen for size in range(min(at_most, n_conditions) + 1) for chosen in combinations(range(n_conditions), size)
    ]
    states = np.zeros((len(rows), n_conditions), dtype=bool)
    for row, chosen in enumerate(rows):
        states[row, list(chosen)] = True
    return states


def holds_any(states: Bools, columns: tuple[int, ...]) -> Bools:
    """Which states hold at least one of the conditions in `columns`; bool (states,)."""
    if not columns:
        return np.zeros(len(states), dtype=bool)
    return np.asarray(states[:, list(columns)].any(axis=1))


def codes_of(states: Bools) -> Ints:
    """Each state as one integer, bit c for condition c; int64 (states,)."""
    return np.asarray(states.astype(np.int64) @ (1 << np.arange(states.shape[1], dtype=np.int64)), dtype=np.int64)


def mask_of(columns: tuple[int, ...]) -> int:
    """The bit mask of some conditions."""
    return sum(1 << c for c in columns)


def patterns_of(codes: Ints, mask: int) -> tuple[Ints, Ints]:
    """What states look like to findings that respond only to the conditions in `mask`.

    Returns the distinct patterns, ascending (patterns,), and the pattern's place for each state (states,).
    """
    patterns, place = np.unique(codes & mask, return_inverse=True)
    return patterns, np.asarray(place, dtype=np.int64)
