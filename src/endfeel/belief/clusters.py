"""Published combinations that tell how far findings repeat each other.

A combination qualifies where its rule is plainly "at least n of the findings named" and either every single finding
stands in the tables from the same study (and the same people), or one cohort prints several cut-offs of the same set.
Single accuracies of other studies are never put in: they differ for other reasons, and that would pass for dependence.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import xlog1py, xlogy

from endfeel.belief.grouping import group_of_finding
from endfeel.evidence.base import EvidenceBase
from endfeel.evidence.rows import AccuracyRow, CombinationRow, RatesRow
from endfeel.pooling.splits import PrintedRates, possible_splits

Floats = NDArray[np.float64]

# Tests that a rule counts once for each side while the tables have one line for both.
COUNTED_TWICE: Mapping[str, str] = {"ref-laslett-2005": "gaenslen-test"}


@dataclass(frozen=True)
class Counts:
    """One class of people (with or without the condition) under one way of splitting the study.

    weight: of this split. cells (cuts + 1,): people by number of positive findings, from below the lowest cut to at or
    above the highest. singles (findings, 2): positive and all, per finding; None where they are not all printed.
    """

    weight: float
    cells: Floats
    singles: Floats | None


@dataclass(frozen=True)
class Cluster:
    """One set of findings read together in one study.

    groups: each finding's structure group. cuts: ascending. classes: counts without and with the condition, () where
    none. derived: the rule was made on the same people, so its figures flatter it.
    """

    study_id: str
    region: str
    condition: str
    findings: tuple[str, ...]
    groups: tuple[str, ...]
    cuts: tuple[int, ...]
    classes: tuple[tuple[Counts, ...], tuple[Counts, ...]]
    derived: bool

    @property
    def key(self) -> str:
        """The structure group, where all findings share one; else the study's own name."""
        return self.groups[0] if len(set(self.groups)) == 1 else f"{self.study_id} {self.condition}"


def qualifying_clusters(evidence: EvidenceBase) -> tuple[Cluster, ...]:
    """The combinations of the tables that qualify, by the rule at the top of this file."""
    sets: dict[tuple[str, str, str, tuple[str, ...]], list[CombinationRow]] = {}
    for row in evidence.combinations:
        plain = row.at_least is not None and len(row.finding_ids) > 1 and row.at_least >= 1
        if plain and (row.tp is not None or row.sens_printed is not None or row.spec_printed is not None):
            sets.setdefault((row.region, row.study_id, row.condition_id, row.finding_ids), []).append(row)
    found = []
    for (region, study, condition, findings), rows in sets.items():
        cluster = _cluster(evidence, region, study, condition, findings, rows)
        if cluster is not None:
            found.append(cluster)
    return tuple(found)


def _cluster(
    evidence: EvidenceBase,
    region: str,
    study: str,
    condition: str,
    findings: tuple[str, ...],
    rows: list[CombinationRow],
) -> Cluster | None:
    lines = {f: _line(evidence, study, f, condition) for f in findings}
    singles = None if any(line is None for line in lines.values()) else [line for line in lines.values() if line]
    first: dict[int, CombinationRow] = {}
    for row in rows:
        first.setdefault(row.at_least or 0, row)
    cuts = tuple(sorted(first))
    listed = list(findings)
    if study in COUNTED_TWICE and COUNTED_TWICE[study] in findings:
        twice = findings.index(COUNTED_TWICE[study])
        listed.insert(twice, findings[twice])
        if singles:
            singles.insert(twice, singles[twice])
    if any(_said_of(row) not in (None, len(listed)) for row in first.values()) or cuts[-1] > len(listed):
        return None
    if singles is None and len(cuts) < 2:
        return None
    splits = _splits(evidence, study, condition, list(first.values()), singles)
    classes = tuple(
        tuple(c for c in (_counts(split, list(first.values()), cuts, singles, s) for split in splits) if c is not None)
        for s in (0, 1)
    )
    if not classes[0] and not classes[1]:
        return None
    groups = tuple(group_of_finding(evidence.finding(f, region), None).name for f in listed)
    derived = any(re.search(r"derivation|derived", row.rule) for row in rows)
    return Cluster(study, region, condition, tuple(listed), groups, cuts, (classes[0], classes[1]), derived)


