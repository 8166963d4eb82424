"""What healthy controls of two-gate studies say of people in whom no structure is to blame: P(positive | none).

A two-gate study compares people known to have a condition with others chosen apart. Where those others were healthy,
nobody of them had anything, so their rate of positives bears on *no specific structure* and on no other state. It is
weak evidence: they came without pain, while the patient in front of us has some. Pooling uses the same counts for the
specificity of the pair, corrected for that design; what follows comes on top, for this one state, uncorrected.

    logit h = Σ w_i logit(fp_i / tn_i) / Σ w_i       w_i = 1 / (1/fp_i + 1/tn_i + σ²_study + σ²_rest)    (1/2 added)
    η_none  = a + K (η_h - a)                        K = v_a / (v_a + 1/Σ w_i + σ²_study + HEALTHY_SPREAD²)

a is the finding's fitted η where none of its conditions is present, v_a its variance in a new place (both on the probit
scale), σ² the edition's variances of logit specificity. η_h averages over what is not known of h and over σ²_rest, and
moves with a clinic's study effect as a does, so what controls change is the level, not how clinics differ.

Controls count as healthy where the line's condition_detail says so of all of them: healthy, normal, symptom-free,
uninjured, unaffected, volunteers, without the complaint. "Controls" alone does not say, and groups mixed with other
patients are not used.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endfeel.belief.probit import logit_of_probit, mean_expit, to_probit
from endfeel.evidence.rows import AccuracyRow, StudyRow

Floats = NDArray[np.float64]

# Ours: how far patients without a specific structure may lie from healthy people, logit sd (odds of 4.5 either way).
HEALTHY_SPREAD = 1.5
LOGITS_PER_PROBIT = 1.7
TWO_GATE = "two-gate"

_OTHERS = re.compile(r"\b(?:against|versus|comparison)\b|;")
_HEALTHY = re.compile(
    r"\bhealthy\b|\bvolunteers\b|\bnormal\b|-free\b|\bunaffected\b|\buninjured\b"
    r"|\bwithout (?:it|complaints|symptoms|pain)\b"
)
_MIXED = re.compile(r"\band\b|\bor\b|\bother\b|\bwithout (?!it|complaints|symptoms|pain|back pain)")


@dataclass(frozen=True)
class Controls:
    """Healthy controls examined for one observable. condition: of the largest study; false_positives, people: by study.

    Counts of one study that serve several lines are the same people and are taken once.
    """

    condition: str
    studies: tuple[str, ...]
    false_positives: tuple[int, ...]
    people: tuple[int, ...]


@dataclass(frozen=True)
class ControlsGap:
    """How far healthy controls lie from what the fit says where none of a finding's conditions is present.

    gap: controls minus fit, in logits of the rate of positives, at the pooled means. weight: K. conflict: more than two
    standard deviations, our stated spread included.
    """

    observable: str
    people: int
    gap: float
    weight: float
    conflict: bool


def says_healthy(condition_detail: str) -> bool:
    """Whether a two-gate line's own words say that all its controls were healthy."""
    _, *others = _OTHERS.split(re.sub(r"\([^)]*\)", "", condition_detail), maxsplit=1)
    if not others:
        return False
    return bool(_HEALTHY.search(others[0])) and not _MIXED.search(others[0])


def healthy_controls(rows: Iterable[tuple[AccuracyRow, StudyRow | None]]) -> Controls | None:
    """The healthy controls among one observable's lines, each with its study; None where there are none."""
    by_study: dict[str, AccuracyRow] = {}
    for row, study in rows:
        if study is None or study.sampling != TWO_GATE or not says_healthy(row.condition_detail or ""):
            continue
        if row.study_id not in by_study or row.healthy > by_study[row.study_id].healthy:
            by_study[row.study_id] = row
    if not by_study:
        return None
    used = tuple(by_study.values())
    largest = max(used, key=lambda row: row.healthy)
    return Controls(
        largest.condition_id, tuple(by_study), tuple(row.fp for row in used), tuple(row.healthy for row in used)
    )


def pooled_rate(controls: Controls, study_variance: float, rest_variance: float) -> tuple[float, float]:
    """(logit h, 1/Σ w): the formula at the top of this file."""
    positive = np.array(controls.false_positives) + 0.5
    negative = np.array(controls.people) - np.array(controls.false_positives) + 0.5
    weight = 1 / (1 / positive + 1 / negative + study_variance + rest_variance)
    return float(weight @ np.log(positive / negative) / weight.sum()), float(1 / weight.sum())


def controls_eta(
    controls: Controls, study_effect: Floats, study_variance: float, rest_variance: float
) -> tuple[Floats, float]:
    """η_h for study effects on logit specificity (draws,), and the variance of the controls' message, in probits."""
    logit, variance = pooled_rate(controls, study_variance, rest_variance)
    spread = np.full(len(study_effect), variance + rest_variance)
    eta = to_probit(mean_expit(logit - study_effect, spread))
    return eta, (variance + study_variance + HEALTHY_SPREAD**2) / LOGITS_PER_PROBIT**2


def weight_of(variance: float, message: float) -> float:
    """K: from the variance of a and of what the controls say, in probits."""
    return variance / (variance + message)


def gap_of(
    observable: str, controls: Controls, fitted: float, eta: float, variance: float, message: float
) -> ControlsGap:
    """What the controls say beside the fit, both η at the pooled means."""
    gap = float(logit_of_probit(np.array(eta)) - logit_of_probit(np.array(fitted)))
    far = abs(eta - fitted) > 2 * float(np.sqrt(variance + message))
    return ControlsGap(observable, sum(controls.people), gap, weight_of(variance, message), far)
