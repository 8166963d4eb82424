"""What the evidence pages say of a pair, a study and a line, and the ratios' axis.

Public: PairLine, RatioRail, TICKS, CAN, LEAST, pair_line, ratio_rail, can_do, condition_name, condition_plain,
check_region, design_words, basis_words, source_words, ratio_words, rate_words.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from endfeel.evidence.rows import AccuracyRow, PrevalenceRow, RatesRow, StudyRow
from endfeel.pooling.summary import Interval, PooledAccuracy
from endfeel.web import words
from endfeel.web.desk import Desk
from endfeel.web.refused import Refused

# How many times the odds have to change for a result to count as doing something: our stated choice, the reader's too.
LEAST = (2, 3, 5)
USUAL_LEAST = 3
CAN = (
    ("both", "Rule in and rule out"),
    ("in", "Rule in"),
    ("out", "Rule out"),
    ("neither", "Neither by itself"),
)
_END = math.log(30)
_BASIS = {
    "counts": "the four counts as printed",
    "derived": "counts worked out from printed rates and group sizes",
    "solved": "counts solved from every figure printed",
    "approx": "counts worked out, exact only within 0.02",
}
_KINDS = {
    "paper-table": "a table of the paper",
    "paper-text": "the paper's text",
    "abstract": "the abstract",
    "review-table": "a review's table",
}
_SETTINGS = {
    "primary": "primary care",
    "secondary": "secondary care",
    "tertiary": "tertiary care",
    "sports": "sports clinic",
    "emergency": "emergency department",
    "military": "military clinic",
    "mixed": "several kinds of clinic",
}
_SAMPLING = {
    "consecutive": "consecutive patients",
    "random": "patients taken at random",
    "convenience": "patients as they were to hand",
    "two-gate": "cases and controls recruited apart",
    "unclear": "how patients were chosen is not stated",
}
_BLIND = {
    ("yes", "yes"): "test and reference standard each read without the other",
    ("yes", "no"): "test read without the reference standard, the standard with knowledge of the test",
    ("yes", "unclear"): "test read without the reference standard",
    ("no", "yes"): "test read with knowledge of the reference standard, the standard without the test",
    ("no", "no"): "test and reference standard each read with knowledge of the other",
    ("no", "unclear"): "test read with knowledge of the reference standard",
    ("unclear", "yes"): "reference standard read without the test",
    ("unclear", "no"): "reference standard read with knowledge of the test",
    ("unclear", "unclear"): "blinding not stated",
}


@dataclass(frozen=True)
class RatioRail:
    """Both likelihood ratios on one axis from 1/30 to 30, in per cent of its width; 50 is no change."""

    positive_at: float
    positive_low: float
    positive_width: float
    negative_at: float
    negative_low: float
    negative_width: float


@dataclass(frozen=True)
class RatioTick:
    """A place on the ratios' axis."""

    x: float
    words: str


def _place(ratio: float) -> float:
    bounded = min(_END, max(-_END, math.log(max(ratio, 1e-9))))
    return round(50 + 50 * bounded / _END, 2)


TICKS = tuple(
    RatioTick(_place(value), said)
    for value, said in ((0.1, "÷ 10"), (0.2, "÷ 5"), (0.5, "÷ 2"), (1, "1"), (2, "× 2"), (5, "× 5"), (10, "× 10"))
)


@dataclass(frozen=True)
class PairLine:
    """One finding for one condition: what it can do. own: whether studies of the clinic's own are in it."""

    observable: str
    name: str
    kind: str
    condition_id: str
    condition: str
    positive: str
    negative: str
    positive_mean: float
    negative_mean: float
    rail: RatioRail
    sentence: str
    k: int
    n: int
    can: str
    own: bool
    href: str
    condition_href: str


