"""Dependence is recovered where it is, and not found where it is not; the shipped file is what the tables give."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit

from endfeel.belief.clusters import Cluster, Counts, qualifying_clusters
from endfeel.belief.dependence import SHIPPED, Dependence, read_dependence, shipped_dependence
from endfeel.belief.estimate import LOGIT_R, build_dependence, cluster_likelihood, estimate
from endfeel.belief.refusal import BeliefError
from endfeel.evidence import load_evidence

TESTS = 4


def simulated(r: float, *, singles: bool, clusters: int, people: int, seed: int) -> list[Cluster]:
    """Studies whose people are drawn from the model itself with one r, the single tests unknown to the estimator or
    counted on the same people."""
    rng = np.random.default_rng(seed)
    found = []
    for number in range(clusters):
        classes = []
        for level in (-0.7, 0.5):
            eta = level + 0.4 * rng.standard_normal(TESTS)
            shared = rng.standard_normal((people, 1))
            latent = eta + np.sqrt(r) * shared + np.sqrt(1 - r) * rng.standard_normal((people, TESTS))
            positive = latent > 0
            count = positive.sum(axis=1)
            cuts = (2, 3) if singles else (1, 2, 4)
            edges = [0, *cuts, TESTS + 1]
            cells = np.histogram(count, bins=np.array(edges) - 0.5)[0].astype(float)
            held = np.stack([positive.sum(axis=0), np.full(TESTS, people)], axis=1).astype(float)
            classes.append((Counts(1.0, cells, held if singles else None),))
        found.append(
            Cluster(
                f"ref-invented-{number}", "knee", "alpha-tear", tuple("abcd"), ("one",) * TESTS, cuts,
                (classes[0], classes[1]), False,
            )
        )
    return found


@pytest.mark.parametrize("singles", [True, False])
@pytest.mark.parametrize(("true", "low", "high"), [(0.0, 0.0, 0.08), (0.5, 0.4, 0.6)])
def test_recovers_the_dependence_that_is_there(true: float, low: float, high: float, singles: bool) -> None:
    clusters = simulated(true, singles=singles, clusters=12, people=150, seed=11)
    found = estimate(cluster_likelihood(c, 0.3, points=512) for c in clusters)
    assert all(low <= r <= high for r in found.largest), found.largest
    centre = expit(found.dependence.mean)
    assert (centre < 0.15) if true == 0 else (0.35 < centre < 0.62)
    assert found.dependence.mean_sd < Dependence().mean_sd


def test_plugging_in_other_studies_accuracies_would_find_what_is_not_there() -> None:
    """Why single tests must come from the same people: with others' figures put in as known, independence looks like
    dependence."""
    rng = np.random.default_rng(2)
    plugged = []
    for cluster in simulated(0.0, singles=True, clusters=16, people=150, seed=3):
        classes = []
        for (counts,) in cluster.classes:
            assert counts.singles is not None
            rate = counts.singles[:, 0] / counts.singles[:, 1]
            other = np.clip(expit(np.log(rate / (1 - rate)) + 0.8 * rng.standard_normal(TESTS)), 0.02, 0.98)
            known = np.stack([other * 1e5, np.full(TESTS, 1e5)], axis=1)
            classes.append((Counts(1.0, counts.cells, known),))
        plugged.append(Cluster(**{**cluster.__dict__, "classes": (classes[0], classes[1])}))
    found = estimate(cluster_likelihood(c, 0.3, points=256) for c in plugged)
    assert expit(found.dependence.mean) > 0.15


def test_no_cluster_leaves_the_prior() -> None:
    found = estimate(()).dependence
    prior = Dependence()
    assert found.mean == pytest.approx(prior.mean, abs=0.02) and found.mean_sd == pytest.approx(prior.mean_sd, abs=0.02)
    assert found.gap == pytest.approx(0, abs=1e-6) and found.groups == {} and found.together == {}


def test_draws_follow_the_stated_law() -> None:
    rng = np.random.default_rng(1)
    dependence = Dependence(groups={"knot": ((1.0, 0.1), (-1.0, 0.1))})
    r = dependence.draw(("knot", "other"), rng.standard_normal((4000, 2)), rng.standard_normal((4000, 2, 2)))
    logit = np.log(r / (1 - r))
    assert logit[:, 0].mean(axis=0) == pytest.approx([1.0, -1.0], abs=0.02)
    assert logit[:, 1, 0].mean() == pytest.approx(dependence.mean, abs=0.05)
    assert logit[:, 1, 0].std() == pytest.approx(np.hypot(0.8, 0.6), abs=0.06)
    assert np.corrcoef(logit[:, 1, 0], logit[:, 1, 1])[0, 1] > 0.5
    assert r.max() <= 0.85


def test_what_a_structure_shares_is_alike_in_both_classes() -> None:
    rng = np.random.default_rng(3)
    shared, own = rng.standard_normal((20_000, 2)), rng.standard_normal((20_000, 2, 2))
    fixed = Dependence(mean_sd=0.0, gap_sd=0.0, groups={"knot": ((-1.0, 0.4), (-1.2, 0.5))}, together={"knot": 0.7})
    r = fixed.draw(("knot", "other"), shared, own)
    logit = np.log(r / (1 - r))
    assert np.corrcoef(logit[:, 0].T)[0, 1] == pytest.approx(0.7, abs=0.02)
    assert np.corrcoef(logit[:, 1].T)[0, 1] == pytest.approx(0.5, abs=0.02)
    assert logit[:, 1].std(axis=0) == pytest.approx([0.6, 0.6], abs=0.02)


def test_one_class_tells_of_the_other_only_as_far_as_they_are_alike() -> None:
    (cluster,) = simulated(0.6, singles=True, clusters=1, people=400, seed=5)
    alone = Cluster(**{**cluster.__dict__, "classes": (cluster.classes[0], ())})
    likelihood = cluster_likelihood(alone, 0.3, points=512)
    told = {}
    for part in (0.0, 0.5, 0.95):
        prior = Dependence(mean_sd=0.1, gap_sd=0.1, shared=part)
        told[part] = estimate([likelihood], prior).dependence.groups["one"][1][0]
    before = Dependence().mean
    assert told[0.0] == pytest.approx(before, abs=0.05)
    assert before + 0.2 < told[0.5] < told[0.95]


def test_the_evidence_of_all_is_the_chain_of_predictions() -> None:
    """By hand for one class of one cluster: a sum over the prior of its likelihood."""
    (cluster,) = simulated(0.3, singles=True, clusters=1, people=60, seed=6)
    alone = Cluster(**{**cluster.__dict__, "classes": (cluster.classes[0], ())})
    likelihood = cluster_likelihood(alone, 0.3, points=256)
    prior = Dependence(mean_sd=0.3, gap_sd=0.1, shared=0.5)
    found = estimate([likelihood], prior).log_evidence
    weight = np.exp(-0.5 * ((LOGIT_R - prior.mean) / np.hypot(prior.mean_sd, prior.spread)) ** 2)
    expected = np.log(weight @ np.exp(likelihood.log_likelihood[0]) / weight.sum())
    assert found == pytest.approx(expected, abs=0.02)
    assert estimate((), prior).log_evidence == pytest.approx(0.0, abs=1e-9)


def test_a_file_from_before_classes_were_alike_is_read_as_it_was_meant(tmp_path: Path) -> None:
    lines = [
        line for line in SHIPPED.read_text(encoding="utf-8").splitlines() if not line.startswith(("shared", "together"))
    ]
    path = tmp_path / "dependence.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    old = read_dependence(path)
    assert old.shared == 0.0 and set(old.together.values()) == {0.0} and old.groups == shipped_dependence().groups


def test_the_shipped_estimates_are_what_the_shipped_tables_give() -> None:
    evidence = load_evidence()
    held = tomllib.loads(SHIPPED.read_text(encoding="utf-8"))
    assert held["made_from"]["tables"] == evidence.fingerprint, "tables changed: build data/dependence.toml again"
    found, _ = build_dependence(evidence)
    shipped = shipped_dependence()
    assert found.dependence.mean == pytest.approx(shipped.mean, abs=0.02)
    assert found.dependence.mean_sd == pytest.approx(shipped.mean_sd, abs=0.02)
    assert set(found.dependence.groups) == set(shipped.groups)


def test_clusters_that_qualify_have_singles_or_cut_offs() -> None:
    clusters = qualifying_clusters(load_evidence())
    assert {c.study_id for c in clusters} >= {"ref-sutlive-2008", "pmid-11371658", "ref-grondin-2021"}
    for cluster in clusters:
        counts = [c for splits in cluster.classes for c in splits]
        assert len(cluster.cuts) > 1 or all(c.singles is not None for c in counts)
        for c in counts:
            assert (c.cells >= 0).all() and len(c.cells) == len(cluster.cuts) + 1
    grondin = next(c for c in clusters if c.study_id == "ref-grondin-2021")
    assert grondin.classes[1][0].cells.tolist() == [1.0, 14.0, 12.0]


def test_a_damaged_file_is_refused_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "dependence.toml"
    path.write_text("source = 1\n", encoding="utf-8")
    with pytest.raises(BeliefError, match="not a dependence file"):
        read_dependence(path)
    with pytest.raises(BeliefError) as refused:
        read_dependence(tmp_path / "absent.toml")
    assert "\n" not in str(refused.value)
