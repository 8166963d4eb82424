"""Combinations against enumeration, and against what is plain for single findings."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import small_world as world
from scipy.special import ndtr

from endfeel.belief import AtLeast, BeliefError, combine
from endfeel.belief.combine import at_least, at_least_independent, count_distribution
from endfeel.belief.dependence import Dependence
from endfeel.belief.probit import to_probit

APART = Dependence(mean=-30.0, mean_sd=0.0, gap_sd=0.0, spread=0.0)
ALPHA = ("alpha-pull", "alpha-push", "alpha-twist")


def combined(findings: tuple[str, ...], rule, condition: str = "alpha-tear", **fields):  # type: ignore[no-untyped-def]
    edition = fields.pop("edition", world.edition())
    return combine(world.evidence(), edition, world.catalogue(), "knee", condition, findings, rule, **fields)


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_counts_agree_with_enumerating_all_results(count: int) -> None:
    positive = np.array([[0.8, 0.6, 0.3, 0.55]])
    shares = np.array([[0.4, 0.4, 0.2, 0.3]])
    groups = ("a", "a", "b", "b")
    kappa = 0.3
    z = np.linspace(-7, 7, 201)
    u = np.linspace(-7, 7, 201)
    wz, wu = (np.exp(-0.5 * x**2) / np.exp(-0.5 * x**2).sum() for x in (z, u))
    t = np.sqrt(kappa) * z[:, None] + np.sqrt(1 - kappa) * u[None, :]
    rates = [
        ndtr((to_probit(positive[0, i]) + np.sqrt(shares[0, i]) * t) / np.sqrt(1 - shares[0, i])) for i in range(4)
    ]
    total = 0.0
    for results in product((0, 1), repeat=4):
        if sum(results) < count:
            continue
        cell = [rates[i] if results[i] else 1 - rates[i] for i in range(4)]
        total += float(wz @ (((cell[0] * cell[1]) @ wu) * ((cell[2] * cell[3]) @ wu)))
    assert at_least(count, positive, shares, groups, kappa)[0] == pytest.approx(total, abs=1e-6)


def test_a_positive_grade_counts_the_milder_ones_with_it() -> None:
    positive = np.array([[0.7, 0.2, 0.5]])
    shares = np.full((1, 3), 1e-9)
    found = count_distribution(positive, shares, ("a", "a", "a"), 0.3, ((0, 1), (2,)))[:, 0]
    sign = {0: 0.3, 1: 0.5, 2: 0.2}
    expected = [sum(sign[j] * 0.5 for j in sign if k - j in (0, 1)) for k in range(4)]
    assert found == pytest.approx(expected, abs=1e-4)
    assert found.sum() == pytest.approx(1.0)
    crossing = count_distribution(np.array([[0.4, 0.6]]), shares[:, :2], ("a", "a"), 0.3, ((0, 1),))[:, 0]
    assert crossing == pytest.approx([0.6, 0.0, 0.4], abs=1e-4)


def test_independent_counts_by_hand() -> None:
    assert at_least_independent(2, np.array([0.5, 0.5, 0.5])) == pytest.approx(0.5)
    assert at_least_independent(1, np.array([0.2, 0.3])) == pytest.approx(1 - 0.8 * 0.7)


def test_a_single_finding_is_its_own_combination() -> None:
    found = combined(("alpha-pull",), AtLeast(1))
    assert found.independent.sensitivity == pytest.approx(found.sensitivity.mean, abs=1e-6)
    assert found.independent.specificity == pytest.approx(found.specificity.mean, abs=1e-6)
    assert found.lr_positive.mean == pytest.approx(found.sensitivity.mean / (1 - found.specificity.mean), rel=1e-9)


def test_without_dependence_and_spread_it_is_what_independence_claims() -> None:
    exact = world.edition(spread=0.0, study=1e-6, rest=1e-6)
    for rule in (AtLeast(2), "and", "or"):
        found = combined(ALPHA, rule, dependence=APART, edition=exact)
        assert found.sensitivity.mean == pytest.approx(found.independent.sensitivity, abs=1e-5)
        assert found.specificity.mean == pytest.approx(found.independent.specificity, abs=1e-5)


def test_overlap_makes_all_positive_worth_less_than_independence_claims() -> None:
    found = combined(ALPHA, "and")
    assert found.at_least == 3
    assert found.lr_positive.mean < found.independent.lr_positive
    assert found.sensitivity.mean > found.independent.sensitivity
    for interval in (found.sensitivity, found.specificity):
        assert 0 <= interval.low < interval.mean < interval.high <= 1


def test_more_demanding_rules_trade_sensitivity_for_specificity() -> None:
    one, two, three = (combined(ALPHA, AtLeast(n)) for n in (1, 2, 3))
    assert one.sensitivity.mean > two.sensitivity.mean > three.sensitivity.mean
    assert one.specificity.mean < two.specificity.mean < three.specificity.mean


def test_a_bare_finding_stands_for_the_reading_studied_for_the_condition() -> None:
    assert combined(("beta-press", "beta-turn"), "or", "beta-tear").observables[0] == "beta-press:either"
    assert combined(("beta-press",), "or", "beta-tear-outer").observables == ("beta-press:outer",)
    assert combined(("delta-lift",), "or", "delta-pain").assumed == ("delta-lift",)


@pytest.mark.parametrize(
    ("findings", "rule", "condition", "words"),
    [
        (("alpha-pull", "alpha-pull"), "and", "alpha-tear", "named twice"),
        (("alpha-pull",), AtLeast(2), "alpha-tear", "from 1 to 1"),
        (("alpha-pull",), AtLeast(0), "alpha-tear", "from 1 to 1"),
        ((), "or", "alpha-tear", "at least one"),
        (("beta-turn",), "or", "alpha-tear", "not studied for alpha-tear"),
        (("no-such",), "or", "alpha-tear", "no such finding"),
        (("alpha-pull",), "or", "alpha-break", "no condition of knee"),
        (("alpha-pull",), "xor", "alpha-tear", "from 1 to 1"),
    ],
)
def test_what_can_not_be_combined_is_refused(findings, rule, condition: str, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(BeliefError, match=words):
        combined(findings, rule, condition)