def pair_line(
    desk: Desk, region: str, observable: str, condition: str, found: PooledAccuracy, least: float
) -> PairLine:
    """The line of a studied pair."""
    return PairLine(
        observable=observable,
        name=desk.name(region, observable),
        kind=desk.row(region, observable).kind,
        condition_id=condition,
        condition=condition_name(desk, region, condition),
        positive=ratio_words(found.lr_positive),
        negative=ratio_words(found.lr_negative),
        positive_mean=found.lr_positive.mean,
        negative_mean=found.lr_negative.mean,
        rail=ratio_rail(found),
        sentence=found.sentence,
        k=found.k,
        n=found.n,
        can=can_do(found.lr_positive.mean, found.lr_negative.mean, least),
        own=(observable, condition) in desk.own.now().pooled.moved,
        href=f"/evidence/{region}/finding/{observable}#{condition}",
        condition_href=f"/evidence/{region}/condition/{condition}",
    )


def can_do(positive: float, negative: float, least: float) -> str:
    """What a pair with these mean ratios can do.

    “in”: a positive result raises the odds at least so many times; “out”: a negative one lowers them so.
    """
    rules_in, rules_out = positive >= least, negative <= 1 / least
    return "both" if rules_in and rules_out else "in" if rules_in else "out" if rules_out else "neither"


def ratio_rail(found: PooledAccuracy) -> RatioRail:
    """Where both ratios lie on the axis."""
    positive, negative = found.lr_positive, found.lr_negative
    return RatioRail(
        _place(positive.mean),
        _place(positive.low),
        round(_place(positive.high) - _place(positive.low), 2),
        _place(negative.mean),
        _place(negative.low),
        round(_place(negative.high) - _place(negative.low), 2),
    )


def check_region(desk: Desk, region: str) -> None:
    """Refused(404) where there is no such region."""
    if region not in desk.catalogue.regions:
        raise Refused(404, f"There is no region “{region[:40]}”; there are {', '.join(desk.catalogue.regions)}.")


def condition_name(desk: Desk, region: str, condition: str) -> str:
    """A condition's name for a clinician."""
    entry = desk.catalogue.region(region).conditions.get(condition)
    return entry.name if entry else words.capital(condition.replace("-", " "))


def condition_plain(desk: Desk, region: str, condition: str) -> str:
    """A condition in plain words; empty where the catalogue has none."""
    entry = desk.catalogue.region(region).conditions.get(condition)
    return entry.plain if entry else ""


def design_words(study: StudyRow | None) -> tuple[str, ...]:
    """How a study was done: setting, sampling, reference standard, blinding, proposers, people."""
    if study is None:
        return ("the tables do not describe how it was done",)
    said = [
        _SETTINGS[study.setting],
        _SAMPLING[study.sampling],
        f"against {reference_words(study.reference_standard)}",
        _BLIND[study.index_blind, study.reference_blind],
    ]
    if study.proposes_test:
        said.append("by those who propose the test")
    if study.n_total:
        said.append(f"{study.n_total} people" + (f", mean age {study.age_mean:g}" if study.age_mean else ""))
    return tuple(said)


def reference_words(standard: str) -> str:
    """A reference standard for a reader."""
    named = {"mri": "MRI", "mr-arthrography": "MR arthrography", "ct": "CT", "other": "a reference standard of its own"}
    return named.get(standard, standard.replace("-", " "))


def setting_words(setting: str) -> str:
    """A setting for a reader."""
    return _SETTINGS.get(setting, setting)


def basis_words(row: AccuracyRow | RatesRow) -> str:
    """How the figures of a line were had."""
    return _BASIS[row.basis] if isinstance(row, AccuracyRow) else "rates only; the split of people is not printed"


def source_words(row: AccuracyRow | RatesRow) -> str:
    """Where in its source a line was read."""
    return f"{_KINDS[row.source_kind]}: {row.read_at}"


def selected_words(row: PrevalenceRow) -> str:
    """What had brought the people of a prevalence line into the count."""
    return ", ".join(word.replace("-", " ") for word in row.selected_by)


def ratio_words(interval: Interval) -> str:
    """A likelihood ratio with its range."""
    return f"{words.ratio(interval.mean)} ({words.ratio(interval.low)} to {words.ratio(interval.high)})"


def rate_words(interval: Interval) -> str:
    """A rate with its range, in per cent."""
    return f"{words.percent(interval.mean)} ({100 * interval.low:.0f} to {100 * interval.high:.0f})"
