"""Readings of which only one can hold: a scan shows a tendon torn through or partly torn, never both.

With margins p_k(S) = Φ(η_kS) of the readings k of one set,

    P(any of them | S) = min(Σ_k p_k, MOST)         P(k | S, t) = P(any | S, t) · p_k / Σ_k p_k

P(any | S, t) depends on what the group shares as a single finding's would (nodes.py), so over t each reading keeps its
margin, the readings and "none of them" add up to one at every t, and no order among the readings is assumed. Where
margins from different studies add up to more than MOST they can not all hold: all are scaled by one factor, and that is
reported.

Recorded: one positive makes the others impossible. Negatives leave 1 - Σ p_k over those asked. Two positives
contradict each other; what then is known is that one of them holds, and the surprise of the explanation says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from endfeel.belief.nodes import positive_given_t
from endfeel.belief.probit import to_probit

Floats = NDArray[np.float64]

# Ours: however sure the margins look, none of the readings is seen in one of a thousand, so no result is impossible.
MOST = 0.999


@dataclass(frozen=True)
class Crowded:
    """Readings that exclude each other and whose studied rates add up to more than one in people with `conditions`.

    total: that sum; each rate was divided by total / MOST so that they fit.
    """

    observables: tuple[str, ...]
    conditions: tuple[str, ...]
    total: float


def scaled_margins(eta: Floats) -> tuple[Floats, Floats]:
    """From η (readings, ...) of one set: margins that fit beside each other, same shape, and the sum before (...)."""
    margins = ndtr(eta)
    total = margins.sum(axis=0)
    return np.asarray(margins * np.minimum(1.0, MOST / np.maximum(total, MOST))), np.asarray(total)


def reading_given_t(eta: Floats, place: int, r: Floats) -> Floats:
    """P(reading `place` | t), (..., nodes), from η (readings, ...) of its set and r (...)."""
    margins, _ = scaled_margins(eta)
    any_of_them = margins.sum(axis=0)
    share = margins[place] / np.maximum(any_of_them, 1e-300)
    return np.asarray(positive_given_t(to_probit(any_of_them), r) * share[..., None])


def exclusive_cell(probability: Sequence[Floats], results: Sequence[bool]) -> Floats:
    """P of the results of readings of one set, from each one's probability; the rule at the top of this file."""
    positive = [p for p, result in zip(probability, results, strict=True) if result]
    if positive:
        return np.asarray(sum(positive[1:], positive[0]))
    return np.asarray(np.maximum(1.0 - sum(probability[1:], probability[0]), 0.0))
