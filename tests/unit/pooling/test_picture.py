"""What the plots show: intervals of studies, outlines that hold what they say, every line in its place."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit, logit
from scipy.stats import binomtest

from endfeel.evidence import load_evidence
from endfeel.pooling import load_edition, pool
from endfeel.pooling.picture import confidence_outline, pair_picture, prediction_outline, study_rates, wilson
from endfeel.pooling.predictive import PairDraws, pair_draws

BASE, EDITION = load_evidence(), load_edition()


@pytest.mark.parametrize(("hits", "size"), [(0, 1), (1, 1), (0, 30), (7, 30), (30, 30), (400, 1000)])
def test_study_intervals_are_wilsons(hits: int, size: int) -> None:
    reference = binomtest(hits, size).proportion_ci(method="wilson")
    found = wilson(hits, size)
    assert found.low == pytest.approx(reference.low, abs=1e-9)
    assert found.high == pytest.approx(reference.high, abs=1e-9)
    assert found.low <= found.mean == hits / size <= found.high
    with pytest.raises(ValueError, match="no fraction of people"):
        wilson(1, 0)


def test_outlines_hold_95_per_cent_of_what_they_stand_for() -> None:
    rng = np.random.default_rng(4)
    size = 4000
    mu = rng.multivariate_normal([0.8, 1.4], [[0.3, -0.1], [-0.1, 0.2]], size)
    study = np.broadcast_to(np.array([[0.3, -0.2], [-0.2, 0.4]]), (size, 2, 2))
    rest = np.broadcast_to(np.array([[0.2, -0.1], [-0.1, 0.3]]), (size, 2, 2))
    draws = PairDraws(mu, study, rest)
    new = mu + rng.multivariate_normal([0, 0], study[0] + rest[0], size)
    for outline, values in ((confidence_outline(draws), mu), (prediction_outline(draws), new)):
        inside = _inside(np.stack([1 - expit(values[:, 1]), expit(values[:, 0])], axis=1), outline)
        assert inside.mean() == pytest.approx(0.95, abs=0.015)


def test_the_region_for_a_new_clinic_holds_that_of_the_average_clinic() -> None:
    for pair in BASE.pairs("knee")[:12]:
        if pair not in EDITION.pair_index:
            continue
        draws = pair_draws(EDITION, *pair)
        inner, outer = confidence_outline(draws), prediction_outline(draws)
        assert np.isfinite(outer).all() and (outer >= 0).all() and (outer <= 1).all()
        assert _inside(inner, outer).all()


def test_every_line_is_drawn_with_the_largest_first_and_unused_ones_last() -> None:
    for pair in BASE.pairs():
        lines = study_rates(EDITION, BASE, *pair)
        assert len(lines) == len(BASE.accuracy_of(*pair)) + len(BASE.rates_of(*pair))
        assert [not line.used for line in lines] == sorted(not line.used for line in lines)
        used = [line.people for line in lines if line.used]
        assert used == sorted(used, reverse=True)
        for line in lines:
            for rate in (line.sensitivity, line.specificity):
                assert 0 <= rate.low <= rate.mean <= rate.high <= 1
            assert (line.with_condition is None) == (line.sensitivity.low == line.sensitivity.high)


def test_the_picture_of_a_pair_agrees_with_its_figures() -> None:
    accuracy = pool(EDITION, BASE, "lachman", "acl-tear")
    picture = pair_picture(EDITION, BASE, accuracy)
    assert picture.average == (1 - accuracy.pooled.specificity.mean, accuracy.pooled.sensitivity.mean)
    assert sum(line.used for line in picture.lines) == accuracy.k == 2
    left_out = [line.row.study_id for line in picture.lines if not line.used]
    assert left_out == ["pmid-3752353"], "performed under anaesthesia"


def _inside(points: np.ndarray, outline: np.ndarray) -> np.ndarray:
    """Which points lie inside an outline, by turning number on the logit scale."""
    ring, at = logit(np.clip(outline, 1e-12, 1 - 1e-12)), logit(np.clip(points, 1e-12, 1 - 1e-12))
    away = ring[None] - at[:, None]
    angle = np.unwrap(np.arctan2(away[..., 1], away[..., 0]), axis=1)
    return np.abs(angle[:, -1] - angle[:, 0]) > np.pi
