"""What must hold between catalogue entries, and between the catalogue and the evidence tables."""

from __future__ import annotations

from collections.abc import Iterable

from endfeel.catalogue.entries import Finding, HandsOn, HistoryItem, LookFurther
from endfeel.catalogue.regions import Catalogue, RegionCatalogue
from endfeel.catalogue.screens import Shown
from endfeel.evidence.base import EvidenceBase

MOST_STATES_CONDITIONS = 12
KNOWN_OF_THE_PERSON = frozenset({"age", "sex", "days_since_injury", "trauma"})


def incoherent(catalogue: Catalogue, evidence: EvidenceBase) -> list[str]:
    """Every fault that only shows when entries are seen together, one line each."""
    faults: list[str] = []
    for region in catalogue.regions.values():
        faults += _conditions(region, catalogue, evidence)
        if not faults:
            for finding in region.findings.values():
                faults += _finding(finding, region, catalogue)
        faults += [*_grades(region, evidence), *_covers(region, evidence), *_circles(region)]
    for screen in catalogue.screens.values():
        place = f"screens.toml [{screen.id}]"
        if screen.precaution and screen.precaution not in catalogue.precautions:
            faults.append(f"{place}: no precaution {screen.precaution!r}")
        faults += [f"{place}: no region {r!r}" for r in screen.regions if r not in catalogue.regions]
        regions = [catalogue.regions[r] for r in screen.regions if r in catalogue.regions]
        known = {name for region in regions for name in region.findings}
        for item in screen.item:
            strange = [f for f in item.fed_by if f.split(":")[0] not in known]
            faults += [f"{place} {item.id}: fed_by {f!r} is no finding of its regions" for f in strange]
            faults += [f"{place} {item.id}: {fault}" for m in item.shown_by for fault in _shown(m, regions, catalogue)]
    return faults


def _shown(mark: Shown, regions: list[RegionCatalogue], catalogue: Catalogue) -> list[str]:
    if mark.person:
        precaution = catalogue.precautions.get(mark.person)
        return [] if precaution and precaution.asked else [f"shown_by {mark.person!r} is no precaution that is asked"]
    items = [item for region in regions if (item := region.item(mark.item)) is not None]
    if not items and mark.item not in {n.id for region in regions for n in region.neighbours}:
        return [f"shown_by {mark.item!r} is no base item or neighbour of its regions"]
    faults = []
    if mark.at_most is not None and not any(item.measure for item in items):
        faults.append(f"shown_by {mark.item!r}: at_most, but the item is not measured")
    if mark.feels and not any(item.limits for item in items):
        faults.append(f"shown_by {mark.item!r}: feels, but the item has no end feel (limits = true)")
    if mark.sides == "both" and not any(item.sides for item in items):
        faults.append(f"shown_by {mark.item!r}: both sides, but the item is not looked at side by side")
    return faults


def _item_ids(region: RegionCatalogue) -> tuple[str, ...]:
    return tuple(item.id for card in region.cards for item in card.item)


def _conditions(region: RegionCatalogue, catalogue: Catalogue, evidence: EvidenceBase) -> list[str]:
    faults = []
    for c in region.conditions.values():
        place = f"{region.region}/conditions.toml [{c.id}]"
        if c.care_group not in region.care:
            faults.append(f"{place}: no care group {c.care_group!r} in care.toml")
        faults += [f"{place}: kind_of {b!r} is no condition here" for b in c.kind_of if b not in region.conditions]
    nones = [c.id for c in region.conditions.values() if c.none]
    if len(nones) != 1:
        faults.append(f"{region.region}/conditions.toml: needs exactly one entry with none = true, has {len(nones)}")
    for group in region.care.values():
        if group.modality and group.modality not in catalogue.modalities:
            faults.append(f"{region.region}/care.toml [{group.id}]: no modality {group.modality!r}")
    if faults:
        return faults
    states = region.states_conditions
    if not 1 <= len(states) <= MOST_STATES_CONDITIONS:
        faults.append(f"{region.region}/conditions.toml: {len(states)} states, at most {MOST_STATES_CONDITIONS}")
    for identifier in states:
        if not region.conditions[identifier].assumed_chance:
            faults.append(f"{region.region}/conditions.toml [{identifier}]: a state needs assumed_chance")
    return faults


