"""Healthy controls of two-gate studies bear on the state none, weakly, and on no other."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
import small_world as world
from scipy.special import expit, ndtr

from endfeel.belief import Context, believe, compile_region, predict
from endfeel.belief.controls import (
    HEALTHY_SPREAD,
    Controls,
    controls_eta,
    healthy_controls,
    pooled_rate,
    says_healthy,
)
from endfeel.belief.infer import state_probability_by_draw
from endfeel.belief.model import RegionModel
from endfeel.evidence import load_evidence
from endfeel.evidence.base import EvidenceBase
from endfeel.evidence.rows import StudyRow

STUDY = "ref-invented-2020"


def examined(detail: str, false_positives: int = 0, people: int = 40) -> EvidenceBase:
    """The small world, its alpha-pull read in so many controls."""
    found = world.evidence()
    study = StudyRow.model_validate(
        {
            "region": "knee", "study_id": STUDY, "citation": "Invented", "year": 2020, "setting": "secondary",
            "sampling": "two-gate", "reference_standard": "mri", "index_blind": "unclear",
            "reference_blind": "unclear", "proposes_test": "no",
        }
    )
    rows = tuple(
        row.model_copy(
            update={"condition_detail": detail, "fp": false_positives, "tn": people - false_positives}
            if row.observable_id == "alpha-pull"
            else {}
        )
        for row in found.accuracy
    )
    name = f"{found.fingerprint} {detail} {false_positives} {people}"
    return replace(found, accuracy=rows, studies=MappingProxyType({STUDY: study}), fingerprint=name)


def compiled(evidence: EvidenceBase) -> RegionModel:
    return compile_region(evidence, world.edition(), world.catalogue(), Context("knee", onset="injury"))


@pytest.mark.parametrize(
    ("detail", "healthy"),
    [
        ("torn at operation, against healthy volunteers", True),
        ("patients against unaffected controls", True),
        ("torn at operation; symptom-free athletes as comparison", True),
        ("pain of any kind versus women without it", True),
        ("torn at operation, against control hands", False),
        ("torn at operation, against symptom-free people (54) and other neuropathies (14)", False),
        ("pain, against cuff tears (healthy volunteers left out)", False),
        ("torn at operation; comparison hips symptom-free or intact at operation", False),
        ("healthy people were not examined", False),
        ("", False),
    ],
)
def test_only_controls_all_of_whom_are_said_to_be_healthy_count(detail: str, healthy: bool) -> None:
    assert says_healthy(detail) is healthy


def test_the_shipped_lines_that_count() -> None:
    evidence = load_evidence()
    two_gate = [
        row for row in evidence.accuracy
        if (study := evidence.studies.get(row.study_id)) is not None and study.sampling == "two-gate"
    ]
    used = {(row.study_id, row.observable_id) for row in two_gate if says_healthy(row.condition_detail or "")}
    assert len(two_gate) == 66 and len(used) == 24
    assert {study for study, _ in used} == {
        "doi-10.1016_j.math.2012.01.007", "doi-10.1016_j.ptsp.2020.12.021", "doi-10.1080_10669817.2022.2099181",
        "doi-10.1097_BCO.0000000000001193", "doi-10.1148_radiol.2501080397", "pmid-19942363", "pmid-22219215",
        "pmid-22405941", "pmid-24175954", "pmid-30863191", "pmid-32817771", "pmid-33101186", "ref-choa-2014",
        "ref-li-2020", "ref-tetro-1998",
    }


def test_the_same_people_are_taken_once_and_one_gate_lines_not_at_all() -> None:
    evidence = examined("torn, against healthy volunteers", false_positives=3)
    row = next(r for r in evidence.accuracy if r.observable_id == "alpha-pull")
    study = evidence.studies[STUDY]
    other = row.model_copy(update={"condition_id": "gamma-pain", "fp": 1, "tn": 19})
    found = healthy_controls([(other, study), (row, study)])
    assert found == Controls("alpha-tear", (STUDY,), (3,), (40,))
    assert healthy_controls([(row, study.model_copy(update={"sampling": "consecutive"})), (row, None)]) is None


def test_the_pooled_rate_by_hand() -> None:
    controls = Controls("alpha-tear", ("a", "b"), (0, 9), (9, 18))
    first, second = np.log(0.5 / 9.5), 0.0
    one, two = 1 / (1 / 0.5 + 1 / 9.5 + 0.3), 1 / (2 / 9.5 + 0.3)
    logit, variance = pooled_rate(controls, 0.2, 0.1)
    assert logit == pytest.approx((one * first + two * second) / (one + two))
    assert variance == pytest.approx(1 / (one + two))
    eta, message = controls_eta(controls, np.array([0.0, 1.0]), 0.2, 0.1)
    rng = np.random.default_rng(0)
    draws = logit + np.sqrt(variance + 0.1) * rng.standard_normal(400_000)
    assert ndtr(eta) == pytest.approx([expit(draws).mean(), expit(draws - 1).mean()], abs=2e-3)
    assert message == pytest.approx((variance + 0.2 + HEALTHY_SPREAD**2) / 1.7**2)


def test_they_inform_the_state_none_and_no_other() -> None:
    without = compiled(examined("torn, against other patients"))
    model = compiled(examined("torn, against healthy volunteers"))
    before, after = (m.p_positive("alpha-pull").mean(axis=0) for m in (without, model))
    none = model.membership[model.none_id]
    assert none.sum() == 1
    assert np.array_equal(before[~none], after[~none])
    # Pooled, 14 of 100 without the tear are positive; none of 40 healthy people was.
    assert 0.6 * before[none][0] < after[none][0] < 0.97 * before[none][0]
    for observable in model.observables:
        if observable != "alpha-pull":
            assert np.array_equal(without.p_positive(observable), model.p_positive(observable)), observable


def test_a_positive_then_speaks_more_against_none() -> None:
    without = compiled(examined("torn, against other patients"))
    few, many = (compiled(examined("torn, against healthy volunteers", 0, n)) for n in (10, 4_000))
    often = compiled(examined("torn, against healthy volunteers", 20, 40))
    chance = {
        name: believe(m, {"alpha-pull": "positive"}).chances[m.none_id].mean
        for name, m in (("without", without), ("few", few), ("many", many), ("often", often))
    }
    assert chance["many"] < chance["few"] < chance["without"] < chance["often"]


def test_however_many_they_inform_but_do_not_decide() -> None:
    (gap,) = compiled(examined("torn, against healthy volunteers", 0, 1_000_000)).control_gaps
    assert gap.observable == "alpha-pull" and gap.people == 1_000_000
    assert 0 < gap.weight < 0.5
    assert gap.conflict and gap.gap < -3
    (agreeing,) = compiled(examined("torn, against healthy volunteers", 6, 40)).control_gaps
    assert not agreeing.conflict and abs(agreeing.gap) < 0.5
    assert compiled(examined("torn, against controls")).control_gaps == ()


def test_sums_stay_exact_with_controls() -> None:
    network = pytest.importorskip("network", reason="pyagrum is not installed")
    model = compiled(examined("torn, against healthy volunteers", 1, 60))
    results = {"alpha-pull": "positive", "alpha-push": "negative", "alpha-twist": "positive", "beta-turn": "positive"}
    by_draw = state_probability_by_draw(model, believe(model, results))
    for draw in (0, 64, 127):
        theirs = network.posterior(model, network.build(model, draw, tuple(results)), results)
        assert np.abs(by_draw[draw] - theirs).max() < 1e-9
    before = believe(model, {"alpha-push": "negative", "gamma-squeeze": "positive"})
    ahead = predict(model, before, ["alpha-pull"])[0]
    after = believe(model, {**before.results, "alpha-pull": "positive"})
    assert after.state_probability == pytest.approx(ahead.if_positive, abs=1e-9)
