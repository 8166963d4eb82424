"""The starting chances as this clinic sets them, for each region by setting, onset and age.

Public: ClinicChances, ChancesSet, ChanceChange, AGES, section_of, ages_of, own_chances, set_id, patient_id.

Only the clinic's own values are kept, with who set them and when, under one setting of the store that only ever grows.
A section holds the people of one setting and onset, of all ages or of one age band; a band's values go before those of
all ages. What a moment's values were can be had again (`set_by`), and equal values have an equal id (`set_id`).
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, get_args

from endfeel.belief.context import SETTINGS, Onset
from endfeel.catalogue import Catalogue
from endfeel.storage import SettingChanged, Store
from endfeel.web.refused import Refused

KEY = "starting-chances"
LOOK_AGAIN = 1.0
"""Seconds after which another program's change to the store is noticed."""

AGES: Mapping[str, tuple[int, int]] = MappingProxyType(
    {
        "16-29": (16, 29),
        "30-39": (30, 39),
        "40-49": (40, 49),
        "50-59": (50, 59),
        "60-69": (60, 69),
        "70-79": (70, 79),
        "80-130": (80, 130),
    }
)
"""Age bands in whole years, both ends inside."""

ALL_AGES = "all"
ONSETS: tuple[Onset, ...] = get_args(Onset)

ChancesSet = Mapping[str, Mapping[str, float]]
"""A clinic's own values of one region: section ("primary/injury/all") to condition id to chance; none is empty."""


@dataclass(frozen=True)
class ChanceChange:
    """One time that a section was kept: all values that it then held. set_id: of all the region's sections after it."""

    number: int
    at: dt.datetime
    by: str
    section: str
    values: Mapping[str, float]
    set_id: str


class ClinicChances:
    """A clinic's own starting chances over a store. Safe to use from several threads."""

    def __init__(self, store: Store, catalogue: Catalogue) -> None:
        self._store = store
        self._catalogue = catalogue
        self._lock = threading.RLock()
        self._held: dict[str, Any] = {}
        self._seen: object = None
        self._looked = -LOOK_AGAIN

    def of(self, region: str) -> ChancesSet:
        """The clinic's own values of a region as they stand."""
        return _folded(self._changes(region), None)

    def set_now(self) -> Mapping[str, ChancesSet]:
        """The same of every region that has any."""
        return self._in_use(None)

    def set_by(self, moment: dt.datetime) -> Mapping[str, ChancesSet]:
        """The same as they stood at a moment (aware)."""
        return self._in_use(moment)

    def number(self, region: str) -> int:
        """How often a section of the region was kept."""
        return len(self._changes(region))

    def history(self, region: str) -> tuple[ChanceChange, ...]:
        """Every time a section was kept, the earliest first."""
        return tuple(
            ChanceChange(
                n, dt.datetime.fromisoformat(c["at"]), str(c["by"]), str(c["section"]), dict(c["values"]), str(c["set"])
            )
            for n, c in enumerate(self._changes(region), 1)
        )

    def trouble(self, region: str) -> str:
        """Which values are left aside, since the catalogue has no such condition any more; empty where none is."""
        known = _known(self._catalogue, region)
        gone = sorted({c for values in self.of(region).values() for c in values} - known)
        return f"Left aside, since there is no such condition any more: {', '.join(gone)}." if gone else ""

    def set(
        self, region: str, section: str, values: Mapping[str, float], by: str, seen: int | None = None
    ) -> ChancesSet:
        """Keep a section whole: what is left out has no value of the clinic's any more.

        Refused(400) where a value is no chance that findings can move, or for no condition of the region; Refused(409)
        where the region's values were kept by another since `seen`. Whether the values can stand together is not asked
        here (chances_fit.py).
        """
        _check(self._catalogue, region, section, values)
        with self._lock:
            self._looked = -LOOK_AGAIN
            changes = self._changes(region)
            if seen is not None and seen != len(changes):
                raise Refused(409, "The starting chances were changed meanwhile; load the page again and repeat it.")
            before = _folded(changes, None)
            if dict(before.get(section, {})) == dict(values):
                return before
            entry = {"at": dt.datetime.now(dt.UTC).isoformat(), "by": by, "section": section, "values": dict(values)}
            after = _folded([*changes, entry], None)
            kept = [*changes, {**entry, "set": set_id(after)}]
            try:
                self._store.change_setting(KEY, self._seen, {**self._held, region: kept})
            except SettingChanged:
                raise Refused(
                    409,
                    "The starting chances were changed meanwhile, perhaps by another server; load the page and repeat "
                    "it.",
                ) from None
            finally:
                self._looked = -LOOK_AGAIN
            return after

    def _in_use(self, moment: dt.datetime | None) -> Mapping[str, ChancesSet]:
        found = {region: _folded(self._changes(region), moment) for region in self._catalogue.regions}
        return {region: own for region, own in found.items() if own}

    def _changes(self, region: str) -> list[dict[str, Any]]:
        with self._lock:
            if time.monotonic() - self._looked >= LOOK_AGAIN:
                held = self._store.setting(KEY)
                self._seen, self._held = held, held if isinstance(held, dict) else {}
                self._looked = time.monotonic()
            found = self._held.get(region, [])
            return list(found) if isinstance(found, list) else []