def _finding(finding: Finding, region: RegionCatalogue, catalogue: Catalogue) -> list[str]:
    place = f"{region.region} [{finding.id}]"
    faults = [f"{place}: targets {t!r} is no condition here" for t in finding.targets if t not in region.conditions]
    for name, reading in finding.readings.items():
        strange = [part for part in reading.any_of if part not in finding.readings]
        faults += [f"{place}: reading {name!r} is any_of {part!r}, which is none" for part in strange]
    if isinstance(finding, LookFurther) and finding.modality not in catalogue.modalities:
        faults.append(f"{place}: no modality {finding.modality!r}")
    if not isinstance(finding, HandsOn):
        return faults
    faults += [f"{place}: never_if {p!r} is no precaution" for p in finding.never_if if p not in catalogue.precautions]
    if catalogue.screens:
        asked = {s.id for s in catalogue.screens.values() if region.region in s.regions}
        known = {*region.findings, *_item_ids(region), *(n.id for n in region.neighbours), *asked}
        faults += [f"{place}: first {f!r} can't be met in this region's visit" for f in finding.first if f not in known]
    related = (*finding.relatives.same_load, *finding.relatives.lighter, *finding.relatives.stronger)
    faults += [f"{place}: relative {r!r} is no finding here" for r in related if r not in region.findings]
    allowed = finding.observation_names() | set(region.findings)
    for rule_of in tuple(finding.readings) or ("",):
        rule = finding.rule(rule_of or None)
        if rule is None:
            if not finding.readings[rule_of].any_of:
                faults.append(f"{place}: reading {rule_of!r} has no result")
            continue
        for _, expression in rule.expressions():
            strange = sorted(expression.names - allowed)
            faults += [f"{place}: {expression.text!r} uses {name!r}, which is not observed" for name in strange]
    return faults


def _circles(region: RegionCatalogue) -> list[str]:
    """Findings that wait for each other, so that none of them could ever be first."""
    waits = {f.id: [o for o in getattr(f, "first", ()) if o in region.findings] for f in region.findings.values()}
    while free := [name for name, others in waits.items() if not set(others) & waits.keys()]:
        for name in free:
            del waits[name]
    told = "first goes round in a circle"
    return [f"{region.region} [{name}]: {told} ({', '.join(others)})" for name, others in waits.items()]


def _grades(region: RegionCatalogue, evidence: EvidenceBase) -> list[str]:
    """Findings that grade one sign: two or more, each at its own level, alike in loads, targets and in being asked."""
    loads = {row.finding_id: row.loads for row in evidence.findings_of(region.region)}
    signs: dict[str, list[Finding]] = {}
    for finding in region.findings.values():
        if finding.grade is not None:
            signs.setdefault(finding.grade.sign, []).append(finding)
    faults = []
    for sign, members in signs.items():
        place = f"{region.region} grade {sign!r} ({', '.join(f.id for f in members)})"
        levels = {f.grade.level for f in members if f.grade is not None}
        if len(members) < 2 or len(levels) < len(members):
            faults.append(f"{place}: needs two findings or more, each at a level of its own")
        if len({loads.get(f.id) for f in members}) > 1:
            faults.append(f"{place}: the findings load different structures, so they are not one sign")
        if len({f.targets for f in members}) > 1:
            faults.append(f"{place}: the findings have different targets, so one does not stand for the other")
        if len({isinstance(f, HistoryItem) and f.derived is not None for f in members}) > 1:
            faults.append(f"{place}: some follow from what is known of the person and some are asked")
    return faults


def _covers(region: RegionCatalogue, evidence: EvidenceBase) -> list[str]:
    faults = []
    findings = {f.finding_id for f in evidence.findings_of(region.region)}
    for missing in sorted(findings - set(region.findings)):
        faults.append(f"{region.region}: finding {missing!r} of the tables has no entry")
    for stray in sorted(set(region.findings) - findings):
        faults.append(f"{region.region} [{stray}]: is not in findings.csv")
    for observable, condition in evidence.pairs(region.region):
        if condition not in region.conditions:
            faults.append(f"{region.region}: condition {condition!r} of the tables has no entry")
        finding_id, _, part = observable.partition(":")
        if part and finding_id in region.findings and part not in region.findings[finding_id].readings:
            faults.append(f"{region.region} [{finding_id}]: reading {part!r} of the tables is missing")
    return _once(faults)


def _once(lines: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(lines))
