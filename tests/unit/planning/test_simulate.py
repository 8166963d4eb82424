"""Simulated patients have the margins and the dependence of belief; wrong generators are wrong as they say."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from endfeel.belief import Context, RegionModel, believe, compile_region, prior_belief
from endfeel.belief.infer import MOST_BLOCKS
from endfeel.belief.results import Result
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.planning.simulate import FRESH_BLOCK, GENERATORS, Generator, _factor, prior_of, simulate_patients
from endfeel.pooling import load_edition

MANY = 20_000


@pytest.fixture(scope="module")
def knee() -> RegionModel:
    return compile_region(load_evidence(), load_edition(), load_catalogue(), Context("knee"))


def test_states_come_as_often_as_the_starting_chances(knee: RegionModel) -> None:
    patients = simulate_patients(knee, GENERATORS["model"], MANY, np.random.default_rng(1))
    share = knee.states[patients.state].mean(axis=0)
    chance = np.exp(knee.log_prior) @ knee.states
    assert np.abs(share - chance).max() < 4 * 0.5 / np.sqrt(MANY)


@pytest.mark.parametrize("name", ["model", "accuracy"])
def test_findings_are_positive_as_often_as_the_model_says(knee: RegionModel, name: str) -> None:
    patients = simulate_patients(knee, GENERATORS[name], MANY, np.random.default_rng(2))
    tables = knee.ranging() if name == "accuracy" else knee.weighing(FRESH_BLOCK)
    coarse = [knee.observed(o).coarse_of for o in knee.observables]
    for j in range(len(knee.observables)):
        if coarse[j] or knee.fitted.observed[j].grades:
            continue
        expected = tables.margin(j).mean(axis=0)[tables.place[j]][patients.state]
        gap = patients.positive[:, j].mean() - expected.mean()
        assert abs(gap) < 4.5 * 0.5 / np.sqrt(MANY), knee.observables[j]


def test_two_findings_go_together_as_belief_expects(knee: RegionModel) -> None:
    """How often both are positive in the simulation, against the belief's own probability."""
    one, other = "lachman", "anterior-drawer"
    assert knee.group_of(one) == knee.group_of(other)
    patients = simulate_patients(knee, GENERATORS["model"], 60_000, np.random.default_rng(3))
    both = patients.positive[:, knee.place[one]] & patients.positive[:, knee.place[other]]
    results: dict[str, Result] = {one: "positive", other: "positive"}
    expected = np.exp(believe(knee, results).log_evidence)
    apart = float(np.prod([patients.positive[:, knee.place[o]].mean() for o in (one, other)]))
    assert both.mean() == pytest.approx(expected, abs=4 * np.sqrt(expected / 60_000) + 0.004)
    assert both.mean() > apart * 1.5


def test_a_stronger_grade_is_never_positive_without_the_milder_and_a_coarse_reading_follows(knee: RegionModel) -> None:
    for region in ("knee", "hip", "shoulder", "lumbar-pelvis"):
        model = compile_region(load_evidence(), load_edition(), load_catalogue(), Context(region))
        patients = simulate_patients(model, GENERATORS["shift"], 2_000, np.random.default_rng(4))
        for j, observable in enumerate(model.observables):
            item = model.observed(observable)
            signs = [model.place[o] for o in item.grades if o in model.place]
            for milder, stronger in pairwise(signs):
                assert not (patients.positive[:, stronger] & ~patients.positive[:, milder]).any()
            fine = [model.place[o] for o in item.coarse_of if o != observable and o in model.place]
            if fine:
                assert (patients.positive[:, j] == patients.positive[:, fine].any(axis=1)).all()


def test_of_readings_that_exclude_each_other_at_most_one_is_positive_and_as_often_as_the_model_says() -> None:
    model = compile_region(load_evidence(), load_edition(), load_catalogue(), Context("shoulder"))
    patients = simulate_patients(model, GENERATORS["model"], MANY, np.random.default_rng(6))
    tables = model.weighing(FRESH_BLOCK)
    sets = {model.observed(o).exclusives for o in model.observables} - {()}
    assert sets
    for readings in sets:
        places = [model.place[o] for o in readings]
        assert patients.positive[:, places].sum(axis=1).max() == 1
        for j in places:
            expected = tables.margin(j).mean(axis=0)[tables.place[j]][patients.state].mean()
            assert patients.positive[:, j].mean() == pytest.approx(expected, abs=4.5 * 0.5 / np.sqrt(MANY))


