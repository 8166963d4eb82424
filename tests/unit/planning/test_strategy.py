"""Strategies: a tree that adds up, that the planner stands behind, and that is measured beside fixed batteries."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from endfeel.belief import Context, RegionModel, believe, compile_region, prior_belief
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.planning import Situation, decision_now, default_costs, plan
from endfeel.planning.decide import action_table, smallest_loss
from endfeel.planning.effort import Candidate, Path, candidate_of, effort
from endfeel.planning.simulate import GENERATORS, simulate_patients
from endfeel.planning.strategy import (
    End,
    Step,
    Strategy,
    _simulated,
    battery_efforts,
    battery_outcome,
    every_finding,
    follow,
    most_published,
    strategy,
    strategy_text,
)
from endfeel.pooling import load_edition

EVIDENCE, CATALOGUE = load_evidence(), load_catalogue()
REGION = CATALOGUE.region("knee")
COSTS = default_costs(REGION, CATALOGUE.modalities)
FRESH = Situation(position="sitting")


@pytest.fixture(scope="module")
def knee() -> RegionModel:
    return compile_region(EVIDENCE, load_edition(), CATALOGUE, Context("knee", onset="injury"))


@pytest.fixture(scope="module")
def grown(knee: RegionModel) -> Strategy:
    return strategy(EVIDENCE, knee, CATALOGUE, COSTS, FRESH, depth=3, patients=12, rng=np.random.default_rng(1))


Route = tuple[tuple[Step, bool], ...]


def paths(node: Step | End, done: Route = ()) -> list[tuple[Route, End]]:
    if isinstance(node, End):
        return [(done, node)]
    return paths(node.if_positive, (*done, (node, True))) + paths(node.if_negative, (*done, (node, False)))


def test_every_patient_ends_somewhere(grown: Strategy) -> None:
    assert sum(end.reach for end in grown.ends()) == pytest.approx(1.0)
    for step in grown.steps():
        assert step.if_positive.reach == pytest.approx(step.reach * step.probability)
        assert step.if_negative.reach == pytest.approx(step.reach * (1 - step.probability))


def test_the_tree_is_no_deeper_than_asked_and_repeats_nothing(grown: Strategy) -> None:
    lengths = []
    for done, end in paths(grown.root):
        observables = [step.observable for step, _ in done]
        assert len(set(observables)) == len(observables)
        lengths.append(len(done))
        assert end.stopped or len(done) == grown.depth
    assert max(lengths) == 3


def test_each_end_is_the_decision_of_its_own_results(grown: Strategy, knee: RegionModel) -> None:
    for done, end in paths(grown.root):
        belief = believe(knee, {s.observable: "positive" if positive else "negative" for s, positive in done})
        expected = decision_now(knee, belief, REGION, COSTS)
        assert end.decision.signature == expected.signature
        assert end.decision.loss == pytest.approx(expected.loss, abs=0.01)


def test_each_step_is_what_the_planner_puts_first(grown: Strategy, knee: RegionModel) -> None:
    root = grown.root
    assert isinstance(root, Step)
    first = plan(EVIDENCE, knee, prior_belief(knee), CATALOGUE, COSTS, FRESH, depth=3, with_route=False).next[0]
    assert (root.observable, root.position, root.minutes) == (first.observable, first.position, first.minutes)


def test_no_step_leads_to_the_same_decision_either_way(grown: Strategy) -> None:
    for step in grown.steps():
        if isinstance(step.if_positive, End) and isinstance(step.if_negative, End):
            assert step.if_positive.decision.signature != step.if_negative.decision.signature


def test_the_figures_of_the_tree_are_averages_over_its_paths(grown: Strategy) -> None:
    minutes = burden = loss = findings = moves = provocation = 0.0
    for done, end in paths(grown.root):
        path = Path((), FRESH.position, 0.0, 0.0)
        for step, positive in done:
            candidate = candidate_of(step.observable, EVIDENCE.finding(step.observable, "knee"))
            taken = effort(candidate, path, COSTS, FRESH.irritability)
            assert (step.moves, step.minutes, step.again) == (taken.moves, taken.minutes, taken.again)
            assert (step.provocation, step.burden) == (taken.provocation, taken.burden)
            path = path.after(candidate, "positive" if positive else "negative", taken, COSTS)
            burden += end.reach * taken.burden
            moves += end.reach * taken.moves
        minutes += end.reach * path.minutes
        provocation += end.reach * path.provocation
        findings += end.reach * len(done)
        loss += end.reach * end.decision.loss
    assert grown.outcome.minutes == pytest.approx(minutes)
    assert grown.outcome.burden == pytest.approx(burden)
    assert grown.outcome.provocation == pytest.approx(provocation)
    assert grown.outcome.findings == pytest.approx(findings)
    assert grown.outcome.moves == pytest.approx(moves)
    assert grown.outcome.loss == pytest.approx(loss)
    assert grown.outcome.total == pytest.approx(burden + loss)


def test_a_strategy_and_a_battery_charge_the_further_reading_alike(knee: RegionModel) -> None:
    """With little else allowed, scans included, the tree takes both readings of a manoeuvre."""
    costs = replace(COSTS, modality_cost=MappingProxyType(dict.fromkeys(COSTS.modality_cost, 99.0)))
    only = {"joint-line-tenderness", "mcmurray"}
    few = replace(FRESH, withdrawn=frozenset(r.finding_id for r in EVIDENCE.findings_of("knee")) - only)
    found = strategy(EVIDENCE, knee, CATALOGUE, costs, few, depth=4, patients=0, rng=np.random.default_rng(1))
    pairs = 0
    for done, _ in paths(found.root):
        battery = tuple(candidate_of(s.observable, EVIDENCE.finding(s.observable, "knee")) for s, _ in done)
        alike = battery_efforts(battery, costs, few)
        pairs += sum(s.again for s, _ in done)
        assert sum(s.minutes for s, _ in done) == pytest.approx(sum(t.minutes for t in alike))
        assert sum(s.provocation for s, _ in done) == pytest.approx(sum(t.provocation for t in alike))
        assert sum(s.burden for s, _ in done) == pytest.approx(sum(t.burden for t in alike))
    assert pairs


def test_the_strategy_beats_no_examination_and_every_test_in_its_own_unit(grown: Strategy) -> None:
    by_name = {o.name: o for o in grown.beside}
    assert list(by_name) == ["every test", "the most-published tests", "no examination"]
    assert grown.outcome.total < by_name["no examination"].total
    assert grown.outcome.total < by_name["every test"].total
    assert by_name["no examination"].burden == by_name["no examination"].minutes == 0.0
    # More findings never tell less: the loss alone is smallest after every test, within what 12 patients can tell.
    assert by_name["every test"].loss - 3 * by_name["every test"].error < grown.outcome.loss


def test_the_loss_of_no_examination_is_that_of_the_starting_chances(grown: Strategy, knee: RegionModel) -> None:
    table = action_table(knee.conditions, knee.none_id, knee.states, REGION, COSTS)
    assert grown.beside[-1].loss == pytest.approx(float(smallest_loss(table, prior_belief(knee).state_probability)))


def test_adding_up_patterns_and_simulating_patients_agree(knee: RegionModel) -> None:
    table = action_table(knee.conditions, knee.none_id, knee.states, REGION, COSTS)
    everything = every_finding(EVIDENCE, knee, CATALOGUE, COSTS, FRESH)
    few = tuple(c for c in everything if c.finding_id in ("lachman", "giving-way", "valgus-stress-laxity-30"))
    exact = battery_outcome("few", knee, table, few, COSTS, FRESH, 0, np.random.default_rng(0))
    patients = simulate_patients(knee, GENERATORS["model"], 600, np.random.default_rng(2))
    mean, error = _simulated(knee, table, tuple(c.observable for c in few), patients, {})
    assert exact is not None and exact.error == 0.0 and error > 0
    assert mean == pytest.approx(exact.loss, abs=4 * error)


def test_following_the_tree_costs_what_it_says_on_average(grown: Strategy, knee: RegionModel) -> None:
    patients = simulate_patients(knee, GENERATORS["model"], 4000, np.random.default_rng(3))
    minutes, reached = [], []
    for i in range(4000):
        taken, end = follow(grown.root, dict(zip(knee.observables, patients.positive[i].tolist(), strict=True)))
        minutes.append(sum(s.minutes for s in taken))
        reached.append(id(end))
    spread = np.std(minutes) / np.sqrt(len(minutes))
    assert np.mean(minutes) == pytest.approx(grown.outcome.minutes, abs=4 * spread + 0.02)
    for end in grown.ends():
        share = reached.count(id(end)) / 4000
        assert share == pytest.approx(end.reach, abs=4 * np.sqrt(end.reach / 4000) + 0.01)


def test_following_without_a_result_names_what_is_missing(grown: Strategy) -> None:
    assert isinstance(grown.root, Step)
    with pytest.raises(KeyError, match=grown.root.observable):
        follow(grown.root, {})


def test_every_finding_leaves_out_scans_what_follows_from_age_and_what_precautions_forbid(knee: RegionModel) -> None:
    everything = every_finding(EVIDENCE, knee, CATALOGUE, COSTS, FRESH)
    observables = {c.observable for c in everything}
    assert not any(EVIDENCE.finding(o, "knee").kind in ("imaging", "laboratory") for o in observables)
    assert "age-over-50" not in observables
    assert "mcmurray:medial" in observables and "mcmurray:either" not in observables
    careful = replace(FRESH, precautions=frozenset({"fracture-not-excluded"}))
    assert "lachman" not in {c.observable for c in every_finding(EVIDENCE, knee, CATALOGUE, COSTS, careful)}


def test_the_most_published_tests_are_those_with_the_most_studies(knee: RegionModel) -> None:
    everything = every_finding(EVIDENCE, knee, CATALOGUE, COSTS, FRESH)
    chosen = {c.finding_id for c in most_published(EVIDENCE, "knee", everything)}
    studies = {
        f: len({r.study_id for r in (*EVIDENCE.accuracy, *EVIDENCE.rates) if r.finding_id == f and r.region == "knee"})
        for f in {c.finding_id for c in everything}
    }
    assert len(chosen) == 3
    assert min(studies[f] for f in chosen) >= max(n for f, n in studies.items() if f not in chosen)


def test_a_battery_is_done_position_by_position(knee: RegionModel) -> None:
    everything = every_finding(EVIDENCE, knee, CATALOGUE, COSTS, FRESH)
    positions = {c.position for c in everything} - {"any"}
    assert "sitting" in positions and len(positions) > 2
    assert moves(everything, FRESH) == len(positions) - 1
    assert moves(everything, Situation()) == len(positions) - 1
    assert moves((), FRESH) == 0
    supine = tuple(c for c in everything if c.position == "supine")
    assert moves(supine, FRESH) == 1 and moves(supine, Situation()) == 0


def moves(battery: tuple[Candidate, ...], situation: Situation) -> int:
    return sum(taken.moves for taken in battery_efforts(battery, COSTS, situation))


def test_the_text_shows_every_step_with_position_and_minutes_and_every_end(grown: Strategy) -> None:
    text = strategy_text(grown)
    for step in grown.steps():
        where = "in any position" if step.position == "any" else step.position
        assert f"{step.name} ({where}, {step.minutes:g} min)" in text
    assert text.count("→") == len(list(grown.ends()))
    for name in ("this strategy", "every test", "the most-published tests", "no examination"):
        assert name in text
    assert grown.edition in text


def test_precautions_reach_every_node_of_the_tree(knee: RegionModel) -> None:
    careful = replace(FRESH, precautions=frozenset({"fracture-not-excluded"}))
    found = strategy(EVIDENCE, knee, CATALOGUE, COSTS, careful, depth=2, patients=0, rng=np.random.default_rng(1))
    allowed = {c.observable for c in every_finding(EVIDENCE, knee, CATALOGUE, COSTS, careful)}
    steps = {s.observable for s in found.steps()}
    assert steps and steps <= allowed
    assert [o.name for o in found.beside] == ["the most-published tests", "no examination"]


def test_no_time_means_no_steps(knee: RegionModel) -> None:
    hurried = replace(FRESH, minutes_left=0.0)
    found = strategy(EVIDENCE, knee, CATALOGUE, COSTS, hurried, depth=2, patients=0, rng=np.random.default_rng(1))
    assert isinstance(found.root, End) and found.root.stopped
    assert found.outcome.minutes == 0.0 and found.outcome.loss == pytest.approx(found.beside[-1].loss)
    assert "→" in strategy_text(found)


def test_a_depth_of_nothing_is_refused(knee: RegionModel) -> None:
    with pytest.raises(ValueError, match="at least 1"):
        strategy(EVIDENCE, knee, CATALOGUE, COSTS, FRESH, depth=0, rng=np.random.default_rng(1))


def test_two_ends_of_one_step_read_differently(grown: Strategy) -> None:
    """Whatever differs in what is done is in the words, however many things are done."""
    for step in grown.steps():
        if isinstance(step.if_positive, End) and isinstance(step.if_negative, End):
            assert step.if_positive.words != step.if_negative.words
