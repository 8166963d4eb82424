"""Which findings share what: structure groups, grades of one sign, readings that exclude each other, coarse and fine
readings.

A finding belongs to the group of the structure that its row names first. A finding that loads none is its own group;
so is a scan or a laboratory test, and what follows from age or sex, none of which an irritable patient changes (r = 0).
Findings that load none and grade one sign share a group of that sign.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from endfeel.catalogue.entries import Finding, HistoryItem
from endfeel.evidence.rows import FindingRow

NO_LOAD = "none"
UNMOVED_KINDS = frozenset({"imaging", "laboratory"})


@dataclass(frozen=True)
class Grouping:
    """The group of a finding: its name, the structure in words (empty where it is on its own), whether it is shared."""

    name: str
    structure: str
    dependent: bool


def group_of_finding(row: FindingRow, entry: Finding | None) -> Grouping:
    """The group that a finding falls into by the rule at the top of this file."""
    loads = [load for load in row.loads if load != NO_LOAD]
    if row.kind in UNMOVED_KINDS:
        return Grouping(f"only {row.finding_id}", "", False)
    own = f"only {row.finding_id}" if entry is None or entry.grade is None else f"only {entry.grade.sign}"
    if isinstance(entry, HistoryItem) and entry.derived is not None:
        return Grouping(own, "", False)
    if not loads:
        return Grouping(own, "", True)
    return Grouping(loads[0], loads[0], True)


def coarse_parts(observable: str, entry: Finding | None) -> tuple[str, ...]:
    """The finer observables whose coarse form this one is; empty where it is none.

    Once one of them is recorded, the coarse form is no further evidence.
    """
    if entry is None or not entry.readings:
        return ()
    identifier, _, part = observable.partition(":")
    if not part:
        return entry.observables()
    reading = entry.readings.get(part)
    return tuple(f"{identifier}:{fine}" for fine in reading.any_of) if reading else ()


def grades(observable: str, entry: Finding | None, findings: Iterable[Finding] = ()) -> tuple[str, ...]:
    """The observables that are grades of one sign with this one, mild first; empty where it is no grade.

    findings: all of the region, among which a finding that is a grade has its fellows.
    """
    if entry is None:
        return ()
    if entry.grade is not None:
        levels = {f.id: f.grade.level for f in findings if f.grade is not None and f.grade.sign == entry.grade.sign}
        return tuple(sorted(levels, key=lambda identifier: levels[identifier]))
    identifier, _, part = observable.partition(":")
    levels = {p: r.level for p, r in entry.readings.items() if r.level is not None}
    if part not in levels:
        return ()
    return tuple(f"{identifier}:{p}" for p in sorted(levels, key=lambda p: (levels[p] or 0, p)))


def exclusives(observable: str, entry: Finding | None) -> tuple[str, ...]:
    """The observables of which only one can hold, with this one, in the catalogue's order; empty where it is free."""
    if entry is None:
        return ()
    identifier, _, part = observable.partition(":")
    reading = entry.readings.get(part)
    if reading is None or not reading.excludes:
        return ()
    return tuple(f"{identifier}:{p}" for p in entry.readings if p == part or p in reading.excludes)
