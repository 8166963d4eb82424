"""The rules by which tables become arrays."""

from __future__ import annotations

import invented_studies as invented
import numpy as np
import pytest

from endfeel.evidence import load_evidence
from endfeel.pooling.data import DESIGN, line_weight, pooling_data


def test_the_shipped_tables_become_arrays() -> None:
    evidence = load_evidence()
    data = pooling_data(evidence)
    assert set(data.pairs) == set(evidence.pairs())
    assert len(data.counted.sources) + len(data.rated.sources) + len(data.left_out) == len(evidence.accuracy) + len(
        evidence.rates
    )
    for r, source in enumerate(data.counted.sources):
        assert data.pairs[data.counted.pair[r]] == (source.observable_id, source.condition_id)
        assert data.studies[data.counted.study[r]] == (source.study_id, source.condition_id)
    assert (data.counted.weight > 0).all() and (data.counted.weight <= 1).all()


def test_two_criteria_of_one_study_count_as_one() -> None:
    rows = [invented.line(1, 8, 2, 4, 9), invented.line(1, 6, 1, 6, 10, criterion="gives way twice")]
    counted = pooling_data(invented.evidence([*rows, invented.line(2, 5, 5, 5, 5)])).counted
    assert counted.weight.tolist() == [[0.5, 0.5], [0.5, 0.5], [1.0, 1.0]]
    assert counted.study[0] == counted.study[1] != counted.study[2]


def test_tests_of_one_study_and_condition_share_its_effect_and_other_conditions_do_not() -> None:
    rows = [
        invented.line(1, 8, 2, 4, 9),
        invented.line(1, 8, 2, 4, 9, finding="knee-press"),
        invented.line(1, 8, 2, 4, 9, condition="pad-tear"),
    ]
    assert pooling_data(invented.evidence(rows)).counted.study.tolist() == [0, 0, 1]


def test_approximate_counts_weigh_less_and_the_more_so_the_larger_the_study() -> None:
    small, large = line_weight("approx", 15, 30, 20, 30), line_weight("approx", 450, 900, 600, 900)
    assert line_weight("solved", 15, 30, 20, 30) == line_weight("derived", 15, 30, 20, 30) == (1.0, 1.0)
    # By hand: p = 15.5/31, v = p (1 - p) / 30 = 0.008333, v / (v + 0.02^2 / 3) = 0.98425, times 30/32.
    assert small[0] == pytest.approx(0.98425 * 30 / 32, rel=1e-4)
    assert large[0] < small[0]


def test_design_is_coded_from_the_study_and_zero_where_not_described() -> None:
    studies = [invented.study(1, sampling="two-gate", proposes_test=True, index_blind="no")]
    rows = [invented.line(1, 8, 2, 4, 9), invented.line(2, 8, 2, 4, 9)]
    data = pooling_data(invented.evidence(rows, [invented.rates(7, 0.5, 0.5, 40)], studies))
    assert len(DESIGN) == 3
    assert data.counted.design.tolist() == [[1, 1, 1], [0, 0, 0]]
    assert data.rated.design.tolist() == [[0, 0, 0]]


def test_counts_displace_rates_of_the_same_reading() -> None:
    evidence = invented.evidence([invented.line(1, 8, 2, 4, 9)], [invented.rates(1, 0.67, 0.82, 23)])
    data = pooling_data(evidence)
    assert data.rated.sources == ()
    assert [(s.table, s.study_id) for s in data.left_out] == [("rates.csv", "ref-invented-1")]


def test_left_out_by_observable_or_finding() -> None:
    rows = [invented.line(1, 8, 2, 4, 9, finding="knee-press:inner"), invented.line(2, 8, 2, 4, 9)]
    evidence = invented.evidence(rows)
    for named in ("knee-press:inner", "knee-press"):
        data = pooling_data(evidence, frozenset({("ref-invented-1", named)}))
        assert [s.study_id for s in data.counted.sources] == ["ref-invented-2"]
        assert data.pairs == (("knee-pull", "band-tear"),)
        assert [s.observable_id for s in data.left_out] == ["knee-press:inner"]


def test_rates_lines_that_no_common_split_allows_stand_alone() -> None:
    printed = [invented.rates(1, 0.33, 0.5, 9), invented.rates(1, 0.41, 0.5, 26, finding="knee-press")]
    assert pooling_data(invented.evidence([], printed)).rated.n1.shape[0] == 2
    clash = [invented.rates(1, 0.33, 0.5, 9), invented.rates(1, 0.5, 0.8, 9, finding="knee-press")]
    assert pooling_data(invented.evidence([], clash)).rated.group.tolist() == [0, 1]


def test_rates_that_no_split_gives_are_told_with_their_line() -> None:
    with pytest.raises(ValueError, match=r"knee/rates.csv:2: no split of 9 people"):
        pooling_data(invented.evidence([], [invented.rates(1, 0.01, 0.5, 9)]))


def test_counts_beyond_32_bits_are_kept() -> None:
    data = pooling_data(invented.evidence([invented.line(1, 2**40, 2**39, 2**38, 2**41)]))
    assert data.counted.tp[0] == 2**40
    assert np.isfinite(data.counted.n0).all()
