"""Costs and harms in one table, in one unit, and the thresholds that follow from them.

Unit: 1 = one routine imaging referral. Every figure is our stated assumption until a clinic sets its own.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

from endfeel.catalogue import RegionCatalogue
from endfeel.catalogue.conditions import Modality

Irritability = Literal["low", "moderate", "high"]
TABLE = Path(__file__).parent / "data" / "costs.toml"
# Of a scan's cost: what it must save a care group for us to say that we look further for its sake. A group that gains
# less is answered too, and the loss counts that; named is what would be done for it without the scan.
REAL = 0.25


class CostError(ValueError):
    """A cost that can not be used; one line says which and why."""


@dataclass(frozen=True)
class Thresholds:
    """Chances between which looking further is the cheapest: set aside below low, start care above high.

    low == high where no middle zone exists (nothing to look further with).
    """

    low: float
    high: float


@dataclass(frozen=True)
class Costs:
    """The table for one region.

    harm_of_a_miss, harm_of_wrong_care: by care group. modality: care group -> modality id ("" for none).
    modality_cost: by modality. provocation: cost by grade 0 to 3 at moderate irritability. repeat: the share of its
    minutes and provocation that a further reading of a manoeuvre done before costs. together: finding id -> name of
    the manoeuvre, for findings that are read in one with others.
    """

    harm_of_a_miss: Mapping[str, float]
    harm_of_wrong_care: Mapping[str, float]
    modality: Mapping[str, str]
    modality_cost: Mapping[str, float]
    minute: float
    reposition: float
    repeat: float
    provocation: tuple[float, float, float, float]
    irritability: Mapping[str, float]
    provocation_budget: Mapping[str, float]
    together: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

    def thresholds(self, care_group: str, *, paid: bool = False) -> Thresholds:
        """Where the advice for a care group changes (Pauker & Kassirer, N Engl J Med 1980;302:1109-1117).

        Setting aside costs m p, care a (1 - p), looking further L: below L/m set aside, above 1 - L/a start care.
        paid: where its way of looking further is paid for, as by several doubts together, so that looking costs this
        group nothing more; it is advised where it saves REAL of its price. Without a middle zone no scan answers it.
        """
        m, a = self.harm_of_a_miss[care_group], self.harm_of_wrong_care[care_group]
        look = self.modality_cost.get(self.modality[care_group])
        if look is None or look >= m * a / (m + a):
            even = a / (m + a)
            return Thresholds(even, even)
        if paid:
            look *= REAL
        return Thresholds(look / m, 1 - look / a)

    def manoeuvre(self, finding_id: str) -> str:
        """What is done to read a finding: two findings with the same one are read in the same movement."""
        return self.together.get(finding_id, finding_id)

    def burden(self, minutes: float, provocation: int, moves: bool, irritability: str, share: float = 1.0) -> float:
        """What a finding costs: minutes, provocation weighted by irritability, moving the patient.

        share: of its minutes and provocation, `repeat` for a further reading of the same manoeuvre.
        """
        brought_on = self.provocation[provocation] * self.irritability[irritability]
        return share * (self.minute * minutes + brought_on) + self.reposition * moves


def default_costs(
    region: RegionCatalogue, modalities: Mapping[str, Modality], kept: Mapping[str, Any] | None = None
) -> Costs:
    """The shipped table for a region: harms from its care groups, the rest from costs.toml.

    kept: the costs.toml of an earlier release, as TOML reads it; an entry that it did not have yet is the shipped one.
    """
    with TABLE.open("rb") as handle:
        table = {**tomllib.load(handle), **(kept or {})}
    grades = table["provocation"]
    return _checked(
        Costs(
            harm_of_a_miss=MappingProxyType({g.id: g.harm_of_a_miss for g in region.care.values()}),
            harm_of_wrong_care=MappingProxyType({g.id: g.harm_of_wrong_care for g in region.care.values()}),
            modality=MappingProxyType({g.id: g.modality for g in region.care.values()}),
            modality_cost=MappingProxyType({m.id: m.cost for m in modalities.values()}),
            minute=float(table["minute"]),
            reposition=float(table["reposition"]),
            repeat=float(table["repeat"]),
            provocation=(0.0, float(grades["mild"]), float(grades["moderate"]), float(grades["strong"])),
            irritability=MappingProxyType(dict(table["irritability"])),
            provocation_budget=MappingProxyType(dict(table["provocation_budget"])),
            together=MappingProxyType(_together(table["together"].get(region.region, ()), region)),
        )
    )


def change(
    costs: Costs,
    *,
    harm_of_a_miss: Mapping[str, float] | None = None,
    harm_of_wrong_care: Mapping[str, float] | None = None,
    modality_cost: Mapping[str, float] | None = None,
    minute: float | None = None,
    reposition: float | None = None,
    repeat: float | None = None,
) -> Costs:
    """The table with some entries changed.

    CostError where an entry is unknown or no positive number, or where a care group that had a middle zone
    ("look further") would lose it: L must stay below m a / (m + a).
    """
    for given, known, what in (
        (harm_of_a_miss, costs.harm_of_a_miss, "care group"),
        (harm_of_wrong_care, costs.harm_of_wrong_care, "care group"),
        (modality_cost, costs.modality_cost, "way of looking further"),
    ):
        unknown = sorted(set(given or {}) - set(known))
        if unknown:
            raise CostError(f"no {what} {unknown[0]!r}; there are {', '.join(sorted(known))}")
    changed = _checked(
        replace(
            costs,
            harm_of_a_miss=MappingProxyType({**costs.harm_of_a_miss, **(harm_of_a_miss or {})}),
            harm_of_wrong_care=MappingProxyType({**costs.harm_of_wrong_care, **(harm_of_wrong_care or {})}),
            modality_cost=MappingProxyType({**costs.modality_cost, **(modality_cost or {})}),
            minute=costs.minute if minute is None else minute,
            reposition=costs.reposition if reposition is None else reposition,
            repeat=costs.repeat if repeat is None else repeat,
        )
    )
    for group in changed.harm_of_a_miss:
        before, after = costs.thresholds(group), changed.thresholds(group)
        if before.low < before.high and after.low >= after.high:
            m, a = changed.harm_of_a_miss[group], changed.harm_of_wrong_care[group]
            look = changed.modality_cost[changed.modality[group]]
            raise CostError(
                f"{group}: looking further at {look:g} would never be the cheapest, it must cost less than "
                f"{m * a / (m + a):.2f} (harm of a miss {m:g}, of wrong care {a:g}); lower its cost or raise a harm"
            )
    return changed


def _together(groups: Iterable[Iterable[str]], region: RegionCatalogue) -> dict[str, str]:
    """Finding id -> manoeuvre, which goes by its first finding; CostError where the catalogue knows no such finding."""
    found: dict[str, str] = {}
    for group in groups:
        first, *others = group
        for finding_id in (first, *others):
            if finding_id not in region.findings or finding_id in found:
                raise CostError(f"{TABLE.name} [together] {region.region}: {finding_id!r} is unknown or stands twice")
            found[finding_id] = first
    return found


def _checked(costs: Costs) -> Costs:
    entries = {
        **{f"harm of a miss, {g}": v for g, v in costs.harm_of_a_miss.items()},
        **{f"harm of wrong care, {g}": v for g, v in costs.harm_of_wrong_care.items()},
        **{f"cost of {m}": v for m, v in costs.modality_cost.items()},
    }
    for name, value in entries.items():
        if not math.isfinite(value) or value <= 0:
            raise CostError(f"{name}: {value!r} is no positive number")
    for name, value in {"a minute": costs.minute, "moving the patient": costs.reposition}.items():
        if not math.isfinite(value) or value < 0:
            raise CostError(f"cost of {name}: {value!r} is neither zero nor a positive number")
    if not 0 <= costs.repeat <= 1:
        raise CostError(f"a further reading: {costs.repeat!r} is no share from 0 to 1")
    return costs
