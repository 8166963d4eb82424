"""The sum over splits: right where few are possible, near enough where it is thinned."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logit

from endfeel.evidence import load_evidence
from endfeel.pooling.splits import PrintedRates, full_log_likelihood, possible_splits


def test_few_splits_are_all_used_and_summed_exactly() -> None:
    lines = [PrintedRates(0.59, 0.31, 55)]
    splits = possible_splits(lines)
    assert splits is not None
    for n1, n0, tp, tn in zip(splits.n1, splits.n0, splits.tp[0], splits.tn[0], strict=True):
        assert n1 + n0 == 55
        assert round(tp / n1, 2) == 0.59
        assert round(tn / n0, 2) == 0.31
    theta = np.array([[0.2, -1.0]])
    assert splits.log_likelihood(theta) == pytest.approx(full_log_likelihood(lines, theta), abs=1e-9)


def test_a_single_possible_split_is_the_plain_binomial() -> None:
    lines = [PrintedRates(0.5, 1.0, 5, prevalence=0.4)]
    splits = possible_splits(lines)
    assert splits is not None
    assert (splits.n1.tolist(), splits.tp.tolist(), splits.tn.tolist()) == ([2.0], [[1.0]], [[3.0]])
    expected = np.log(2) + 2 * np.log(0.5) + 3 * np.log(0.5)
    assert splits.log_likelihood(np.zeros((1, 2))) == pytest.approx(expected)


def test_lines_of_one_study_share_the_split() -> None:
    one, two = PrintedRates(0.33, 0.5, 9), PrintedRates(0.67, 0.83, 9)
    alone, both = possible_splits([two]), possible_splits([one, two])
    assert alone is not None and both is not None
    assert both.n1.tolist() == [3.0]
    theta = np.array([[0.1, 0.4], [0.6, 1.0]])
    assert both.log_likelihood(theta) == pytest.approx(full_log_likelihood([one, two], theta), abs=1e-9)


def test_figures_that_no_split_gives_are_none() -> None:
    assert possible_splits([PrintedRates(0.33, 0.5, 9), PrintedRates(0.41, 0.5, 9)]) is None


def test_a_printed_prevalence_narrows_the_splits() -> None:
    free = possible_splits([PrintedRates(0.8, 0.9, 200)])
    told = possible_splits([PrintedRates(0.8, 0.9, 200, prevalence=0.25)])
    assert free is not None and told is not None
    # 49, 50 and 51 of 200 round to 0.25 (0.245 and 0.255 are both half-way).
    assert told.n1.min() >= 49 and told.n1.max() <= 51
    assert free.n1.size > 20


def test_thinning_keeps_the_likelihood_of_shipped_lines_near_their_figures() -> None:
    rows = [row for row in load_evidence().rates if row.n_total > 200][:6]
    assert rows, "the shipped tables have no large rates line any more"
    rng = np.random.default_rng(4)
    for row in rows:
        lines = [PrintedRates(row.sens_printed, row.spec_printed, row.n_total, row.prevalence_printed)]
        splits = possible_splits(lines)
        assert splits is not None
        printed = logit(np.clip([[row.sens_printed, row.spec_printed]], 0.02, 0.98))
        best = full_log_likelihood(lines, printed)
        assert splits.log_likelihood(printed) == pytest.approx(best, abs=0.1)
        for _ in range(3):
            theta = printed + 0.4 * rng.standard_normal((1, 2))
            full = full_log_likelihood(lines, theta)
            # Far from the printed rates the sum lives on a few extreme splits; a small part of the fall is enough.
            assert splits.log_likelihood(theta) == pytest.approx(full, abs=0.1 + 0.02 * (best - full))


def test_a_total_far_beyond_counting_is_sampled() -> None:
    splits = possible_splits([PrintedRates(0.7, 0.8, 2**40)])
    assert splits is not None
    assert np.isfinite(splits.log_likelihood(np.array([[1.0, 1.0]])))
