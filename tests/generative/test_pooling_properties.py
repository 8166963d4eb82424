"""Pooling, whatever the counts: finite, symmetric where it must be, and moved the right way by more evidence."""

from __future__ import annotations

import numpy as np
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from endfeel.evidence import load_evidence
from endfeel.pooling import load_edition
from endfeel.pooling.data import line_weight, pooling_data
from endfeel.pooling.likelihood import fit_bivariate, log_likelihood_of
from endfeel.pooling.predictive import PairDraws, predictive_rates
from endfeel.pooling.refit import counted_line, refit_pair
from endfeel.pooling.sentence import strength
from endfeel.pooling.splits import PrintedRates, possible_splits
from endfeel.pooling.summary import summarise

EDITION = load_edition()
DATA = pooling_data(load_evidence(), EDITION.left_out)

counts = st.integers(0, 400)
tables = st.tuples(counts, counts, counts, counts).filter(lambda t: t[0] + t[2] > 0 and t[1] + t[3] > 0)


# No shrinking: a fit of this size is slow enough that minutes would go by.
@settings(max_examples=30, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(st.lists(tables, min_size=1, max_size=6), st.randoms(use_true_random=False))
def test_maximum_likelihood_is_finite_and_blind_to_the_order_of_studies(rows: list, random: object) -> None:
    fit = fit_bivariate(rows)
    assert np.isfinite([*fit.mean, *fit.sd, fit.log_likelihood]).all()
    assert np.isfinite(fit.mean_covariance).all()
    assert (np.linalg.eigvalsh(fit.mean_covariance) > 0).all()
    shuffled = list(rows)
    random.shuffle(shuffled)
    assert abs(fit_bivariate(shuffled).log_likelihood - fit.log_likelihood) < 1e-3


@settings(max_examples=60, deadline=None)
@given(tables, st.floats(0, 2), st.floats(-1.5, 1.5), st.floats(0, 2))
def test_swapping_the_sides_swaps_the_likelihood(row: tuple, one: float, across: float, two: float) -> None:
    tp, fp, fn, tn = row
    hits, misses = np.array([[tp, tn]], dtype=float), np.array([[fn, fp]], dtype=float)
    lower = np.array([[one, 0.0], [across, two]])
    covariance = lower @ lower.T
    swapped = covariance[::-1, ::-1]
    first = np.sqrt(swapped[0, 0])
    below = swapped[1, 0] / first if first > 0 else 0.0
    other = np.array([[first, 0.0], [below, np.sqrt(max(swapped[1, 1] - below**2, 0.0))]])
    mean = np.array([0.3, 1.0])
    straight = log_likelihood_of(hits, misses, mean, lower, nodes=15)
    mirrored = log_likelihood_of(hits[:, ::-1], misses[:, ::-1], mean[::-1], other, nodes=15)
    assert abs(straight - mirrored) < 5e-3 * max(1.0, abs(straight))


@settings(max_examples=40, deadline=None)
@given(tables, st.booleans(), st.booleans())
def test_a_refit_is_finite_whatever_is_added(row: tuple, two_gate: bool, proposes: bool) -> None:
    tp, fp, fn, tn = row
    line = counted_line("own", tp, fp, fn, tn, two_gate=two_gate, proposes_test=proposes)
    refit = refit_pair(EDITION, DATA, "lachman", "acl-tear", added=[line])
    assert np.isfinite(refit.draws.mu).all() and np.isfinite(refit.aligned).all()
    assert abs(refit.weights.sum() - 1) < 1e-9
    accuracy = summarise(refit.draws, "lachman", "acl-tear", (), EDITION.id)
    for interval in (accuracy.lr_positive, accuracy.lr_negative):
        assert 0 < interval.low <= interval.high < np.inf


@settings(max_examples=25, deadline=None)
@given(st.integers(20, 300), st.integers(0, 20))
def test_more_hits_never_lower_the_sensitivity(size: int, base: int) -> None:
    def mean(hits: int) -> float:
        line = counted_line("own", hits, 5, size - hits, 95)
        return float(refit_pair(EDITION, DATA, "lachman", "acl-tear", added=[line]).aligned[:, 0].mean())

    low = min(base, size // 4)
    assert mean(low) < mean(low + size // 2)


@settings(max_examples=80, deadline=None)
@given(st.integers(1, 60), st.integers(1, 60), st.data())
def test_the_true_split_is_among_the_possible_ones(n1: int, n0: int, data: st.DataObject) -> None:
    tp, tn = data.draw(st.integers(0, n1)), data.draw(st.integers(0, n0))
    splits = possible_splits([PrintedRates(round(tp / n1, 2), round(tn / n0, 2), n1 + n0)], nodes=1000)
    assert splits is not None
    assert n1 in splits.n1
    assert np.isfinite(splits.log_likelihood(np.zeros((1, 2))))


@settings(max_examples=60, deadline=None)
@given(tables)
def test_weights_lie_between_zero_and_one(row: tuple) -> None:
    tp, fp, fn, tn = row
    for weight in line_weight("approx", tp, tp + fn, tn, fp + tn):
        assert 0 < weight < 1


@settings(max_examples=60, deadline=None)
@given(st.floats(-6, 6), st.floats(-6, 6), st.floats(0, 2), st.floats(0, 2))
def test_a_useless_test_has_ratios_about_one(one: float, two: float, study: float, rest: float) -> None:
    eye = np.broadcast_to(np.eye(2), (64, 2, 2))
    rates = predictive_rates(PairDraws(np.tile([one, two], (64, 1)), eye * study**2, eye * rest**2))
    assert ((rates >= 0) & (rates <= 1)).all()
    useless = summarise(PairDraws(np.tile([one, -one], (64, 1)), eye * 0, eye * 0), "f", "c", (), "id")
    assert abs(np.log(useless.lr_positive.mean)) < 1e-4
    assert strength(1.0) == "nearly useless"
