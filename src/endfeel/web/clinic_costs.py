"""The costs as this clinic sets them: the shipped table of each region with the clinic's own figures over it.

Public: ClinicCosts, CostChange, cost_values, with_values.

Only figures that differ from the shipped ones are kept, with who set them and when. A figure that no longer fits (a
care group that a later version does not know) is left aside and named.
"""

from __future__ import annotations

import datetime as dt
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from endfeel.catalogue import Catalogue
from endfeel.planning.costs import CostError, Costs, change, default_costs
from endfeel.storage import SettingChanged, Store
from endfeel.web.refused import Refused

KEY = "costs"
GRADES = ("mild", "moderate", "strong")
LOOK_AGAIN = 1.0


@dataclass(frozen=True)
class CostChange:
    """One time that the table of a region was kept: the figures that differ from the shipped ones, by name."""

    number: int
    at: dt.datetime
    by: str
    values: Mapping[str, float]


class ClinicCosts:
    """Cost tables over a store. Safe to use from several threads."""

    def __init__(self, store: Store, catalogue: Catalogue, shipped: Mapping[str, Costs] | None = None) -> None:
        """shipped: the tables under the clinic's figures, by region; those that Endfeel ships where left out."""
        self._store = store
        self._catalogue = catalogue
        self._shipped = shipped
        self._lock = threading.RLock()
        self._held: dict[str, Any] = {}
        self._seen: object = None
        self._made: dict[tuple[str, int], tuple[Costs, str]] = {}
        self._looked = -LOOK_AGAIN

    def of(self, region: str) -> Costs:
        """The table of a region as the clinic set it."""
        return self._table(region)[0]

    def trouble(self, region: str) -> str:
        """Why the clinic's figures are not used, in one line; empty where they are."""
        return self._table(region)[1]

    def shipped(self, region: str) -> Costs:
        """The table that Endfeel ships."""
        if self._shipped is not None and region in self._shipped:
            return self._shipped[region]
        return default_costs(self._catalogue.region(region), self._catalogue.modalities)

    def set_now(self) -> Mapping[str, Mapping[str, float]]:
        """The clinic's own figures that are in use, by region and name; regions as shipped are not in it."""
        return self._in_use(None)

    def set_by(self, moment: dt.datetime) -> Mapping[str, Mapping[str, float]]:
        """The same as they stood at a moment (aware)."""
        return self._in_use(moment)

    def _in_use(self, moment: dt.datetime | None) -> Mapping[str, Mapping[str, float]]:
        found = {}
        for region in self._catalogue.regions:
            changes = [
                c for c in self._changes(region) if moment is None or dt.datetime.fromisoformat(c["at"]) <= moment
            ]
            if not changes:
                continue
            shipped = cost_values(self.shipped(region))
            made = cost_values(self._make(region, changes)[0])
            if made != shipped:
                found[region] = {name: value for name, value in made.items() if value != shipped[name]}
        return found

    def number(self, region: str) -> int:
        """How often the region's table was kept: two moments with the same number have the same table."""
        return len(self._changes(region))

    def history(self, region: str) -> tuple[CostChange, ...]:
        """Every time the table was kept, the earliest first."""
        return tuple(
            CostChange(n, dt.datetime.fromisoformat(item["at"]), str(item["by"]), dict(item["values"]))
            for n, item in enumerate(self._changes(region), 1)
        )

    def set(self, region: str, values: Mapping[str, float], by: str, seen: int | None = None) -> Costs:
        """Keep a region's table. CostError where it can not be used, Refused(409) where it was kept by another since.

        values: figures by the names of `cost_values`; what is left out stays as shipped.
        """
        with self._lock:
            self._looked = -LOOK_AGAIN
            changes = self._changes(region)
            if seen is not None and seen != len(changes):
                raise Refused(409, "The costs were changed meanwhile; load the page again and repeat it.")
            shipped = self.shipped(region)
            made = with_values(shipped, values)
            usual = cost_values(shipped)
            kept = {name: value for name, value in values.items() if value != usual[name]}
            entry = {"at": dt.datetime.now(dt.UTC).isoformat(), "by": by, "values": kept}
            try:
                self._store.change_setting(KEY, self._seen, {**self._held, region: [*changes, entry]})
            except SettingChanged:
                raise Refused(
                    409, "The costs were changed meanwhile, perhaps by another server; load the page and repeat it."
                ) from None
            finally:
                self._looked = -LOOK_AGAIN
            return made

    def _changes(self, region: str) -> list[dict[str, Any]]:
        with self._lock:
            if time.monotonic() - self._looked >= LOOK_AGAIN:
                held = self._store.setting(KEY)
                self._seen, self._held = held, held if isinstance(held, dict) else {}
                self._looked = time.monotonic()
            found = self._held.get(region, [])
            return list(found) if isinstance(found, list) else []

    def _table(self, region: str) -> tuple[Costs, str]:
        changes = self._changes(region)
        key = (region, len(changes))
        if key not in self._made:
            self._made[key] = self._make(region, changes)
        return self._made[key]

    def _make(self, region: str, changes: list[dict[str, Any]]) -> tuple[Costs, str]:
        shipped = self.shipped(region)
        if not changes:
            return shipped, ""
        usual = cost_values(shipped)
        held = changes[-1]["values"]
        strange = sorted(set(held) - set(usual))
        try:
            made = with_values(shipped, {name: float(v) for name, v in held.items() if name in usual})
        except CostError as error:
            return shipped, f"Your figures are not used, the shipped ones are: {error}."
        return made, f"Left aside, since there is no such entry any more: {', '.join(strange)}." if strange else ""


def cost_values(costs: Costs) -> dict[str, float]:
    """Every figure that can be edited, by name: “miss meniscus”, “wrong meniscus”, “scan mri”, “minute” and so on."""
    return {
        **{f"miss {group}": value for group, value in costs.harm_of_a_miss.items()},
        **{f"wrong {group}": value for group, value in costs.harm_of_wrong_care.items()},
        **{f"scan {modality}": value for modality, value in costs.modality_cost.items()},
        "minute": costs.minute,
        "reposition": costs.reposition,
        "repeat": costs.repeat,
        **{f"provocation {grade}": costs.provocation[n] for n, grade in enumerate(GRADES, 1)},
    }


def with_values(costs: Costs, values: Mapping[str, float]) -> Costs:
    """A table with some figures changed, by the names of `cost_values`. CostError where they can not be used."""
    unknown = sorted(set(values) - set(cost_values(costs)))
    if unknown:
        raise CostError(f"there is no cost {unknown[0][:80]!r}")
    grades = [values.get(f"provocation {grade}", costs.provocation[n]) for n, grade in enumerate(GRADES, 1)]
    if not 0 <= grades[0] <= grades[1] <= grades[2] < float("inf"):
        said = ", ".join(f"{grade:g}" for grade in grades)
        raise CostError(f"provocation: {said} must rise from mild to strong, none below 0")
    made = change(
        costs,
        harm_of_a_miss=_named(values, "miss "),
        harm_of_wrong_care=_named(values, "wrong "),
        modality_cost=_named(values, "scan "),
        minute=values.get("minute"),
        reposition=values.get("reposition"),
        repeat=values.get("repeat"),
    )
    return replace(made, provocation=(0.0, grades[0], grades[1], grades[2]))


def _named(values: Mapping[str, float], begin: str) -> dict[str, float]:
    return {name.removeprefix(begin): value for name, value in values.items() if name.startswith(begin)}