def _line(evidence: EvidenceBase, study: str, finding: str, condition: str) -> AccuracyRow | RatesRow | None:
    lines: Iterable[AccuracyRow | RatesRow] = (*evidence.accuracy, *evidence.rates)
    found = [r for r in lines if (r.study_id, r.observable_id, r.condition_id) == (study, finding, condition)]
    return found[0] if len(found) == 1 else None


def _said_of(row: CombinationRow) -> int | None:
    """The N of "at least n of N" in the rule's words; None where it says none."""
    found = re.search(r"\b\d+ of (\d+)\b", row.rule)
    return int(found[1]) if found else None


@dataclass(frozen=True)
class _Split:
    weight: float
    with_condition: int
    without: int


def _splits(
    evidence: EvidenceBase,
    study: str,
    condition: str,
    rows: list[CombinationRow],
    singles: list[AccuracyRow | RatesRow] | None,
) -> list[_Split]:
    """How many people had the condition and how many not: printed, or every split that the printed rates allow."""
    for row in rows:
        if None not in (row.tp, row.fn, row.fp, row.tn):
            return [_Split(1.0, (row.tp or 0) + (row.fn or 0), (row.fp or 0) + (row.tn or 0))]
    counted = [line for line in singles or () if isinstance(line, AccuracyRow)]
    if counted:
        return [_Split(1.0, max(line.diseased for line in counted), max(line.healthy for line in counted))]
    for row in rows:
        if row.with_condition:
            return [_Split(1.0, row.with_condition[0], row.with_condition[1] - row.with_condition[0])]
    for prevalence in evidence.prevalence:
        if (prevalence.study_id, prevalence.condition_id) == (study, condition):
            return [_Split(1.0, prevalence.n_with, prevalence.n_total - prevalence.n_with)]
    same = [r for r in evidence.rates if (r.study_id, r.condition_id) == (study, condition)]
    rates = [PrintedRates(r.sens_printed, r.spec_printed, r.n_total, r.prevalence_printed) for r in same]
    allowed = possible_splits(rates) if rates else None
    if allowed is None:
        return []
    se = np.array([r.sensitivity for r in rates])[:, None]
    sp = np.array([r.specificity for r in rates])[:, None]
    log = allowed.log_weight + (
        xlogy(allowed.tp, se) + xlog1py(allowed.n1 - allowed.tp, -se)
        + xlogy(allowed.tn, sp) + xlog1py(allowed.n0 - allowed.tn, -sp)
    ).sum(axis=0)
    weights = np.exp(log - log.max())
    weights /= weights.sum()
    return [
        _Split(float(w), int(n1), int(n0))
        for w, n1, n0 in zip(weights, allowed.n1, allowed.n0, strict=True)
        if w > 1e-4
    ]


def _counts(
    split: _Split,
    rows: list[CombinationRow],
    cuts: tuple[int, ...],
    singles: list[AccuracyRow | RatesRow] | None,
    s: int,
) -> Counts | None:
    people = split.with_condition if s else split.without
    by_cut = {row.at_least: row for row in rows}
    reached: list[float] = []
    for cut in cuts:
        row = by_cut[cut]
        count, rate = (row.tp, row.sens_printed) if s else (row.fp, _false_positive(row.spec_printed))
        if count is None and rate is None:
            return None
        reached.append(float(count) if count is not None else float(np.rint((rate or 0.0) * people)))
    cells = np.array([float(people), *reached]) - np.array([*reached, 0.0])
    if (cells < 0).any():
        return None
    if singles is None:
        return Counts(split.weight, cells, None)
    return Counts(split.weight, cells, np.array([_single(line, people, s) for line in singles]))


def _false_positive(specificity: float | None) -> float | None:
    return None if specificity is None else 1.0 - specificity


def _single(line: AccuracyRow | RatesRow, people: int, s: int) -> tuple[float, float]:
    if isinstance(line, AccuracyRow):
        return (float(line.tp), float(line.diseased)) if s else (float(line.fp), float(line.healthy))
    rate = line.sens_printed if s else 1.0 - line.spec_printed
    return float(np.rint(rate * people)), float(people)