def test_half_and_double_prevalence(knee: RegionModel) -> None:
    chance = np.exp(knee.log_prior) @ knee.states
    half = np.exp(prior_of(knee, GENERATORS["half"])) @ knee.states
    assert half == pytest.approx(chance / 2, rel=1e-6)
    doubled = np.exp(prior_of(knee, GENERATORS["double"])) @ knee.states
    assert (doubled > chance).all()
    assert doubled.sum() > 1.5 * chance.sum()


def test_a_clinic_shift_makes_findings_go_together_that_share_nothing(knee: RegionModel) -> None:
    """Two findings of different groups and conditions, in patients with no specific structure."""
    one, other = "lachman", "joint-line-tenderness:medial"
    assert knee.group_of(one) != knee.group_of(other)
    assert not set(knee.responds_to(one)) & set(knee.responds_to(other))

    def correlation(generator: Generator) -> float:
        patients = simulate_patients(replace(knee, kappa=0.0), generator, 60_000, np.random.default_rng(5))
        here = patients.state == 0
        columns = patients.positive[here][:, [knee.place[one], knee.place[other]]].astype(float)
        return float(np.corrcoef(columns.T)[0, 1])

    assert correlation(Generator("shifts much", clinic_shift=1.0)) > 0.2
    assert abs(correlation(GENERATORS["model"])) < 0.05


def test_interaction_leaves_single_conditions_alone(knee: RegionModel) -> None:
    rng = np.random.default_rng(6)
    plain = simulate_patients(knee, GENERATORS["model"], MANY, rng)
    odd = simulate_patients(knee, Generator("much interaction", interaction=2.0), MANY, np.random.default_rng(6))
    size = knee.states.sum(axis=1)
    single = {n: s.positive[size[s.state] <= 1].mean(axis=0) for n, s in (("plain", plain), ("odd", odd))}
    several = {n: s.positive[size[s.state] >= 2].mean(axis=0) for n, s in (("plain", plain), ("odd", odd))}
    assert np.abs(single["plain"] - single["odd"]).max() < 0.03
    assert np.abs(several["plain"] - several["odd"]).max() > 0.08


def test_a_heavy_tailed_factor_has_variance_one() -> None:
    drawn = _factor(Generator("heavy", degrees_of_freedom=8.0), (200_000,), np.random.default_rng(7))
    assert drawn.var() == pytest.approx(1.0, abs=0.03)
    assert ((drawn - drawn.mean()) ** 4).mean() > 3.5


def test_the_same_seed_gives_the_same_patients(knee: RegionModel) -> None:
    one = simulate_patients(knee, GENERATORS["t3"], 50, np.random.default_rng(8))
    again = simulate_patients(knee, GENERATORS["t3"], 50, np.random.default_rng(8))
    other = simulate_patients(knee, GENERATORS["t3"], 50, np.random.default_rng(9))
    assert (one.positive == again.positive).all() and (one.state == again.state).all()
    assert (one.positive != other.positive).any()


@pytest.mark.parametrize(
    ("generator", "count", "said"),
    [
        (GENERATORS["model"], 0, "at least 1"),
        (Generator("no variance", degrees_of_freedom=2.0), 5, "more than 2"),
        (Generator("nobody ill", prevalence=0.0), 5, "positive factor"),
    ],
)
def test_what_can_not_be_simulated_is_refused(knee: RegionModel, generator: Generator, count: int, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        simulate_patients(knee, generator, count, np.random.default_rng(0))


def test_no_belief_weighs_over_the_draws_that_patients_come_from(knee: RegionModel) -> None:
    assert FRESH_BLOCK > MOST_BLOCKS
    fresh, used = knee.weighing(FRESH_BLOCK), knee.weighing(0)
    assert not np.allclose(fresh.eta(0), used.eta(0))
    assert prior_belief(knee).effective_draws > 1
