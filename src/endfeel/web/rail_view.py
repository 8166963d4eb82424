"""Conditions on one log-odds axis: lens, disc, ring and zones as positions in per cent of the rail's width.

Public: Tick, Zone, Rail, TICKS, rail, place.

The axis runs from 1 in 250 to 249 in 250 on the log-odds scale; what lies beyond is drawn at its end. The lens is the
range of the chance, the disc the chance, the ring where it stood before the last finding. The zones follow from the
costs of the condition's care group; where other conditions share that care, the notch shows the chance of the group,
which is what the advice rests on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from endfeel.planning.costs import Thresholds
from endfeel.pooling.summary import Interval
from endfeel.web import words

_END = math.log(249.0)


@dataclass(frozen=True)
class Tick:
    """A place on the axis: in per cent, and in words."""

    x: float
    words: str


@dataclass(frozen=True)
class Zone:
    """One bracket below a rail: where the advice is the same. here: the chance that decides lies in it."""

    from_x: float
    to_x: float
    mid: float
    words: str
    here: bool


@dataclass(frozen=True)
class Rail:
    """One condition: in words first, then where things are drawn (per cent of the width)."""

    id: str
    name: str
    chance: str
    range: str
    mean: float
    low_chance: float
    high_chance: float
    at: float
    low: float
    width: float
    before: float | None
    notch: float | None
    zones: tuple[Zone, ...]
    said: str
    href: str


def place(p: float) -> float:
    """Where a chance lies on the axis, in per cent of its width (0 to 100)."""
    if p <= 0:
        return 0.0
    if p >= 1:
        return 100.0
    odds = math.log(p / (1 - p))
    return round(100 * min(1.0, max(0.0, (odds + _END) / (2 * _END))), 2)


TICKS = tuple(
    Tick(place(p), said)
    for p, said in (
        (0.01, ""), (0.05, "1 in 20"), (0.2, "1 in 5"), (0.5, "even"), (0.8, "4 in 5"), (0.95, "19 in 20"), (0.99, ""),
    )
)  # fmt: skip


def rail(
    condition: str,
    name: str,
    now: Interval,
    before: float | None,
    group_chance: float,
    thresholds: Thresholds,
    href: str,
) -> Rail:
    """One rail. before: the chance before the last finding; None where nothing was recorded."""
    at, low, high = place(now.mean), place(now.low), place(now.high)
    ring = None if before is None or abs(place(before) - at) < 0.4 else place(before)
    shared = abs(_log_odds(group_chance) - _log_odds(now.mean)) > 0.2
    zones = _zones(thresholds, group_chance)
    zone = _zone_name(thresholds, group_chance)
    said = f"{name}: {words.chance_line(now.mean, now.low, now.high)}, in the zone “{zone}”"
    if shared:
        said += f"; with others of the same care {words.chance(group_chance)}"
    return Rail(
        id=condition,
        name=name,
        chance=words.chance(now.mean),
        range=_range(now),
        mean=now.mean,
        low_chance=now.low,
        high_chance=now.high,
        at=at,
        low=min(low, at),
        width=round(max(high, at) - min(low, at), 2),
        before=ring,
        notch=place(group_chance) if shared else None,
        zones=zones,
        said=said,
        href=href,
    )


def _range(now: Interval) -> str:
    """The range in words; nothing where both ends are said with the same word."""
    said = words.chance_range(now.low, now.high, now.mean)
    return said if " to " in said else ""


def _zone_name(thresholds: Thresholds, chance: float) -> str:
    if chance < thresholds.low:
        return "set aside"
    return "look further" if chance <= thresholds.high and thresholds.low < thresholds.high else "start care"


def _zones(thresholds: Thresholds, chance: float) -> tuple[Zone, ...]:
    ends = [("set aside", 0.0, place(thresholds.low))]
    if thresholds.low < thresholds.high:
        ends.append(("look further", place(thresholds.low), place(thresholds.high)))
    ends.append(("start care", place(thresholds.high), 100.0))
    now = _zone_name(thresholds, chance)
    out = []
    for said, start, end in ends:
        if end - start < 1.5:
            continue
        here = said == now
        fits = end - start >= 19 or here
        out.append(Zone(start + 0.5, end - 0.5, round((start + end) / 2, 2), said if fits else "", here))
    return tuple(out)


def _log_odds(p: float) -> float:
    clipped = min(1 - 1e-9, max(1e-9, p))
    return math.log(clipped / (1 - clipped))
