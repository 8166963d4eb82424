"""Whether a clinic's starting chances can stand together, and in one line how to mend it where they can not.

Public: misfit, STANDS, per_cent.

The prior scales what can not stand together (belief/prior.py). A clinic that sets a value wants that value, so a table
of which some value would be scaled is not kept.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from endfeel.belief.model import RegionModel
from endfeel.belief.states import AT_MOST
from endfeel.catalogue.regions import RegionCatalogue

STANDS = 0.02
"""How far, as a share of it, a value may be from what it starts at; at least 0.002. Ours."""

_EDGE = 0.97  # belief/prior.py keeps so much off the edge of what is possible


def misfit(region: RegionCatalogue, model: RegionModel, own: Mapping[str, float]) -> str | None:
    """Why a clinic's own values would not be what a patient starts at, and how to mend it; None where they would.

    model: the region's with these values in its context.
    """
    p = np.exp(model.log_prior)
    starts = {c: float(p[model.membership[c]].sum()) for c in own if c in model.membership}
    off = {c: abs(starts[c] - own[c]) / max(own[c], 1e-9) for c in starts if abs(starts[c] - own[c]) > _allowed(own[c])}
    if not off:
        return None
    worst = max(off, key=off.__getitem__)
    return _why(region, model, own, worst, starts[worst])


def per_cent(value: float) -> str:
    """A chance in three figures: "12 %", "0.5 %", "97.5 %"."""
    return f"{100 * value:.3g} %"


def _allowed(value: float) -> float:
    return max(0.002, STANDS * value)


def _why(region: RegionCatalogue, model: RegionModel, own: Mapping[str, float], worst: str, start: float) -> str:
    name, none = region.conditions[worst].name, own.get(model.none_id)
    if worst in model.unions:
        return (
            f"{name} at {per_cent(own[worst])} does not follow from its kinds, which come to {per_cent(start)} "
            "together: leave it empty, or change its kinds"
        )
    finest = {c: own[c] for c in own if c in model.conditions}
    total = sum(finest.values())
    if none is not None:
        room = 1 - none
        high = max(finest, key=finest.__getitem__, default=None)
        if high is not None and finest[high] > _EDGE * room:
            other = 1 - finest[high] / _EDGE
            return (
                f"{region.conditions[high].name} at {per_cent(finest[high])} and no specific structure at "
                f"{per_cent(none)} do not fit together: lower the first to at most {_down(_EDGE * room)}"
                + (f", or the second to at most {_down(other)}" if other >= 0.001 else "")
            )
        if len(finest) == len(model.conditions) and total < room:
            return (
                f"The conditions add up to {per_cent(total)}, but {per_cent(room)} of people have one, since no "
                f"specific structure is at {per_cent(none)}: raise some, or raise that to at least "
                f"{_up(1 - _EDGE * total)}"
            )
    held = model.starting[model.none_id].chance if none is None else none
    most = AT_MOST * (1 - held) * _EDGE
    if total > most:
        whose = "" if none is not None else " (ours)"
        other = 1 - total / (AT_MOST * _EDGE)
        return (
            f"The conditions add up to {per_cent(total)}, but no more than three stand together, so beside no specific "
            f"structure at {per_cent(held)}{whose} they can add up to at most {_down(most)}: lower some by "
            f"{_up(total - most)} in all" + (f", or set that to at most {_down(other)}" if other >= 0.001 else "")
        )
    notes = f" ({'; '.join(model.prior_notes)})" if model.prior_notes else ""
    return (
        f"{name} can not start at {per_cent(own[worst])} beside the others, it would start at {per_cent(start)}{notes}"
        ": change it or one of the others"
    )


def _down(value: float) -> str:
    """At most so much, to a tenth of a per cent: a limit that is said has to hold."""
    return f"{math.floor(1000 * value + 1e-9) / 10:g} %"


def _up(value: float) -> str:
    """At least so much."""
    return f"{math.ceil(1000 * value - 1e-9) / 10:g} %"
