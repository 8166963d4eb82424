"""The evidence page of a finding: per condition the sentence, the ratios, the plots, and every study behind them.

Public: FindingEvidence, PairSection, finding_evidence, pair_section, pair_hangs, pair_words.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from urllib.parse import quote

import numpy as np
from scipy.special import expit

from endfeel.documents.charts import ForestLine, forest_title, forest_words, short_citation
from endfeel.evidence import AccuracyRow, RatesRow
from endfeel.pooling.likelihood import BivariateFit, fit_bivariate
from endfeel.pooling.picture import PairPicture, StudyRates, pair_picture
from endfeel.pooling.sensitivity import Alternative, sensitivity
from endfeel.pooling.summary import Interval, PooledAccuracy, assume
from endfeel.web import words
from endfeel.web.clinic_evidence import Standing
from endfeel.web.desk import Desk
from endfeel.web.evidence_moved import PairMove, pair_move
from endfeel.web.evidence_words import (
    TICKS,
    RatioRail,
    RatioTick,
    basis_words,
    check_region,
    condition_name,
    condition_plain,
    design_words,
    rate_words,
    ratio_rail,
    ratio_words,
    source_words,
)
from endfeel.web.refused import Refused


@dataclass(frozen=True)
class StudyLine:
    """One line of the tables: who, how, what came out, and where it was read.

    left_out: why it does not count; None where it does. own: one of the clinic's own. doi: address of the paper.
    """

    study_id: str
    short: str
    citation: str
    design: tuple[str, ...]
    criterion: str
    detail: str
    counts: str
    sensitivity: str
    specificity: str
    printed: str
    basis: str
    read: str
    url: str
    doi: str
    left_out: str | None
    own: bool
    href: str


@dataclass(frozen=True)
class AlternativeLine:
    """The pair read without some of its lines. changes: whether the words about a result change."""

    without: str
    positive: str
    negative: str
    worth: str
    changes: bool
    held: bool


@dataclass(frozen=True)
class AloneLine:
    """The pair fitted by itself, by maximum likelihood: rates with 95 % intervals, and what lies on a boundary."""

    sensitivity: str
    specificity: str
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class Forest:
    """The forest plot as a table: the text alternative."""

    title: str
    lines: tuple[ForestLine, ...]


@dataclass(frozen=True)
class Hangs:
    """Whether the reading hangs on some of its lines. on: those without which the words change."""

    name: str
    condition_name: str
    on: tuple[str, ...]
    alternatives: tuple[AlternativeLine, ...]
    back: str


@dataclass(frozen=True)
class PairSection:
    """One finding for one condition. hangs: None where the page fetches it a moment later."""

    observable: str
    name: str
    condition: str
    condition_name: str
    condition_plain: str
    condition_href: str
    sentence: str
    k: int
    n: int
    positive: str
    negative: str
    rail: RatioRail
    pooled_sensitivity: str
    pooled_specificity: str
    predictive_sensitivity: str
    predictive_specificity: str
    forest: Forest
    picture: str
    studies: tuple[StudyLine, ...]
    alone: AloneLine | None
    hangs: Hangs | None
    hangs_href: str
    moved: PairMove | None
    held: bool


@dataclass(frozen=True)
class AssumedLine:
    """A condition that the finding is named a test for, and that no study measured it for."""

    condition: str
    name: str
    positive: str
    negative: str


@dataclass(frozen=True)
class FindingEvidence:
    """The evidence page of a finding, or of one of its readings."""

    region: str
    region_name: str
    observable: str
    name: str
    also_called: str
    facts: tuple[str, ...]
    agreement: str
    agreement_url: str
    note: str
    readings: tuple[tuple[str, str], ...]
    sections: tuple[PairSection, ...]
    assumed: tuple[AssumedLine, ...]
    ticks: tuple[RatioTick, ...]
    edition: str


def finding_evidence(
    desk: Desk, region: str, observable: str, condition: str | None = None, *, whole: bool = False
) -> FindingEvidence:
    """The page; only one condition's section where a condition is given. Refused(404) where there is nothing.

    whole: with what each reading hangs on, even where that has still to be worked out.
    """
    check_region(desk, region)
    standing = desk.own.now()
    row = desk.row(region, observable)
    entry = desk.catalogue.region(region).findings.get(row.finding_id)
    wanted = _pairs(standing, region, observable)
    if condition is not None:
        wanted = [pair for pair in wanted if pair[1] == condition]
        if not wanted:
            said = f"No study in the tables measured “{observable[:60]}” for “{condition[:60]}”."
            raise Refused(404, said)
    sections = [pair_section(desk, standing, region, *pair, whole=whole) for pair in wanted]
    studied = [o for o, _ in standing.evidence.pairs(region) if o.partition(":")[0] == row.finding_id]
    names = dict.fromkeys([*studied, *(entry.observables() if entry else ())])
    if entry is None or observable not in {row.finding_id, *names}:
        raise Refused(404, f"“{observable[:60]}” is no reading of {row.name}.")
    return FindingEvidence(
        region=region,
        region_name=words.region(region),
        observable=observable,
        name=desk.name(region, observable),
        also_called=", ".join(row.also_called),
        facts=(
            row.kind.replace("-", " "),
            "any position" if row.patient_position == "any" else row.patient_position.replace("-", " "),
            f"loads {', '.join(row.loads)}" if row.loads else "loads nothing",
            f"{row.minutes:g} min (our estimate)",
        ),
        agreement=_agreement(row.kappa, row.kappa_n),
        agreement_url=row.kappa_source_url or "",
        note=entry.studied_as.note,
        readings=tuple((o, desk.name(region, o)) for o in names if o != observable),
        sections=tuple(s for s in sections if s is not None),
        assumed=() if condition else _assumed(desk, standing, region, observable),
        ticks=TICKS,
        edition=standing.edition.id,
    )


def pair_section(
    desk: Desk, standing: Standing, region: str, observable: str, condition: str, *, whole: bool = False
) -> PairSection | None:
    """One condition's section; None where the pooled evidence does not hold the pair."""
    key = ("pair section", standing.edition.id, region, observable, condition)

    def make() -> PairSection | str:
        return _section(desk, standing, region, observable, condition) or ""

    found = desk.kept.once(key, make)
    if not isinstance(found, PairSection):
        return None
    known = pair_hangs(desk, region, observable, condition) if whole else desk.kept.known(_hangs_key(standing, found))
    return replace(found, hangs=known)


