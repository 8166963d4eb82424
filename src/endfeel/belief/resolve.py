"""From what a person names to an observable: a bare finding id stands for its only reading."""

from __future__ import annotations

from collections.abc import Iterable

from endfeel.belief.refusal import BeliefError


def resolve_observable(name: str, observables: Iterable[str], studied_for: Iterable[str] = ()) -> str:
    """The observable that `name` stands for: itself, else the finding's only reading.

    studied_for: readings to prefer where a finding has several (those studied for the condition in question).
    BeliefError where there is none, or several.
    """
    known = tuple(observables)
    if name in known:
        return name
    readings = [o for o in known if o.split(":")[0] == name]
    preferred = [o for o in studied_for if o.split(":")[0] == name]
    for candidates in (readings, preferred):
        if len(candidates) == 1:
            return candidates[0]
    if readings:
        raise BeliefError(f"{name} has several readings; give one of {', '.join(preferred or readings)}")
    raise BeliefError(f"{name}: no such finding here; see the region's list of findings")
