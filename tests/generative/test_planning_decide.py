"""The decision is the cheapest of all combinations of actions, whatever the costs and the chances."""

from __future__ import annotations

from itertools import product
from types import MappingProxyType

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from endfeel.belief.states import make_states
from endfeel.catalogue import load_catalogue
from endfeel.planning import Costs
from endfeel.planning.costs import REAL
from endfeel.planning.decide import ActionTable, action_table, decide, smallest_loss

REGION = load_catalogue().region("knee")
GROUPS = tuple(REGION.care)
MODALITIES = ("mri", "radiograph", "review-early")

harms = st.floats(0.2, 20.0)
prices = st.floats(0.05, 4.0)


@st.composite
def cost_tables(draw: st.DrawFn) -> Costs:
    """Harms and prices at random; any two groups may share a way of looking further, some have none."""
    return Costs(
        harm_of_a_miss=MappingProxyType({g: draw(harms) for g in GROUPS}),
        harm_of_wrong_care=MappingProxyType({g: draw(harms) for g in GROUPS}),
        modality=MappingProxyType({g: draw(st.sampled_from((*MODALITIES, ""))) for g in GROUPS}),
        modality_cost=MappingProxyType({m: draw(prices) for m in MODALITIES}),
        minute=0.01,
        reposition=0.01,
        repeat=0.2,
        provocation=(0.0, 0.01, 0.02, 0.03),
        irritability=MappingProxyType({"low": 0.5, "moderate": 1.0, "high": 2.0}),
        provocation_budget=MappingProxyType({"low": 9.0, "moderate": 6.0, "high": 3.0}),
    )


conditions = st.lists(st.sampled_from(REGION.states_conditions), min_size=1, max_size=5, unique=True).map(tuple)


def unlooked(chosen: tuple[str, ...], probability: np.ndarray, states: np.ndarray, costs: Costs) -> dict[str, float]:
    """What each care group costs where nobody looks further: set aside or cared for, whichever is less."""
    return {g: min(pair) for g, pair in either_way(chosen, probability, states, costs).items()}


def either_way(
    chosen: tuple[str, ...], probability: np.ndarray, states: np.ndarray, costs: Costs
) -> dict[str, tuple[float, float]]:
    """What each care group costs set aside, and cared for."""
    none_group = REGION.conditions[REGION.none_id].care_group
    of_condition = [REGION.conditions[c].care_group for c in chosen]
    found = {}
    for group in sorted({*of_condition, none_group}):
        calls = np.array(
            [
                any(state[i] and of_condition[i] == group for i in range(len(chosen)))
                or (not state.any() and group == none_group)
                for state in states
            ]
        )
        chance = float(probability[calls].sum())
        found[group] = costs.harm_of_a_miss[group] * chance, costs.harm_of_wrong_care[group] * (1 - chance)
    return found


def has_middle_zone(group: str, costs: Costs) -> bool:
    m, a, modality = costs.harm_of_a_miss[group], costs.harm_of_wrong_care[group], costs.modality[group]
    return bool(modality) and costs.modality_cost[modality] < m * a / (m + a)


def by_trying_all(chosen: tuple[str, ...], probability: np.ndarray, states: np.ndarray, costs: Costs) -> float:
    """Every set of ways of looking further, each paid once; a group with a middle zone whose way is in the set costs
    nothing more. Not among them: nothing looked at and everything set aside."""
    both = either_way(chosen, probability, states, costs)
    kept = {g: min(pair) for g, pair in both.items()}
    ways = sorted({costs.modality[g] for g in kept if has_middle_zone(g, costs)})
    totals = []
    for used in product([False, True], repeat=len(ways)):
        paid = {way for way, on in zip(ways, used, strict=True) if on}
        left = sum(c for g, c in kept.items() if costs.modality[g] not in paid or not has_middle_zone(g, costs))
        if not paid and all(aside < care for aside, care in both.values()):
            left += min(care - aside for aside, care in both.values())
        totals.append(left + sum(costs.modality_cost[way] for way in paid))
    return min(totals)


def drawn(chosen: tuple[str, ...], costs: Costs, seed: int) -> tuple[ActionTable, np.ndarray, np.ndarray]:
    states = make_states(len(chosen))
    probability = np.random.default_rng(seed).dirichlet(np.full(len(states), 0.3))
    return action_table(chosen, REGION.none_id, states, REGION, costs), states, probability


@settings(max_examples=150, deadline=None)
@given(cost_tables(), conditions, st.integers(0, 2**32 - 1))
def test_the_smallest_loss_is_that_of_the_best_combination_of_actions(
    costs: Costs, chosen: tuple[str, ...], seed: int
) -> None:
    table, states, probability = drawn(chosen, costs, seed)
    assert np.isclose(float(smallest_loss(table, probability)), by_trying_all(chosen, probability, states, costs))


