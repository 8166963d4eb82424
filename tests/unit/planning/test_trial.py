"""Ways of examining tried on simulated patients: they average to the exact figures; patients show what they must."""

from __future__ import annotations

import numpy as np
import pytest

from endfeel.belief import Context, RegionModel, believe, compile_region
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.planning import Situation, default_costs
from endfeel.planning.decide import action_table, smallest_loss
from endfeel.planning.simulate import GENERATORS, patients_showing
from endfeel.planning.strategy import (
    Strategy,
    battery_efforts,
    battery_outcome,
    every_finding,
    most_published,
    strategy,
)
from endfeel.planning.trial import Trying, Way
from endfeel.pooling import load_edition

EVIDENCE, CATALOGUE = load_evidence(), load_catalogue()
REGION = CATALOGUE.region("cervical")
COSTS = default_costs(REGION, CATALOGUE.modalities)
START = Situation()
MANY = 4000


@pytest.fixture(scope="module")
def neck() -> RegionModel:
    return compile_region(EVIDENCE, load_edition(), CATALOGUE, Context("cervical"))


@pytest.fixture(scope="module")
def grown(neck: RegionModel) -> Strategy:
    return strategy(EVIDENCE, neck, CATALOGUE, COSTS, START, depth=2, patients=0, rng=np.random.default_rng(1))


def trying(model: RegionModel, **results: str) -> Trying:
    table = action_table(model.conditions, model.none_id, model.states, REGION, COSTS)
    told = {o.replace("_", "-"): r for o, r in results.items()}
    return Trying(model, table, COSTS, START, told)  # type: ignore[arg-type]


def test_a_tree_and_a_battery_cost_on_patients_of_the_model_what_they_cost_exactly(
    neck: RegionModel, grown: Strategy
) -> None:
    known = most_published(EVIDENCE, "cervical", every_finding(EVIDENCE, neck, CATALOGUE, COSTS, START))
    counts = {"strategy": MANY, "known": MANY, "none": MANY}
    tried = trying(neck).trial("model", grown.root, {"known": known, "none": ()}, counts, np.random.default_rng(4))
    assert tried is not None
    for way, outcome in zip(tried.ways, (grown.outcome, *grown.beside), strict=True):
        assert len(way.loss) == MANY
        assert way.loss.mean() == pytest.approx(outcome.loss, abs=4 * way.loss.std() / np.sqrt(MANY) + 0.02)
        for found, exact in ((way.minutes, outcome.minutes), (way.burden, outcome.burden)):
            assert found.mean() == pytest.approx(exact, abs=4 * found.std() / np.sqrt(MANY) + 0.005)
        assert way.provocation.mean() == pytest.approx(outcome.provocation, abs=0.1)
        assert way.findings.mean() == pytest.approx(outcome.findings, abs=0.1)
    fixed = battery_efforts(known, COSTS, START)
    assert set(tried.ways[1].minutes) == {sum(t.minutes for t in fixed)}


def test_every_patient_is_counted_and_the_same_ones_are_compared(neck: RegionModel, grown: Strategy) -> None:
    seen: list[int] = []
    counts = {"strategy": 30, "none": 10}
    tried = trying(neck).trial("shift", grown.root, {"none": ()}, counts, np.random.default_rng(1), seen.append)
    assert tried is not None and sum(seen) == 40
    more, error = tried.ways[1].more_than(tried.ways[0])
    gap = tried.ways[1].total - tried.ways[0].total[:10]
    assert more == pytest.approx(gap.mean()) and error == pytest.approx(gap.std(ddof=1) / np.sqrt(10))
    one = Way("one", *(np.array([1.0]) for _ in range(5)))
    assert one.more_than(one) == (0.0, 0.0)


def test_patients_show_what_was_recorded_and_have_the_chances_believed_then(neck: RegionModel) -> None:
    results = {"spurling-test": "positive", "neck-distraction-test": "negative", "neck-tornado-test": "unclear"}
    found = patients_showing(neck, GENERATORS["model"], results, 3000, np.random.default_rng(2))  # type: ignore[arg-type]
    place = neck.place
    assert len(found.state) == 3000
    assert found.positive[:, place["spurling-test"]].all()
    assert not found.positive[:, place["neck-distraction-test"]].any()
    assert 0 < found.positive[:, place["neck-tornado-test"]].mean() < 1
    belief = believe(neck, results)  # type: ignore[arg-type]
    shares = neck.states[found.state].mean(axis=0)
    for share, condition in zip(shares, neck.conditions, strict=True):
        chance = belief.chances[condition].mean
        assert share == pytest.approx(chance, abs=4 * np.sqrt(chance / 3000) + 0.03), condition


def test_none_shows_what_can_not_be(neck: RegionModel, grown: Strategy) -> None:
    everything = every_finding(EVIDENCE, neck, CATALOGUE, COSTS, START)
    odd = {c.observable: ("positive", "negative")[k % 2] for k, c in enumerate(everything)}
    assert not len(patients_showing(neck, GENERATORS["model"], odd, 5, np.random.default_rng(3)).state)  # type: ignore[arg-type]
    table = action_table(neck.conditions, neck.none_id, neck.states, REGION, COSTS)
    outcome = battery_outcome("every test", neck, table, everything, COSTS, START, 5, np.random.default_rng(3), odd)  # type: ignore[arg-type]
    assert outcome is None
    tried = Trying(neck, table, COSTS, START, odd)  # type: ignore[arg-type]
    assert tried.trial("model", grown.root, {}, {"strategy": 5}, np.random.default_rng(3)) is None


def test_a_strategy_after_results_begins_with_their_belief(neck: RegionModel) -> None:
    results = {"spurling-test": "positive"}
    after = strategy(
        EVIDENCE, neck, CATALOGUE, COSTS, START, depth=1, patients=0, rng=np.random.default_rng(1), results=results
    )  # type: ignore[arg-type]
    table = action_table(neck.conditions, neck.none_id, neck.states, REGION, COSTS)
    belief = believe(neck, results)  # type: ignore[arg-type]
    assert after.beside[-1].loss == pytest.approx(float(smallest_loss(table, belief.state_probability)))
    assert all(s.observable != "spurling-test" for s in after.steps())


def test_growing_tells_of_every_patient_once(neck: RegionModel) -> None:
    told: list[float] = []
    strategy(
        EVIDENCE, neck, CATALOGUE, COSTS, START, depth=3, patients=0, rng=np.random.default_rng(1), grown=told.append
    )
    assert sum(told) == pytest.approx(1.0)


def test_an_unknown_world_is_named(neck: RegionModel, grown: Strategy) -> None:
    with pytest.raises(KeyError, match="elsewhere"):
        trying(neck).trial("elsewhere", grown.root, {}, {"strategy": 1}, np.random.default_rng(1))