def pair_hangs(desk: Desk, region: str, observable: str, condition: str) -> Hangs:
    """The pair read without each of its studies, without proposers', without counts that were worked out.

    Refused(404) where no study measured it.
    """
    standing = desk.own.now()
    section = pair_section(desk, standing, region, observable, condition)
    if section is None:
        raise Refused(404, f"No study in the tables measured “{observable[:60]}” for “{condition[:60]}”.")

    def make() -> Hangs:
        found = sensitivity(standing.edition, standing.evidence, standing.pooled.data, observable, condition)
        lines = tuple(_alternative(desk, a) for a in found if a.accuracy.k)
        back = f"/evidence/{region}/finding/{observable}#{condition}"
        on = tuple(a.without for a in lines if a.changes)
        return Hangs(section.name, section.condition_name, on, lines, back)

    return desk.kept.once(_hangs_key(standing, section), make)


def _hangs_key(standing: Standing, section: PairSection) -> tuple[str, ...]:
    return ("hangs", standing.edition.id, section.observable, section.condition)


def pair_words(desk: Desk, region: str, observable: str, condition: str) -> tuple[PairPicture, Forest]:
    """What the plots of a pair show, as numbers and as a table; Refused(404) where no study measured it."""
    check_region(desk, region)
    standing = desk.own.now()
    accuracy = desk.pooled(observable, condition)
    if accuracy is None or (observable, condition) not in standing.evidence.pairs(region):
        raise Refused(404, f"No study in the tables measured “{observable[:60]}” for “{condition[:60]}”.")
    return _picture(desk, standing, region, accuracy)


def _picture(desk: Desk, standing: Standing, region: str, accuracy: PooledAccuracy) -> tuple[PairPicture, Forest]:
    picture = pair_picture(standing.edition, standing.evidence, accuracy)
    name = desk.name(region, accuracy.observable)
    title = forest_title(accuracy, name, condition_name(desk, region, accuracy.condition))
    return picture, Forest(title, forest_words(picture, dict(standing.evidence.studies)))


def _section(desk: Desk, standing: Standing, region: str, observable: str, condition: str) -> PairSection | None:
    found = desk.pooled(observable, condition)
    if found is None or not found.k:
        return None
    picture, forest = _picture(desk, standing, region, found)
    return PairSection(
        observable=observable,
        name=desk.name(region, observable),
        condition=condition,
        condition_name=condition_name(desk, region, condition),
        condition_plain=condition_plain(desk, region, condition),
        condition_href=f"/evidence/{region}/condition/{condition}",
        sentence=found.sentence,
        k=found.k,
        n=found.n,
        positive=ratio_words(found.lr_positive),
        negative=ratio_words(found.lr_negative),
        rail=ratio_rail(found),
        pooled_sensitivity=rate_words(found.pooled.sensitivity),
        pooled_specificity=rate_words(found.pooled.specificity),
        predictive_sensitivity=rate_words(found.predictive.sensitivity),
        predictive_specificity=rate_words(found.predictive.specificity),
        forest=forest,
        picture=f"/evidence/{region}/{observable}/{condition}",
        studies=tuple(_study(desk, standing, region, line) for line in picture.lines),
        alone=_alone(picture),
        hangs=None,
        hangs_href=f"/evidence/{region}/{observable}/{condition}/hangs",
        moved=pair_move(desk, standing, observable, condition),
        held=(observable, condition) in standing.pooled.held,
    )


def _pairs(standing: Standing, region: str, observable: str) -> list[tuple[str, str]]:
    """The pairs of an observable; of all readings where a finding with readings is asked for as a whole."""
    pairs = standing.evidence.pairs(region)
    exact = [pair for pair in pairs if pair[0] == observable]
    return exact or [pair for pair in pairs if pair[0].partition(":")[0] == observable]