@settings(max_examples=150, deadline=None)
@given(cost_tables(), conditions, st.integers(0, 2**32 - 1))
def test_the_decision_costs_what_it_says(costs: Costs, chosen: tuple[str, ...], seed: int) -> None:
    """Add up the actions in words; a group that a scan answers costs nothing beyond the scan."""
    table, states, probability = drawn(chosen, costs, seed)
    decision = decide(table, probability, REGION, states, chosen, costs)
    assert np.isclose(decision.loss, float(smallest_loss(table, probability)))
    paid = sum(costs.modality_cost[m] for m in decision.look_further_with)
    for advice in decision.by_group:
        m, a = costs.harm_of_a_miss[advice.care_group], costs.harm_of_wrong_care[advice.care_group]
        way = costs.modality[advice.care_group]
        answered = way in decision.look_further_with and has_middle_zone(advice.care_group, costs)
        assert advice.answered == answered
        if advice.action == "look-further":
            assert answered
        elif not answered:
            paid += m * advice.chance if advice.action == "set-aside" else a * (1 - advice.chance)
    assert np.isclose(paid, decision.loss)


@settings(max_examples=150, deadline=None)
@given(cost_tables(), conditions, st.integers(0, 2**32 - 1))
def test_every_scan_paid_for_is_named_for_the_group_that_it_saves_most(
    costs: Costs, chosen: tuple[str, ...], seed: int
) -> None:
    table, states, probability = drawn(chosen, costs, seed)
    decision = decide(table, probability, REGION, states, chosen, costs)
    kept = unlooked(chosen, probability, states, costs)
    looked = {a.care_group for a in decision.by_group if a.action == "look-further"}
    assert {costs.modality[g] for g in looked} == set(decision.look_further_with)
    for way in decision.look_further_with:
        answered = {g: cost for g, cost in kept.items() if costs.modality[g] == way and has_middle_zone(g, costs)}
        alone = [a.action == "set-aside" or a.care_group in answered for a in decision.by_group]
        assert sum(answered.values()) >= costs.modality_cost[way] - 1e-12 or all(alone)
        assert max(answered.values()) <= max(answered[g] for g in looked & set(answered)) + 1e-12
        real = {g for g, cost in answered.items() if cost >= REAL * costs.modality_cost[way] + 1e-12}
        assert real <= looked
        for advice in decision.by_group:
            if advice.care_group in answered:
                zone = costs.thresholds(advice.care_group, paid=True)
                in_doubt = zone.low + 1e-9 < advice.chance < zone.high - 1e-9
                assert not in_doubt or advice.action == "look-further"


@settings(max_examples=100, deadline=None)
@given(cost_tables(), conditions, st.integers(0, 2**32 - 1))
def test_two_beliefs_that_lead_to_the_same_care_have_a_scan_or_an_action_in_common_for_every_group(
    costs: Costs, chosen: tuple[str, ...], seed: int
) -> None:
    """The signature leaves out how sure we are and what a scan will answer anyway, and nothing else."""
    table, states, one = drawn(chosen, costs, seed)
    _, _, other = drawn(chosen, costs, seed + 1)
    first, second = (decide(table, p, REGION, states, chosen, costs) for p in (one, other))
    same = first.look_further_with == second.look_further_with and all(
        a.action == b.action or a.answered
        for a, b in zip(
            sorted(first.by_group, key=lambda a: a.care_group), sorted(second.by_group, key=lambda a: a.care_group),
            strict=True,
        )
    )  # fmt: skip
    assert (first.signature == second.signature) == same


@settings(max_examples=150, deadline=None)
@given(cost_tables(), conditions, st.integers(0, 2**32 - 1))
def test_nobody_is_sent_home_with_everything_set_aside(costs: Costs, chosen: tuple[str, ...], seed: int) -> None:
    table, states, probability = drawn(chosen, costs, seed)
    decision = decide(table, probability, REGION, states, chosen, costs)
    assert decision.overall.action != "set-aside"
    least = [a for a in decision.by_group if a.least]
    assert len(least) <= 1
    for advice in least:
        both = either_way(chosen, probability, states, costs)
        extra = {g: care - aside for g, (aside, care) in both.items()}
        assert extra[advice.care_group] == min(extra.values()) >= 0 and not decision.look_further_with


@settings(max_examples=60, deadline=None)
@given(cost_tables(), conditions, st.integers(0, 2**32 - 1))
def test_knowing_more_never_costs_more(costs: Costs, chosen: tuple[str, ...], seed: int) -> None:
    """The smallest loss is concave in the chances, so the mean over two results is never above the loss before."""
    table, _, one = drawn(chosen, costs, seed)
    _, _, other = drawn(chosen, costs, seed + 1)
    share = np.random.default_rng(seed).uniform()
    mixed = float(smallest_loss(table, share * one + (1 - share) * other))
    apart = smallest_loss(table, np.stack([one, other]))
    assert mixed >= share * apart[0] + (1 - share) * apart[1] - 1e-12


@settings(max_examples=60, deadline=None)
@given(cost_tables(), conditions, st.integers(0, 2**32 - 1), st.integers(0, 500))
def test_knowing_everything_costs_nothing(costs: Costs, chosen: tuple[str, ...], seed: int, state: int) -> None:
    table, states, _ = drawn(chosen, costs, seed)
    sure = np.zeros(len(states))
    sure[state % len(states)] = 1.0
    assert np.isclose(float(smallest_loss(table, sure)), 0.0)
