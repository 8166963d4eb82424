"""The evidence: what each finding of a region is worth, and the studies behind one pair.

Public: RegionsPage, EvidencePage, PairPage, regions_page, evidence_page, pair_page.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from endfeel.evidence.rows import AccuracyRow, RatesRow
from endfeel.pooling.summary import Interval, PooledAccuracy
from endfeel.web import words
from endfeel.web.desk import Desk
from endfeel.web.refused import Refused

# Mean likelihood ratios from which a result does something: the customary 5 and 1/5 (Jaeschke, Guyatt & Sackett 1994).
RULES_IN, RULES_OUT = 5.0, 0.2
CAN = (("both", "Rules in and out"), ("in", "Rules in"), ("out", "Rules out"), ("neither", "Neither by itself"))
_BASIS = {
    "counts": "printed counts",
    "derived": "derived counts",
    "solved": "solved from rates",
    "approx": "approximate",
}
_KINDS = {
    "paper-table": "a table of the paper",
    "paper-text": "the paper's text",
    "abstract": "the abstract",
    "review-table": "a review's table",
}


@dataclass(frozen=True)
class RegionLine:
    """One region and how much was read for it."""

    id: str
    name: str
    studies: int
    pairs: int
    findings: int


@dataclass(frozen=True)
class RegionsPage:
    """All regions."""

    regions: tuple[RegionLine, ...]
    edition: str
    fingerprint: str


@dataclass(frozen=True)
class PairLine:
    """One finding for one condition: what it can do."""

    observable: str
    name: str
    condition_id: str
    condition: str
    positive: str
    negative: str
    positive_mean: float
    negative_mean: float
    k: int
    n: int
    can: str
    href: str


@dataclass(frozen=True)
class CanGroup:
    """Pairs that can do the same."""

    id: str
    words: str
    pairs: tuple[PairLine, ...]


@dataclass(frozen=True)
class EvidencePage:
    """A region's pairs by what they can do. can, condition: the filter that is set."""

    region: str
    name: str
    groups: tuple[CanGroup, ...]
    conditions: tuple[tuple[str, str], ...]
    condition: str
    shown: int
    total: int


@dataclass(frozen=True)
class Bar:
    """An interval on a 0 to 1 axis, in per cent of its width."""

    at: float
    low: float
    width: float
    words: str


@dataclass(frozen=True)
class StudyLine:
    """One published line: who, how many, what came out, how it was done, and where it was read."""

    study_id: str
    citation: str
    design: tuple[str, ...]
    counts: str
    sensitivity: Bar | None
    specificity: Bar | None
    criterion: str
    basis: str
    read: str
    url: str
    left_out: str | None


@dataclass(frozen=True)
class PairPage:
    """What is known of one finding for one condition."""

    region: str
    region_name: str
    observable: str
    name: str
    condition: str
    condition_name: str
    sentence: str
    k: int
    n: int
    pooled_sensitivity: Bar
    pooled_specificity: Bar
    clinic_sensitivity: Bar
    clinic_specificity: Bar
    positive: str
    negative: str
    studies: tuple[StudyLine, ...]
    edition: str


def regions_page(desk: Desk) -> RegionsPage:
    """How much was read for each region."""
    lines = []
    for region in desk.catalogue.regions:
        pairs = desk.evidence.pairs(region)
        studies = {r.study_id for r in (*desk.evidence.accuracy, *desk.evidence.rates) if r.region == region}
        findings = len(desk.evidence.findings_of(region))
        lines.append(RegionLine(region, words.region(region), len(studies), len(pairs), findings))
    return RegionsPage(tuple(lines), desk.edition.id, desk.evidence.fingerprint[:12])


def evidence_page(desk: Desk, region: str, condition: str, query: str) -> EvidencePage:
    """The pairs of a region, the most telling first; Refused(404) where there is no such region."""
    _check_region(desk, region)
    every = desk.kept.once(("pairs", region), lambda: _pairs(desk, region))
    wanted = query.casefold().split()
    shown = [p for p in every if condition in ("", p.condition_id) and all(w in p.name.casefold() for w in wanted)]
    conditions = {p.condition_id: p.condition for p in every}
    return EvidencePage(
        region=region,
        name=words.region(region),
        groups=tuple(
            CanGroup(can, said, tuple(p for p in shown if p.can == can))
            for can, said in CAN
            if any(p.can == can for p in shown)
        ),
        conditions=tuple(sorted(conditions.items(), key=lambda c: c[1])),
        condition=condition,
        shown=len(shown),
        total=len(every),
    )


def pair_page(desk: Desk, region: str, observable: str, condition: str) -> PairPage:
    """One pair; Refused(404) where no study measured it."""
    _check_region(desk, region)
    found = desk.pooled(observable, condition)
    if found is None or (observable, condition) not in desk.evidence.pairs(region):
        raise Refused(404, f"No study in the tables measured “{observable[:60]}” for “{condition[:60]}”.")
    left_out = _left_out(desk, region, observable)
    lines = [_counted(desk, r, left_out) for r in desk.evidence.accuracy_of(observable, condition)]
    lines += [_rated(desk, r, left_out) for r in desk.evidence.rates_of(observable, condition)]
    return PairPage(
        region=region,
        region_name=words.region(region),
        observable=observable,
        name=desk.name(region, observable),
        condition=condition,
        condition_name=_condition(desk, region, condition),
        sentence=found.sentence,
        k=found.k,
        n=found.n,
        pooled_sensitivity=_bar(found.pooled.sensitivity),
        pooled_specificity=_bar(found.pooled.specificity),
        clinic_sensitivity=_bar(found.predictive.sensitivity),
        clinic_specificity=_bar(found.predictive.specificity),
        positive=_ratio(found.lr_positive),
        negative=_ratio(found.lr_negative),
        studies=tuple(lines),
        edition=found.edition,
    )


