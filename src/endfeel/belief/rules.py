"""Validated decision rules as findings of their own.

A rule "at least n of these findings" counts as validated where it was read in people other than those it was made on (a
line says so, or two studies print the same set with the same cut-off) and counted in a hundred people or more. "All of
them" is a point on a curve, no rule; what was only resampled on its own people is not validated; and what was counted
in few says less than its items do. Once the findings recorded settle a rule, the rule and not its items is the
evidence: its joint accuracy was counted, while that of the items together is inferred.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endfeel.catalogue.regions import RegionCatalogue
from endfeel.evidence.base import EvidenceBase
from endfeel.evidence.rows import CombinationRow
from endfeel.pooling.edition import Edition

Floats = NDArray[np.float64]

FEWEST_FINDINGS = 3
FEWEST_PEOPLE = 100
# Ours: before any study, a rule's logit sensitivity and specificity lie about 0, standard deviation 2.
VAGUE = 2.0


@dataclass(frozen=True)
class Rule:
    """A validated rule. counts: (tp, fp, fn, tn) of each study that can be counted; people: in all of these."""

    observable: str
    name: str
    condition: str
    findings: tuple[str, ...]
    at_least: int
    counts: tuple[tuple[float, float, float, float], ...]
    studies: tuple[str, ...]

    @property
    def people(self) -> float:
        """People in the studies that can be counted."""
        return sum(sum(line) for line in self.counts)

    def settled(self, decided: Mapping[str, bool]) -> bool | None:
        """Positive, negative, or None while it is open. decided: results by observable; a finding with several readings
        is positive where one of them is, negative where all recorded ones are."""
        found: dict[str, bool] = {}
        for observable, positive in decided.items():
            identifier = observable.split(":")[0]
            if identifier in self.findings:
                found[identifier] = found.get(identifier, False) or positive
        positives = sum(found.values())
        if positives >= self.at_least:
            return True
        return False if positives + len(self.findings) - len(found) < self.at_least else None

    def has(self, observable: str) -> bool:
        """Whether an observable is one of its items."""
        return observable.split(":")[0] in self.findings


def validated_rules(evidence: EvidenceBase, catalogue: RegionCatalogue) -> tuple[Rule, ...]:
    """The validated rules of a region that tell of a condition with a chance, those counted in most people first."""
    sets: dict[tuple[str, tuple[str, ...], int], list[CombinationRow]] = {}
    for row in evidence.combinations:
        told = row.region == catalogue.region and row.condition_id in catalogue.conditions
        if told and row.at_least and catalogue.parts(row.condition_id):
            sets.setdefault((row.condition_id, row.finding_ids, row.at_least), []).append(row)
    listed = {row.finding_id: row.name for row in evidence.findings_of(catalogue.region)}
    rules = []
    for (condition, findings, at_least), rows in sets.items():
        if len(findings) < FEWEST_FINDINGS or not 1 <= at_least < len(findings) or not set(findings) <= set(listed):
            continue
        elsewhere = [row for row in rows if not _own_people(row)]
        told_apart = {row.study_id for row in elsewhere if _both_rates(row)}
        if len(told_apart) < 2 and not any(_validation(row) for row in elsewhere):
            continue
        by_study = {row.study_id: found for row in elsewhere if (found := _counts(evidence, row)) is not None}
        if sum(sum(counts) for counts in by_study.values()) >= FEWEST_PEOPLE:
            names = ", ".join(listed[f] for f in findings)
            identifier = zlib.crc32(";".join((condition, *findings)).encode())
            rules.append(
                Rule(
                    f"rule:{at_least}-of-{len(findings)}-{condition}-{identifier:08x}",
                    f"At least {at_least} of {len(findings)}: {names}",
                    condition, findings, at_least, tuple(by_study.values()), tuple(by_study),
                )
            )
    return tuple(sorted(rules, key=lambda rule: (-rule.people, rule.observable)))


def rule_draws(rule: Rule, edition: Edition) -> Floats:
    """Draws (D, 2) of the rule's logit sensitivity and specificity in an average clinic.

    Normal approximation of each study's counts (1/2 added to each), spread between studies as the edition has it for
    single findings, prior N(0, 2²).
    """
    counts = np.array(rule.counts) + 0.5
    tp, fp, fn, tn = counts.T
    logit = np.stack([np.log(tp / fn), np.log(tn / fp)], axis=-1)
    within = np.stack([1 / tp + 1 / fn, 1 / tn + 1 / fp], axis=-1)
    between = edition.sigma_study + edition.sigma_rest
    precision = np.broadcast_to(np.eye(2) / VAGUE**2, (edition.draws, 2, 2)).copy()
    weighted = np.zeros((edition.draws, 2))
    for value, variance in zip(logit, within, strict=True):
        inverse = np.linalg.inv(between + np.diag(variance))
        precision += inverse
        weighted += inverse @ value
    covariance = np.linalg.inv(precision)
    noise = np.random.default_rng(zlib.crc32(rule.observable.encode())).standard_normal((edition.draws, 2, 1))
    mean = (covariance @ weighted[..., None])[..., 0]
    return np.asarray(mean + (np.linalg.cholesky(covariance) @ noise)[..., 0])


def with_rules(decided: Mapping[str, bool], rules: tuple[Rule, ...]) -> dict[str, bool]:
    """Results with each settled rule in place of its items; of rules that share a finding the first is used."""
    evidence = dict(decided)
    used: set[str] = set()
    for rule in rules:
        if used & set(rule.findings):
            continue
        result = rule.settled(decided)
        if result is None:
            continue
        used |= set(rule.findings)
        evidence = {o: r for o, r in evidence.items() if not rule.has(o)}
        evidence[rule.observable] = result
    return evidence


def _own_people(row: CombinationRow) -> bool:
    words = row.rule.lower()
    return any(word in words for word in ("derivation", "derived", "development", "bootstrap"))


def _validation(row: CombinationRow) -> bool:
    return "validation" in row.rule.lower() or "validation" in row.study_id


def _both_rates(row: CombinationRow) -> bool:
    counted = None not in (row.tp, row.fp, row.fn, row.tn)
    return counted or (row.sens_printed is not None and row.spec_printed is not None)


def _counts(evidence: EvidenceBase, row: CombinationRow) -> tuple[float, float, float, float] | None:
    if row.tp is not None and row.fp is not None and row.fn is not None and row.tn is not None:
        return float(row.tp), float(row.fp), float(row.fn), float(row.tn)
    people = row.with_condition or next(
        (
            (p.n_with, p.n_total) for p in evidence.prevalence
            if (p.study_id, p.condition_id) == (row.study_id, row.condition_id)
        ),
        None,
    )
    if people is None or row.sens_printed is None or row.spec_printed is None:
        return None
    present, absent = people[0], people[1] - people[0]
    tp, tn = float(np.rint(row.sens_printed * present)), float(np.rint(row.spec_printed * absent))
    return tp, absent - tn, present - tp, tn
