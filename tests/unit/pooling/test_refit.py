"""The quick refit: against a plain grid where that can be had, and honest where its weights fail."""

from __future__ import annotations

import time

import invented_studies as invented
import numpy as np
import pytest
from scipy.special import expit, log_expit, ndtri
from scipy.stats import qmc

from endfeel.evidence import load_evidence
from endfeel.pooling import load_edition, pool
from endfeel.pooling.data import pooling_data
from endfeel.pooling.edition import Edition, make_edition
from endfeel.pooling.integrate import PICKS
from endfeel.pooling.refit import counted_line, likelihood_as_it_stands, lines_of, refit_pair, with_refits
from endfeel.pooling.sensitivity import sensitivity

SIGMA_STUDY = np.array([[0.5, 0.2], [0.2, 0.6]])
SIGMA_REST = np.array([[0.4, -0.15], [-0.15, 0.3]])
PAIR_SD, PAIR_CORRELATION = np.array([1.0, 0.8]), -0.6
CENTRE = np.array([0.6, 1.4])
DESIGN = np.array([1.0, 0.4, 0.2])


def edition_of_certainty(draws: int = 4000) -> Edition:
    """Shared parameters and study effects all known exactly: only the pair's own mean is left to learn."""
    tile = (draws, 1)
    return make_edition(
        pairs=(("knee-pull", "band-tear"),), kinds=("laxity", "provocation"), conditions=("band-tear",),
        studies=(("ref-invented-1", "band-tear"),),
        arrays={
            "mu": np.tile(CENTRE, (draws, 1, 1)), "sigma_study": np.tile(SIGMA_STUDY, (draws, 1, 1)),
            "sigma_rest": np.tile(SIGMA_REST, (draws, 1, 1)), "kind_mean": np.tile(CENTRE, (draws, 2, 1)),
            "condition_effect": np.zeros((draws, 1, 2)), "condition_sd": np.full((draws, 2), 0.4),
            "pair_sd": np.tile(PAIR_SD, tile), "pair_correlation": np.full(draws, PAIR_CORRELATION),
            "study_effect": np.full((draws, 1, 2), 0.25), "design_effect": np.tile(DESIGN, tile),
        },
        meta={"seed": 0},
    )  # fmt: skip


