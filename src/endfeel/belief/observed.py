"""Which observables of a region mean anything for its states, and by which pairs: studied ones and assumed ones.

A pair is studied where the edition holds it. Where the catalogue names a target that no pair of the finding reaches,
what the model predicts for a new pair of that kind stands in, and is marked as an assumption. A finding moves no other
condition.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endfeel.belief.controls import Controls, healthy_controls
from endfeel.belief.fit import ResponsePlan, plan_response
from endfeel.belief.grouping import Grouping, coarse_parts, exclusives, grades, group_of_finding
from endfeel.belief.rules import Rule, rule_draws, validated_rules
from endfeel.catalogue.entries import Finding
from endfeel.catalogue.regions import RegionCatalogue
from endfeel.evidence.base import EvidenceBase
from endfeel.evidence.rows import AccuracyRow, FindingRow, StudyRow
from endfeel.pooling.edition import Edition

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Pair:
    """One pair of a finding: the condition it was studied or assumed for, its columns, its draws (D, 2) in logits."""

    condition: str
    parts: tuple[int, ...]
    draws: Floats
    assumed: bool


@dataclass(frozen=True)
class Observed:
    """One observable: what it is and is called, which group it shares, which conditions it responds to, its pairs.

    group: index into the region's groups. coarse_of: finer readings whose coarse form it is. grades: all grades of its
    sign, mild first. rule: set where it is a validated rule, which is worked out from its findings and not recorded.
    exclusives: all readings of which only one can hold, this one among them. controls: healthy people examined for it.
    """

    observable: str
    name: str
    finding_id: str
    kind: str
    group: int
    plan: ResponsePlan
    pairs: tuple[Pair, ...]
    coarse_of: tuple[str, ...]
    grades: tuple[str, ...]
    rule: Rule | None = None
    exclusives: tuple[str, ...] = ()
    controls: Controls | None = None


def observed_of(
    evidence: EvidenceBase, edition: Edition, catalogue: RegionCatalogue
) -> tuple[tuple[Observed, ...], tuple[Grouping, ...]]:
    """The observables of a region with at least one pair, studied ones first, validated rules last; their groups."""
    column = {c: i for i, c in enumerate(catalogue.states_conditions)}
    studied = _studied(evidence, edition, catalogue)
    lines = _lines(evidence, edition, catalogue)
    groups: list[Grouping] = []
    observed: list[Observed] = []
    for observable in _ids(studied, evidence, catalogue):
        row = evidence.finding(observable, catalogue.region)
        entry = catalogue.findings.get(row.finding_id)
        pairs = [
            Pair(c, _columns(catalogue, column, c), edition.pair(observable, c), assumed=False)
            for c in studied.get(observable, ())
        ]
        pairs += _assumed(pairs, edition, catalogue, observable, row, entry, studied, column)
        if not pairs:
            continue
        grouping = group_of_finding(row, entry)
        if grouping not in groups:
            groups.append(grouping)
        observed.append(
            Observed(
                observable, catalogue.observable_name(observable, row.name), row.finding_id, row.kind,
                groups.index(grouping),
                plan_response(tuple(p.parts for p in pairs)), tuple(pairs),
                coarse_parts(observable, entry), grades(observable, entry, catalogue.findings.values()), None,
                exclusives(observable, entry),
                healthy_controls(lines.get(observable, ())),
            )
        )
    for rule in validated_rules(evidence, catalogue):
        grouping = _group_of_rule(rule, evidence, catalogue)
        if grouping not in groups:
            groups.append(grouping)
        parts = _columns(catalogue, column, rule.condition)
        pair = Pair(rule.condition, parts, rule_draws(rule, edition), assumed=False)
        plan = plan_response((parts,))
        observed.append(
            Observed(rule.observable, rule.name, "", "rule", groups.index(grouping), plan, (pair,), (), (), rule)
        )
    return tuple(observed), tuple(groups)


def _group_of_rule(rule: Rule, evidence: EvidenceBase, catalogue: RegionCatalogue) -> Grouping:
    """The group of its findings where they share one, else its own."""
    items = {
        group_of_finding(evidence.finding(f, catalogue.region), catalogue.findings.get(f)) for f in rule.findings
    }
    return items.pop() if len(items) == 1 else Grouping(f"only {rule.observable}", "", True)


def _studied(
    evidence: EvidenceBase, edition: Edition, catalogue: RegionCatalogue
) -> dict[str, tuple[str, ...]]:
    found: dict[str, list[str]] = {}
    for observable, condition in evidence.pairs(catalogue.region):
        if (observable, condition) in edition.pair_index and catalogue.parts(condition):
            found.setdefault(observable, []).append(condition)
    return {observable: tuple(conditions) for observable, conditions in found.items()}


def _lines(
    evidence: EvidenceBase, edition: Edition, catalogue: RegionCatalogue
) -> dict[str, list[tuple[AccuracyRow, StudyRow | None]]]:
    """The region's accuracy lines that the edition used, each with its study, by observable."""
    found: dict[str, list[tuple[AccuracyRow, StudyRow | None]]] = {}
    for row in evidence.accuracy:
        left_out = {(row.study_id, row.observable_id), (row.study_id, row.finding_id)} & edition.left_out
        if row.region == catalogue.region and not left_out:
            found.setdefault(row.observable_id, []).append((row, evidence.studies.get(row.study_id)))
    return found


def _ids(
    studied: dict[str, tuple[str, ...]], evidence: EvidenceBase, catalogue: RegionCatalogue
) -> tuple[str, ...]:
    listed = {row.finding_id for row in evidence.findings_of(catalogue.region)}
    named = [o for entry in catalogue.findings.values() if entry.id in listed for o in entry.observables()]
    return tuple(dict.fromkeys([*studied, *named]))


def _columns(catalogue: RegionCatalogue, column: dict[str, int], condition: str) -> tuple[int, ...]:
    return tuple(sorted(column[part] for part in catalogue.parts(condition)))


def _assumed(
    pairs: list[Pair],
    edition: Edition,
    catalogue: RegionCatalogue,
    observable: str,
    row: FindingRow,
    entry: Finding | None,
    studied: dict[str, tuple[str, ...]],
    column: dict[str, int],
) -> list[Pair]:
    """New pairs for targets that neither this observable nor, where it is one reading of several, a sister reaches."""
    if entry is None or row.kind not in edition.kinds:
        return []
    sisters = [o for o in entry.observables() if o != observable] if len(entry.readings) > 1 else []
    reached = {c for p in pairs for c in p.parts}
    for sister in sisters:
        reached |= {c for condition in studied.get(sister, ()) for c in _columns(catalogue, column, condition)}
    found = []
    for target in entry.targets:
        parts = _columns(catalogue, column, target)
        if not parts or reached & set(parts):
            continue
        rng = np.random.default_rng(zlib.crc32(f"{observable} {target}".encode()))
        found.append(Pair(target, parts, edition.new_pair(row.kind, target, rng), assumed=True))
    return found