def _assumed(desk: Desk, standing: Standing, region: str, observable: str) -> tuple[AssumedLine, ...]:
    catalogue = desk.catalogue.region(region)
    entry = catalogue.findings.get(observable.partition(":")[0])
    kind = desk.row(region, observable).kind
    if entry is None or kind not in standing.edition.kinds:
        return ()
    reached = {
        part
        for other, condition in standing.evidence.pairs(region)
        if other.partition(":")[0] == entry.id
        for part in (condition, *catalogue.parts(condition))
    }
    found = []
    for target in entry.targets:
        if target in reached or reached & set(catalogue.parts(target)) or not catalogue.parts(target):
            continue
        expected = assume(standing.edition, standing.evidence, entry.id, target, region)
        found.append(
            AssumedLine(
                target, condition_name(desk, region, target), ratio_words(expected.lr_positive),
                ratio_words(expected.lr_negative),
            )
        )  # fmt: skip
    return tuple(found)


def _study(desk: Desk, standing: Standing, region: str, line: StudyRates) -> StudyLine:
    row = line.row
    study = standing.evidence.studies.get(row.study_id)
    entry = desk.catalogue.region(region).findings.get(row.finding_id)
    why = entry.studied_as.left_out.get(row.study_id) if entry else None
    citation = study.citation if study else row.citation if isinstance(row, RatesRow) else row.study_id
    left_out = None
    if not line.used:
        left_out = why or "the same study's counts are used instead"
    return StudyLine(
        study_id=row.study_id,
        short=_short(citation, study.year if study else row.year if isinstance(row, RatesRow) else None),
        citation=citation,
        design=design_words(study),
        criterion=row.criterion,
        detail=(row.condition_detail or "") if isinstance(row, AccuracyRow) else "",
        counts=_counts(line),
        sensitivity=_rate(line.sensitivity, line.with_condition is None),
        specificity=_rate(line.specificity, line.with_condition is None),
        printed=_printed(row),
        basis=basis_words(row) + (f"; noted in the catalogue: {why}" if why and line.used else ""),
        read=source_words(row),
        url=row.source_url if row.source_url.startswith(("http://", "https://")) else "",
        doi=f"https://doi.org/{study.doi}" if study and study.doi else "",
        left_out=left_out,
        own=row.study_id in standing.overlay.own,
        href=f"/evidence/studies/{quote(row.study_id, safe='')}",
    )


def _short(citation: str, year: int | None) -> str:
    return short_citation(citation, year) if year else citation[:40]


def _counts(line: StudyRates) -> str:
    row = line.row
    if isinstance(row, AccuracyRow):
        return f"positive in {row.tp} of {row.diseased} with it, negative in {row.tn} of {row.healthy} without it"
    return f"{row.n_total} people, how many had it is not printed"


def _printed(row: AccuracyRow | RatesRow) -> str:
    said = [
        f"{name} {value:g}"
        for name, value in (("sensitivity", row.sens_printed), ("specificity", row.spec_printed))
        if value is not None
    ]
    return f"printed: {', '.join(said)}" if said else ""


def _rate(interval: Interval, rates_only: bool) -> str:
    return words.percent(interval.mean) if rates_only else rate_words(interval)


def _alternative(desk: Desk, found: Alternative) -> AlternativeLine:
    without = found.without
    study_id = without.removeprefix("without ")
    study = desk.evidence.studies.get(study_id)
    if study is not None:
        without = f"without {_short(study.citation, study.year)}"
    accuracy = found.accuracy
    return AlternativeLine(
        without, ratio_words(accuracy.lr_positive), ratio_words(accuracy.lr_negative), accuracy.worth, found.changes,
        not found.reweighted,
    )  # fmt: skip


def _alone(picture: PairPicture) -> AloneLine | None:
    """Maximum likelihood of the studies with counts, the largest line of each."""
    rows: dict[str, AccuracyRow] = {}
    for line in picture.lines:
        if line.used and isinstance(line.row, AccuracyRow):
            rows.setdefault(line.row.study_id, line.row)
    if not rows:
        return None
    fit = fit_bivariate([(r.tp, r.fp, r.fn, r.tn) for r in rows.values()])
    remarks = [f"{said[0].upper()}{said[1:]}." for said in fit.boundary]
    if fit.boundary and fit.k > 1:
        remarks.append("That is common with few studies: their data can not tell a spread from chance.")
    if fit.corrected:
        remarks.append("A column is empty, so half a person was added to each cell.")
    if not fit.converged:
        remarks.append("The fit did not settle; take it with caution.")
    return AloneLine(_fitted(fit, 0), _fitted(fit, 1), tuple(remarks))


def _fitted(fit: BivariateFit, side: int) -> str:
    half = 1.959964 * float(np.sqrt(fit.mean_covariance[side, side]))
    low, middle, high = (float(v) for v in expit(fit.mean[side] + np.array([-half, 0.0, half])))
    return rate_words(Interval(middle, low, high))


def _agreement(kappa: float | None, people: int | None) -> str:
    if kappa is None:
        return "agreement between examiners: none found"
    return f"agreement between examiners: kappa {kappa:g}" + (f" in {people} people" if people else "")