def _pairs(desk: Desk, region: str) -> tuple[PairLine, ...]:
    out = []
    for observable, condition in desk.evidence.pairs(region):
        found = desk.pooled(observable, condition)
        if found is not None:
            out.append(_pair(desk, region, observable, condition, found))
    return tuple(sorted(out, key=lambda p: -abs(math.log(p.positive_mean / p.negative_mean))))


def _pair(desk: Desk, region: str, observable: str, condition: str, found: PooledAccuracy) -> PairLine:
    rules_in, rules_out = found.lr_positive.mean >= RULES_IN, found.lr_negative.mean <= RULES_OUT
    return PairLine(
        observable=observable,
        name=desk.name(region, observable),
        condition_id=condition,
        condition=_condition(desk, region, condition),
        positive=_ratio(found.lr_positive),
        negative=_ratio(found.lr_negative),
        positive_mean=found.lr_positive.mean,
        negative_mean=found.lr_negative.mean,
        k=found.k,
        n=found.n,
        can="both" if rules_in and rules_out else "in" if rules_in else "out" if rules_out else "neither",
        href=f"/evidence/{region}/{observable}/{condition}",
    )


def _check_region(desk: Desk, region: str) -> None:
    if region not in desk.catalogue.regions:
        raise Refused(404, f"There is no region “{region[:40]}”; there are {', '.join(desk.catalogue.regions)}.")


def _condition(desk: Desk, region: str, condition: str) -> str:
    entry = desk.catalogue.region(region).conditions.get(condition)
    return entry.name if entry else condition.replace("-", " ").capitalize()


def _left_out(desk: Desk, region: str, observable: str) -> dict[str, str]:
    finding = desk.catalogue.region(region).findings.get(observable.partition(":")[0])
    return dict(finding.studied_as.left_out) if finding else {}


def _counted(desk: Desk, row: AccuracyRow, left_out: dict[str, str]) -> StudyLine:
    with_it, without = row.tp + row.fn, row.tn + row.fp
    return _line(
        desk,
        row,
        f"{row.tp} of {with_it} with it, {row.tn} of {without} without it",
        _wilson(row.tp, with_it),
        _wilson(row.tn, without),
        _BASIS[row.basis],
        left_out,
    )


def _rated(desk: Desk, row: RatesRow, left_out: dict[str, str]) -> StudyLine:
    return _line(
        desk,
        row,
        f"{row.n_total} people, split not printed",
        _point(row.sens_printed),
        _point(row.spec_printed),
        "printed rates only",
        left_out,
    )


def _line(
    desk: Desk,
    row: AccuracyRow | RatesRow,
    counts: str,
    sensitivity: Bar | None,
    specificity: Bar | None,
    basis: str,
    left_out: dict[str, str],
) -> StudyLine:
    study = desk.evidence.studies.get(row.study_id)
    design: list[str] = []
    if study is not None:
        design += [study.setting, f"sampling {study.sampling}", f"against {study.reference_standard.replace('-', ' ')}"]
        design.append({"yes": "examiner blind", "no": "examiner not blind"}.get(study.index_blind, "blinding unclear"))
        if study.proposes_test:
            design.append("by the test's proposers")
    citation = study.citation if study else getattr(row, "citation", row.study_id)
    return StudyLine(
        row.study_id, citation, tuple(design), counts, sensitivity, specificity, row.criterion, basis,
        f"{_KINDS[row.source_kind]}: {row.read_at}", row.source_url, left_out.get(row.study_id),
    )  # fmt: skip


def _wilson(hits: int, of: int) -> Bar | None:
    """A proportion with its 95 % score interval (Wilson EB, J Am Stat Assoc 1927;22:209-212); None for nobody."""
    if of == 0:
        return None
    z = 1.959964
    p = hits / of
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of)) / (1 + z * z / of)
    low, high = max(0.0, middle - half), min(1.0, middle + half)
    return Bar(
        100 * p, 100 * low, 100 * (high - low), f"{words.percent(p)} ({words.percent(low)} to {words.percent(high)})"
    )


def _point(p: float | None) -> Bar | None:
    return None if p is None else Bar(100 * p, 100 * p, 0.0, words.percent(p))


def _bar(interval: Interval) -> Bar:
    said = f"{words.percent(interval.mean)} ({words.percent(interval.low)} to {words.percent(interval.high)})"
    return Bar(100 * interval.mean, 100 * interval.low, 100 * (interval.high - interval.low), said)


def _ratio(interval: Interval) -> str:
    return f"{words.ratio(interval.mean)} ({words.ratio(interval.low)} to {words.ratio(interval.high)})"