def section_of(setting: str, onset: str, ages: str = ALL_AGES) -> str:
    """The section of some people. ages: one of AGES, or "all"."""
    return f"{setting}/{onset}/{ages}"


def ages_of(age: int | None) -> str | None:
    """The band of an age in years; None where it is not known or under all bands."""
    return next((band for band, (low, high) in AGES.items() if age is not None and low <= age <= high), None)


def own_chances(held: ChancesSet, setting: str, onset: str, age: int | None) -> dict[str, float]:
    """A clinic's values for one patient, by condition: those of all ages, and over them those of the age's band."""
    found = dict(held.get(section_of(setting, onset), {}))
    band = ages_of(age)
    return found | dict(held.get(section_of(setting, onset, band), {})) if band else found


def set_id(held: ChancesSet) -> str:
    """SHA-256 over the content of a region's values; empty where there are none."""
    full = {section: dict(values) for section, values in held.items() if values}
    return hashlib.sha256(json.dumps(full, sort_keys=True).encode()).hexdigest() if full else ""


def patient_id(own: Mapping[str, float]) -> str:
    """The same over the values of one patient (`own_chances`)."""
    return set_id({"patient": own})


def _folded(changes: list[dict[str, Any]], moment: dt.datetime | None) -> ChancesSet:
    held: dict[str, dict[str, float]] = {}
    for change in changes:
        if moment is None or dt.datetime.fromisoformat(change["at"]) <= moment:
            held[str(change["section"])] = {str(c): float(v) for c, v in change["values"].items()}
    return {section: values for section, values in sorted(held.items()) if values}


def _known(catalogue: Catalogue, region: str) -> set[str]:
    entries = catalogue.region(region)
    return {c for c in entries.conditions if entries.parts(c)} | {entries.none_id}


def _check(catalogue: Catalogue, region: str, section: str, values: Mapping[str, float]) -> None:
    setting, _, rest = section.partition("/")
    onset, _, ages = rest.partition("/")
    if setting not in SETTINGS or onset not in ONSETS or ages not in (ALL_AGES, *AGES):
        raise Refused(400, f"There are no people “{section[:60]}”; choose setting, onset and ages from the lists.")
    for condition, chance in values.items():
        if condition not in _known(catalogue, region):
            raise Refused(404, f"There is no chance of “{condition[:60]}” in this region.")
        if not 0 < chance < 1:
            name = catalogue.region(region).conditions[condition].name
            raise Refused(
                400, f"{name}: {chance:g} leaves nothing for a finding to move; give a chance above 0 and below 1."
            )