def grid_posterior(lines: list[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    """Mean and sd of mu by brute force; a line is (tp and tn, sizes, offset of theta from mu, its covariance)."""
    axis = np.linspace(-4, 6, 71)
    mu = np.stack(np.meshgrid(axis, axis, indexing="ij"), axis=-1).reshape(-1, 2)
    between = PAIR_CORRELATION * PAIR_SD[0] * PAIR_SD[1]
    prior = np.array([[PAIR_SD[0] ** 2, between], [between, PAIR_SD[1] ** 2]])
    log_posterior = -0.5 * np.einsum("gi,ij,gj->g", mu - CENTRE, np.linalg.inv(prior), mu - CENTRE)
    noise = ndtri(qmc.Sobol(2, rng=np.random.default_rng(0)).random(1024))
    for hits, sizes, offset, covariance in lines:
        shift = offset + noise @ np.linalg.cholesky(covariance).T
        for chunk in np.array_split(np.arange(mu.shape[0]), 20):
            theta = mu[chunk, None] + shift
            inside = (hits * log_expit(theta) + (sizes - hits) * log_expit(-theta)).sum(axis=-1)
            top = inside.max(axis=1)
            log_posterior[chunk] += top + np.log(np.exp(inside - top[:, None]).mean(axis=1))
    weight = np.exp(log_posterior - log_posterior.max())
    weight /= weight.sum()
    mean = weight @ mu
    return mean, np.sqrt(weight @ (mu - mean) ** 2)


def test_adding_a_study_gives_the_posterior_of_a_grid() -> None:
    # A second test of study 1 tells about the study's effect: the edition's draw of it is used.
    evidence = invented.evidence([invented.line(1, 14, 3, 2, 17), invented.line(1, 9, 9, 7, 11, finding="knee-press")])
    edition = edition_of_certainty()
    new = counted_line("own", 5, 9, 6, 30, two_gate=True)
    refit = refit_pair(edition, pooling_data(evidence), "knee-pull", "band-tear", added=[new])
    mean, sd = grid_posterior(
        [
            (np.array([14, 17]), np.array([16, 20]), np.array([0.25, 0.25]), SIGMA_REST),
            (np.array([5, 30]), np.array([11, 39]), np.array([0.5, 0.5]), SIGMA_REST + SIGMA_STUDY),
        ]
    )
    assert refit.draws.mu.mean(axis=0) == pytest.approx(mean, abs=0.06 * sd.max())
    assert refit.draws.mu.std(axis=0) == pytest.approx(sd, rel=0.06)
    assert refit.aligned.mean(axis=0) == pytest.approx(mean, abs=0.06 * sd.max())


def test_zero_cells_of_a_lone_line_give_the_posterior_of_a_grid() -> None:
    # No other line tells about study 1: its effect is integrated with the residual.
    evidence = invented.evidence([invented.line(1, 9, 0, 0, 7)])
    edition = edition_of_certainty()
    refit = refit_pair(edition, pooling_data(evidence), "knee-pull", "band-tear")
    mean, sd = grid_posterior([(np.array([9, 7]), np.array([9, 7]), np.zeros(2), SIGMA_REST + SIGMA_STUDY)])
    assert refit.draws.mu.mean(axis=0) == pytest.approx(mean, abs=0.08 * sd.max())
    assert refit.draws.mu.std(axis=0) == pytest.approx(sd, rel=0.08)


def test_without_its_lines_a_pair_falls_back_to_its_kind() -> None:
    evidence = invented.evidence([invented.line(1, 14, 3, 2, 17)])
    edition = edition_of_certainty()
    refit = refit_pair(edition, pooling_data(evidence), "knee-pull", "band-tear", without=lambda line: True)
    assert refit.draws.mu.mean(axis=0) == pytest.approx(CENTRE, abs=0.06)
    assert refit.draws.mu.std(axis=0) == pytest.approx(PAIR_SD, abs=0.05)


def test_a_pair_new_to_the_edition_needs_its_kind() -> None:
    evidence = invented.evidence([invented.line(1, 14, 3, 2, 17)])
    edition, data = edition_of_certainty(), pooling_data(evidence)
    with pytest.raises(ValueError, match="say which kind"):
        refit_pair(edition, data, "knee-look", "pad-tear", added=[counted_line("own", 5, 9, 6, 30)])
    refit = refit_pair(edition, data, "knee-look", "pad-tear", added=[counted_line("own", 5, 9, 6, 30)], kind="laxity")
    changed = with_refits(edition, [refit], "one study of our own")
    assert changed.pair("knee-look", "pad-tear").shape == (edition.draws, 2)
    assert changed.id != edition.id
    assert changed.meta["based_on"] == edition.id
    assert np.array_equal(changed.pair("knee-pull", "band-tear"), edition.pair("knee-pull", "band-tear"))


def test_changing_nothing_changes_nothing_in_the_shipped_edition() -> None:
    edition, data = load_edition(), pooling_data(load_evidence(), load_edition().left_out)
    for pair in (
        ("lachman", "acl-tear"),
        ("neer-sign", "subacromial-pain"),
        ("thessaly-5:medial", "meniscal-tear-medial"),
    ):
        refit = refit_pair(edition, data, *pair)
        before = edition.pair(*pair)
        assert refit.aligned.mean(axis=0) == pytest.approx(before.mean(axis=0), abs=0.12 * before.std())
        assert refit.aligned.std(axis=0) == pytest.approx(before.std(axis=0), rel=0.15)
        assert refit.reweighted


def test_a_large_good_study_pulls_towards_itself_and_narrows() -> None:
    edition, data = load_edition(), pooling_data(load_evidence(), load_edition().left_out)
    before = edition.pair("lachman", "acl-tear")
    refit = refit_pair(edition, data, "lachman", "acl-tear", added=[counted_line("own", 480, 10, 20, 490)])
    after = refit.draws.mu
    assert (after.mean(axis=0) > before.mean(axis=0) + 0.1).all()
    assert (after.std(axis=0) < before.std(axis=0) * 1.05).all()


def test_a_refit_takes_no_more_than_a_fifth_of_a_second() -> None:
    edition, data = load_edition(), pooling_data(load_evidence(), load_edition().left_out)
    most = max(edition.pairs, key=lambda pair: len(lines_of(data, *pair)))
    new = counted_line("own", 48, 10, 20, 49)
    refit_pair(edition, data, *most, added=[new])
    spent = []
    for _ in range(3):
        started = time.process_time()
        refit_pair(edition, data, *most, added=[new])
        spent.append(time.process_time() - started)
    assert min(spent) < 0.2


def test_pairs_do_not_meet_the_same_noise() -> None:
    edition, data = load_edition(), pooling_data(load_evidence(), load_edition().left_out)
    new = counted_line("own", 20, 9, 16, 30)
    drawn = [
        refit_pair(edition, data, observable, "acl-tear", added=[new], kind="laxity").aligned
        for observable in ("knee-look", "knee-pull")
    ]
    known = [np.corrcoef(drawn[0][:, side], drawn[1][:, side])[0, 1] for side in (0, 1)]
    # What both share is only the edition's own draw of kind, condition and spreads.
    assert max(known) < 0.4


def test_questions_about_one_pair_share_what_they_start_from() -> None:
    edition, evidence = load_edition(), load_evidence()
    data = pooling_data(evidence, edition.left_out)
    pair = ("joint-line-tenderness:medial", "meniscal-tear-medial")
    before = likelihood_as_it_stands(edition, data, *pair)
    first = lines_of(data, *pair)[0].study_id
    apart = refit_pair(edition, data, *pair, without=lambda line: line.study_id == first)
    shared = refit_pair(edition, data, *pair, without=lambda line: line.study_id == first, before=before)
    assert np.array_equal(apart.draws.mu, shared.draws.mu) and apart.pareto_k == shared.pareto_k
    with pytest.raises(ValueError, match="leave lines"):
        refit_pair(edition, data, *pair, added=[counted_line("own", 5, 9, 6, 30)], before=before)
    started = time.process_time()
    sensitivity(edition, evidence, data, *pair)
    assert time.process_time() - started < 1.0


def test_ten_thousand_studies_and_counts_beyond_32_bits_stay_finite() -> None:
    edition, data = load_edition(), pooling_data(load_evidence(), load_edition().left_out)
    many = [counted_line(f"own-{i}", 40 + i % 7, 5, 10, 50 + i % 5) for i in range(10_000)]
    refit = refit_pair(edition, data, "lachman", "acl-tear", added=many)
    assert np.isfinite(refit.draws.mu).all() and refit.draws.mu.shape == (PICKS * edition.draws, 2)
    assert expit(refit.draws.mu.mean(axis=0)) == pytest.approx([0.81, 0.91], abs=0.03)
    big = refit_pair(edition, data, "lachman", "acl-tear", added=[counted_line("own", 2**45, 2**40, 2**40, 2**45)])
    assert np.isfinite(big.draws.mu).all() and np.isfinite(big.weights).all()


@pytest.mark.parametrize(
    ("counts", "message"),
    [((0, 3, 0, 4), "nobody with the"), ((3, 0, 4, 0), "nobody without the"), ((-1, 1, 2, 3), "tp is -1")],
)
def test_counts_that_can_not_be_are_told(counts: tuple[int, int, int, int], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        counted_line("own", *counts)


def test_sensitivity_asks_only_what_leaves_a_line_out_and_flags_changed_words() -> None:
    edition, evidence = load_edition(), load_evidence()
    data = pooling_data(evidence, edition.left_out)
    found = sensitivity(edition, evidence, data, "lachman", "acl-tear")
    whole = pool(edition, evidence, "lachman", "acl-tear")
    assert len([a for a in found if a.without.startswith(("without pmid", "without doi"))]) == whole.k
    for alternative in found:
        assert alternative.accuracy.k < whole.k
        assert not alternative.changes or alternative.accuracy.worth != whole.worth
    single = next(pair for pair in edition.pairs if len(lines_of(data, *pair)) == 1)
    alone = sensitivity(edition, evidence, data, *single)[0]
    assert alone.accuracy.k == 0 and alone.accuracy.sentence.startswith("No study")
