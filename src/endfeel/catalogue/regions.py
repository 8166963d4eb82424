"""The catalogue as one frozen value: regions, precautions, screens, modalities."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from endfeel.catalogue.base_examination import Card, CardItem, Neighbour
from endfeel.catalogue.conditions import CareGroup, Condition, Modality, Precaution
from endfeel.catalogue.entries import Finding
from endfeel.catalogue.screens import Screen


@dataclass(frozen=True)
class RegionCatalogue:
    """One region: findings, conditions, care groups by id; neighbours and cards in order; drawings by finding id."""

    region: str
    findings: Mapping[str, Finding]
    conditions: Mapping[str, Condition]
    care: Mapping[str, CareGroup]
    neighbours: tuple[Neighbour, ...]
    cards: tuple[Card, ...]
    drawings: Mapping[str, Mapping[str, Any]]

    @cached_property
    def none_id(self) -> str:
        """The id of "no specific structure" here."""
        return next(c.id for c in self.conditions.values() if c.none)

    @cached_property
    def states_conditions(self) -> tuple[str, ...]:
        """The finest conditions, of which states are made: on the rail or its detail, no sign, no union, not none."""
        unions = {broader for c in self.conditions.values() if self._may_be_state(c) for broader in c.kind_of}
        return tuple(c.id for c in self.conditions.values() if self._may_be_state(c) and c.id not in unions)

    def parts(self, condition: str) -> tuple[str, ...]:
        """The finest conditions of which a condition is the union; itself where it is finest; empty where it is none.

        A detail that is no state of its own (a sub-level under a state) has no parts.
        """
        if condition in self.states_conditions:
            return (condition,)
        found = [
            part
            for c in self.conditions.values()
            if condition in c.kind_of
            for part in self.parts(c.id)
        ]
        return tuple(dict.fromkeys(found))

    def item(self, item_id: str) -> CardItem | None:
        """A base examination item by id."""
        return next((i for card in self.cards for i in card.item if i.id == item_id), None)

    def observable_name(self, observable: str, finding_name: str) -> str:
        """What a person reads for an observable: the finding's name, with the reading's words where it has readings."""
        identifier, _, part = observable.partition(":")
        finding = self.findings.get(identifier)
        reading = finding.readings.get(part) if finding else None
        return f"{finding_name}, {reading.words}" if reading else finding_name

    @staticmethod
    def _may_be_state(condition: Condition) -> bool:
        return condition.rail != "never" and condition.claim != "sign" and not condition.none


@dataclass(frozen=True)
class Catalogue:
    """All regions, and what they share."""

    regions: Mapping[str, RegionCatalogue]
    precautions: Mapping[str, Precaution]
    screens: Mapping[str, Screen]
    modalities: Mapping[str, Modality]

    def region(self, region: str) -> RegionCatalogue:
        """A region by id; KeyError in one clear line where there is none."""
        if region not in self.regions:
            raise KeyError(f"no region {region!r}; there are {', '.join(self.regions)}")
        return self.regions[region]

    def left_out(self) -> frozenset[tuple[str, str]]:
        """(study_id, finding_id) of rows that do not describe the test as it is done in clinic."""
        return frozenset(
            (study, finding.id)
            for region in self.regions.values()
            for finding in region.findings.values()
            for study in finding.studied_as.left_out
        )
