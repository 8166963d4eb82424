"""Names of what a record refers to by id, as a reader knows them; an id that is gone is shown as words."""

from __future__ import annotations

from dataclasses import dataclass

from endfeel.catalogue import Catalogue, RegionCatalogue
from endfeel.catalogue.conditions import Condition
from endfeel.catalogue.entries import Finding, HandsOn
from endfeel.documents.wording import name_of_id
from endfeel.evidence import EvidenceBase
from endfeel.evidence.rows import FindingRow


@dataclass(frozen=True)
class Names:
    """Looks things up for one region."""

    catalogue: Catalogue
    evidence: EvidenceBase
    region_id: str

    @property
    def region(self) -> RegionCatalogue | None:
        """The region's catalogue, if there is one."""
        return self.catalogue.regions.get(self.region_id)

    def row(self, observable: str) -> FindingRow | None:
        """The line of findings.csv."""
        return self.evidence.findings.get((self.region_id, observable.split(":")[0]))

    def entry(self, observable: str) -> Finding | None:
        """How the finding is done."""
        return self.region.findings.get(observable.split(":")[0]) if self.region else None

    def finding(self, observable: str) -> str:
        """The finding's name, without its reading."""
        row = self.row(observable)
        return row.name if row else name_of_id(observable.split(":")[0])

    def observable(self, observable: str) -> str:
        """The finding's name, with its reading where it has several."""
        grade = self.grade(observable)
        return f"{self.finding(observable)}, {grade}" if grade else self.finding(observable)

    def grade(self, observable: str) -> str:
        """The words of the reading; empty where the finding is read in one way only."""
        part = observable.partition(":")[2]
        entry = self.entry(observable)
        reading = entry.readings.get(part) if entry else None
        return reading.words if reading else name_of_id(part)

    def observation(self, observable: str, name: str) -> str:
        """What an observation asked, "travel" or "fear, free"."""
        entry = self.entry(observable)
        identifier, _, position = name.partition(".")
        if isinstance(entry, HandsOn):
            asked = next((o for o in entry.observe if o.id == identifier), None)
            place = next((p for p in entry.positions if p.id == position), None)
            words = asked.ask.rstrip("?") if asked and asked.ask else name_of_id(identifier)
            return f"{words}, {place.name or name_of_id(place.id)}" if place else words
        return name_of_id(name.replace(".", ", "))

    def unit(self, observable: str, name: str) -> str:
        """The unit of an observation; empty where it has none."""
        entry = self.entry(observable)
        if not isinstance(entry, HandsOn):
            return ""
        asked = next((o for o in entry.observe if o.id == name.partition(".")[0]), None)
        return "" if asked is None else asked.unit or ("of 10" if asked.scale == "0-10" else "")

    def condition_entry(self, condition: str) -> Condition | None:
        """The condition, if the region has it."""
        return self.region.conditions.get(condition) if self.region else None

    def condition(self, condition: str) -> str:
        """A condition's name in the trade's words."""
        entry = self.condition_entry(condition)
        return entry.name if entry else name_of_id(condition)

    def care(self, care_group: str | None) -> str:
        """A care group's name; empty for none."""
        if care_group is None:
            return ""
        entry = self.region.care.get(care_group) if self.region else None
        return entry.name if entry else name_of_id(care_group)

    def base_item(self, item_id: str) -> str:
        """The name of an item of the base examination or of a neighbour."""
        if self.region:
            item = self.region.item(item_id)
            if item is not None:
                return item.name
            for neighbour in self.region.neighbours:
                if neighbour.id == item_id:
                    return neighbour.name
        return name_of_id(item_id)

    def recorded(self, name: str) -> str:
        """The name of a finding, of an item of the base examination, or of something said of the person."""
        if self.row(name):
            return self.observable(name)
        return self.precaution(name) if name in self.catalogue.precautions else self.base_item(name)

    def precaution(self, precaution: str) -> str:
        """A precaution's name."""
        entry = self.catalogue.precautions.get(precaution)
        return entry.name if entry else name_of_id(precaution)

    def screen(self, screen_id: str | None) -> str:
        """A safety screen's name; empty for none."""
        if screen_id is None:
            return ""
        entry = self.catalogue.screens.get(screen_id)
        return entry.name if entry else name_of_id(screen_id)

    def screen_item(self, screen_id: str, item_id: str) -> str:
        """What a screen's item asks or looks for."""
        entry = self.catalogue.screens.get(screen_id)
        item = next((i for i in entry.item if i.id == item_id), None) if entry else None
        return (item.ask or item.look) if item else name_of_id(item_id)

    def modality(self, modality: str | None) -> str:
        """A way of looking further; empty for none."""
        if modality is None:
            return ""
        entry = self.catalogue.modalities.get(modality)
        return entry.name if entry else name_of_id(modality)
