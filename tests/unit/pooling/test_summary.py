"""Figures of a pair, and the sentence that goes with them."""

from __future__ import annotations

import dataclasses

import invented_studies as invented
import numpy as np
import pytest
from scipy.special import expit

from endfeel.evidence import load_evidence
from endfeel.pooling import UnknownPairError, assume, load_edition, pool
from endfeel.pooling.predictive import PairDraws, assumed_draws, pair_draws, predictive_rates
from endfeel.pooling.sentence import StudyUse, compose, strength, who_was_studied, worth_of_results
from endfeel.pooling.summary import studies_used, summarise


def draws(mean: tuple[float, float], study: float, rest: float, size: int = 500) -> PairDraws:
    eye = np.broadcast_to(np.eye(2), (size, 2, 2))
    return PairDraws(np.tile(mean, (size, 1)), eye * study**2, eye * rest**2)


def test_without_spread_the_predictive_is_the_pooled_and_ratios_are_plain() -> None:
    accuracy = summarise(draws((1.0, 2.0), 0.0, 0.0), "knee-pull", "band-tear", (), "id")
    sens, spec = expit(1.0), expit(2.0)
    assert accuracy.pooled.sensitivity.mean == pytest.approx(sens)
    assert accuracy.predictive.specificity.mean == pytest.approx(spec, abs=1e-6)
    assert accuracy.lr_positive.mean == pytest.approx(sens / (1 - spec), rel=1e-5)
    assert accuracy.lr_negative.high == pytest.approx((1 - sens) / spec, rel=1e-5)


def test_the_predictive_integrates_both_spreads() -> None:
    rates = predictive_rates(draws((0.5, 1.5), 0.6, 0.8))
    noise = np.random.default_rng(0).standard_normal(400_000)
    assert rates[:, 0].mean() == pytest.approx(expit(0.5 + noise).mean(), abs=0.003)
    assert np.quantile(rates[:, 1], 0.05) == pytest.approx(np.quantile(expit(1.5 + noise), 0.05), abs=0.015)


def test_the_mean_ratio_is_a_ratio_of_means_below_the_mean_of_the_ratio() -> None:
    wide = draws((1.0, 2.0), 0.8, 0.8)
    rates = predictive_rates(wide)
    accuracy = summarise(wide, "knee-pull", "band-tear", (), "id")
    assert accuracy.lr_positive.mean == pytest.approx(rates[:, 0].mean() / (1 - rates[:, 1]).mean())
    assert accuracy.lr_positive.mean < 0.8 * (rates[:, 0] / (1 - rates[:, 1])).mean()


def test_the_same_edition_always_gives_the_same_figures() -> None:
    edition, evidence = load_edition(), load_evidence()
    again = dataclasses.replace(edition)
    assert pool(edition, evidence, "lachman", "acl-tear") == pool(again, evidence, "lachman", "acl-tear")


def test_every_shipped_pair_has_finite_ordered_figures() -> None:
    edition, evidence = load_edition(), load_evidence()
    for pair in edition.pairs:
        accuracy = pool(edition, evidence, *pair)
        assert accuracy.k >= 1 and accuracy.n >= 4
        for one in (accuracy.pooled, accuracy.predictive):
            for interval in (one.sensitivity, one.specificity):
                assert 0 < interval.low <= interval.mean <= interval.high < 1
        for ratio in (accuracy.lr_positive, accuracy.lr_negative):
            assert 0 < ratio.low <= ratio.mean <= ratio.high < np.inf
        assert accuracy.predictive.sensitivity.low <= accuracy.pooled.sensitivity.low
        assert accuracy.sentence.endswith(".") and "  " not in accuracy.sentence


def test_a_pair_nobody_studied_is_an_assumption() -> None:
    edition, evidence = load_edition(), load_evidence()
    with pytest.raises(UnknownPairError):
        pool(edition, evidence, "lachman", "pcl-tear")
    assumed = assume(edition, evidence, "lachman", "pcl-tear")
    assert (assumed.k, assumed.n) == (0, 0)
    assert assumed.sentence.startswith("No study")
    kind = edition.pair_centre("laxity", "pcl-tear")[0].mean(axis=0)
    assert assumed_draws(edition, "laxity", "pcl-tear").mu.mean(axis=0) == pytest.approx(kind, abs=0.05)
    studied = pair_draws(edition, "lachman", "acl-tear")
    assert assumed_draws(edition, "laxity", "pcl-tear").mu.std() > studied.mu.std()


def test_studies_are_counted_once_with_their_largest_line() -> None:
    rows = [
        invented.line(1, 8, 2, 4, 9),
        invented.line(1, 8, 2, 5, 10, criterion="other"),
        invented.line(2, 5, 5, 5, 5),
    ]
    evidence = invented.evidence(rows, [invented.rates(3, 0.5, 0.5, 40)])
    uses = studies_used(evidence, "knee-pull", "band-tear")
    assert [(u.study_id, u.people, u.rates_only) for u in uses] == [
        ("ref-invented-1", 25, False),
        ("ref-invented-2", 20, False),
        ("ref-invented-3", 40, True),
    ]
    without = studies_used(evidence, "knee-pull", "band-tear", frozenset({("ref-invented-2", "knee-pull")}))
    assert [u.study_id for u in without] == ["ref-invented-1", "ref-invented-3"]


def use(number: int, people: int, rates_only: bool = False, **fields: object) -> StudyUse:
    return StudyUse(f"ref-invented-{number}", invented.study(number, **fields), people, rates_only)


@pytest.mark.parametrize(
    ("uses", "words"),
    [
        (
            [use(1, 40), use(2, 80, proposes_test=True)],
            "two small specialist-clinic studies, one by the test's proposers",
        ),
        ([use(1, 500, setting="emergency")], "one large emergency-department study"),
        ([use(1, 150, setting="mixed"), use(2, 150)], "two studies"),
        ([use(1, 150, setting="mixed", sampling="two-gate")], "one study, with cases and controls recruited apart"),
        (
            [use(1, 90, index_blind="no"), use(2, 90, index_blind="no")],
            "two small specialist-clinic studies, all with unblinded examiners",
        ),
        ([use(1, 60), use(2, 70), use(3, 400)], "three mostly small specialist-clinic studies"),
        ([StudyUse("ref-x", None, 120, True)], "one study, known only by printed rates"),
        ([], "no study, only what findings of its kind lead one to expect"),
    ],
)
def test_who_was_studied(uses: list[StudyUse], words: str) -> None:
    assert who_was_studied(uses) == words


def test_strength_steps() -> None:
    words = [strength(r) for r in (0.5, 1.0, 1.99, 2.0, 5.0, 9.9, 10.0, 400.0)]
    assert words == [
        "misleading", "nearly useless", "nearly useless", "weak", "moderate", "moderate", "strong", "strong",
    ]  # fmt: skip


def test_worth_is_said_for_both_results_and_a_negative_is_read_the_other_way_round() -> None:
    assert worth_of_results((7.0, 1.5, 30.0), (0.04, 0.02, 0.08)) == (
        "a positive result is moderate evidence, anything from nearly useless to strong in eight clinics of ten; "
        "a negative one is strong evidence"
    )
    assert worth_of_results((1.2, 1.1, 3.0), (0.9, 0.7, 2.0)) == (
        "a positive result is nearly useless, at best weak in eight clinics of ten; "
        "a negative one is nearly useless, at worst misleading"
    )
    assert compose("no study", "a positive result is weak evidence") == (
        "No study; a positive result is weak evidence."
    )
