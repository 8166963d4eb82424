"""From chances to actions: middle zones, ways of looking further that several groups share, words."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from endfeel.belief.states import make_states
from endfeel.catalogue import load_catalogue
from endfeel.planning import Costs
from endfeel.planning.decide import Decision, action_table, decide, loss_when_known, smallest_loss

REGION = load_catalogue().region("knee")
ACL, MENISCUS = "acl-tear", "meniscal-tear-medial"
CRUCIATE, PAD = "knee-cruciate", "knee-meniscus"
NONE_GROUP = REGION.conditions[REGION.none_id].care_group


def costs(**prices: float) -> Costs:
    """Cruciate 6 and 2.5, meniscus 2.5 and 2.2, both looked at by the same scan unless told otherwise."""
    groups = {REGION.conditions[c].care_group for c in REGION.states_conditions} | {NONE_GROUP}
    return Costs(
        harm_of_a_miss=MappingProxyType({g: 1.0 for g in groups} | {CRUCIATE: 6.0, PAD: 2.5}),
        harm_of_wrong_care=MappingProxyType({g: 0.5 for g in groups} | {CRUCIATE: 2.5, PAD: 2.2}),
        modality=MappingProxyType(
            {g: "" for g in groups} | {CRUCIATE: "mri", PAD: "ultrasound" if "ultrasound" in prices else "mri"}
        ),
        modality_cost=MappingProxyType({"mri": 1.0} | prices),
        minute=0.01,
        reposition=0.01,
        repeat=0.2,
        provocation=(0.0, 0.01, 0.02, 0.03),
        irritability=MappingProxyType({"low": 0.5, "moderate": 1.0, "high": 2.0}),
        provocation_budget=MappingProxyType({"low": 9.0, "moderate": 6.0, "high": 3.0}),
    )


def decided(acl: float, meniscus: float, table_costs: Costs) -> Decision:
    """A knee with two conditions that come independently of each other."""
    chosen = (ACL, MENISCUS)
    states = make_states(2)
    chance = np.array([acl, meniscus])
    probability = np.where(states, chance, 1 - chance).prod(axis=1)
    table = action_table(chosen, REGION.none_id, states, REGION, table_costs)
    return decide(table, probability, REGION, states, chosen, table_costs)


def action(decision: Decision, group: str) -> str:
    return next(a.action for a in decision.by_group if a.care_group == group)


def test_the_conditions_used_here_are_those_of_the_groups() -> None:
    assert REGION.conditions[ACL].care_group == CRUCIATE
    assert REGION.conditions[MENISCUS].care_group == PAD


@pytest.mark.parametrize(
    ("chance", "expected"), [(0.10, "set-aside"), (0.30, "look-further"), (0.55, "look-further"), (0.75, "start-care")]
)
def test_the_action_follows_the_zone_of_the_chance(chance: float, expected: str) -> None:
    decision = decided(chance, 0.01, costs())
    assert action(decision, CRUCIATE) == expected
    entry = REGION.care[CRUCIATE]
    words = {"set-aside": entry.set_aside, "look-further": entry.look_further, "start-care": entry.start_care}
    advice = next(a for a in decision.by_group if a.care_group == CRUCIATE)
    assert advice.words == words[expected]
    assert advice.condition == ACL and advice.chance == pytest.approx(chance)


def test_one_scan_for_two_groups_is_paid_once() -> None:
    """Alone neither chance would pay for the scan; together they do."""
    alone = decided(0.15, 0.001, costs()), decided(0.001, 0.38, costs())
    assert action(alone[0], CRUCIATE) == "set-aside" and action(alone[1], PAD) == "set-aside"
    together = decided(0.15, 0.38, costs())
    assert together.look_further_with == ("mri",)
    rest = 0.5 * (0.85 * 0.62) if 0.5 * (1 - 0.85 * 0.62) > 0.85 * 0.62 else 0.5 * (1 - 0.85 * 0.62)
    assert together.loss == pytest.approx(1.0 + min(rest, 0.85 * 0.62))


def test_two_scans_for_two_groups_are_paid_twice() -> None:
    split = costs(ultrasound=1.0)
    both = decided(0.4, 0.5, split)
    assert both.look_further_with == ("mri", "ultrasound")
    one = decided(0.4, 0.5, costs())
    assert both.loss - one.loss == pytest.approx(1.0)


def test_a_scan_paid_for_by_another_group_is_not_shown_where_the_chance_is_not_in_doubt() -> None:
    decision = decided(0.4, 0.02, costs())
    assert action(decision, CRUCIATE) == "look-further"
    assert action(decision, PAD) == "set-aside"


def test_a_scan_answers_no_group_for_which_it_is_never_worth_its_price() -> None:
    """The meniscus at harms 1.5 and 1.0 has no middle zone against a scan at 1: the ligament's scan settles nothing
    about its care, and doubt about it does not help to pay for a scan."""
    table_costs = costs()
    weak = replace(
        table_costs,
        harm_of_a_miss=MappingProxyType({**table_costs.harm_of_a_miss, PAD: 1.5}),
        harm_of_wrong_care=MappingProxyType({**table_costs.harm_of_wrong_care, PAD: 1.0}),
    )
    assert weak.thresholds(PAD).low == weak.thresholds(PAD).high == weak.thresholds(PAD, paid=True).low
    doubtful = decided(0.4, 0.3, weak)
    assert action(doubtful, CRUCIATE) == "look-further" and action(doubtful, PAD) == "set-aside"
    none = 0.6 * 0.7
    assert doubtful.loss == pytest.approx(1.0 + 1.5 * 0.3 + min(none, 0.5 * (1 - none)))
    below = weak.thresholds(CRUCIATE).low - 0.01
    assert all(not decided(below, p, weak).look_further_with for p in (0.2, 0.4, 0.6, 0.8))


def test_several_small_doubts_that_pay_for_a_scan_together_name_the_greatest() -> None:
    groups = sorted({REGION.conditions[c].care_group for c in REGION.states_conditions} - {NONE_GROUP})
    one_each = tuple(next(c for c in REGION.states_conditions if REGION.conditions[c].care_group == g) for g in groups)
    base = costs()
    shared = replace(
        base,
        harm_of_a_miss=MappingProxyType(dict.fromkeys([*groups, NONE_GROUP], 6.0)),
        harm_of_wrong_care=MappingProxyType(dict.fromkeys([*groups, NONE_GROUP], 2.5)),
        modality=MappingProxyType({**dict.fromkeys(groups, "mri"), NONE_GROUP: ""}),
    )
    states = make_states(len(one_each))
    probability = np.zeros(len(states))
    single = [int(np.flatnonzero((states.sum(axis=1) == 1) & states[:, i])[0]) for i in range(len(one_each))]
    probability[single] = 0.24 / 6.0  # each saves 0.24 of a scan at 1, below REAL
    probability[single[2]] += 0.001 / 6.0
    probability[~states.any(axis=1)] = 1 - probability.sum()
    table = action_table(one_each, REGION.none_id, states, REGION, shared)
    decision = decide(table, probability, REGION, states, one_each, shared)
    assert len(groups) >= 5 and decision.look_further_with == ("mri",)
    assert [a.care_group for a in decision.by_group if a.action == "look-further"] == [groups[2]]


def test_nothing_found_calls_for_the_care_of_no_specific_structure() -> None:
    decision = decided(0.01, 0.01, costs())
    assert decision.overall.care_group == NONE_GROUP
    assert decision.overall.action == "start-care"
    assert decision.overall.condition == REGION.none_id


def test_telling_two_conditions_with_the_same_care_apart_is_worth_nothing() -> None:
    """Care groups, not labels: the loss depends on the chance that either is there."""
    other = next(c for c in REGION.states_conditions if REGION.conditions[c].care_group == PAD and c != MENISCUS)
    chosen = (MENISCUS, other)
    states = make_states(2)
    table = action_table(chosen, REGION.none_id, states, REGION, costs())
    either = [np.zeros(len(states)) for _ in range(2)]
    for p, column in zip(either, (0, 1), strict=True):
        p[0] = 0.4
        p[(states[:, column]) & (states.sum(axis=1) == 1)] = 0.6
    losses = smallest_loss(table, np.stack([*either, (either[0] + either[1]) / 2]))
    assert np.ptp(losses) < 1e-12


def test_what_is_looked_into_comes_first_and_the_signature_leaves_out_what_is_set_aside() -> None:
    decision = decided(0.4, 0.97, costs(ultrasound=1.0))
    assert [a.action for a in decision.by_group][:2] == ["look-further", "start-care"]
    assert decision.overall.care_group == CRUCIATE
    surer = decided(0.45, 0.98, costs(ultrasound=1.0))
    assert surer.signature == decision.signature and surer.loss != decision.loss
    assert all(acted != "set-aside" for _, acted in decision.signature)


def test_beliefs_may_come_in_any_shape() -> None:
    chosen = (ACL, MENISCUS)
    states = make_states(2)
    table = action_table(chosen, REGION.none_id, states, REGION, costs())
    many = np.random.default_rng(1).dirichlet(np.ones(len(states)), size=(3, 5))
    losses = smallest_loss(table, many)
    assert losses.shape == (3, 5)
    assert losses[2, 4] == pytest.approx(float(smallest_loss(table, many[2, 4])))


def test_what_is_paid_in_the_end_averages_to_what_was_expected() -> None:
    chosen = (ACL, MENISCUS)
    states = make_states(2)
    table = action_table(chosen, REGION.none_id, states, REGION, costs(ultrasound=0.5))
    for belief in np.random.default_rng(2).dirichlet(np.full(len(states), 0.5), size=40):
        paid = loss_when_known(table, np.tile(belief, (len(states), 1)), np.arange(len(states)))
        assert float(belief @ paid) == pytest.approx(float(smallest_loss(table, belief)))


def test_being_wrong_costs_the_harm_and_being_right_nothing() -> None:
    chosen = (ACL, MENISCUS)
    states = make_states(2)
    table = action_table(chosen, REGION.none_id, states, REGION, costs(ultrasound=2.0))
    torn = next(i for i, s in enumerate(states) if s.tolist() == [True, False])
    sure = np.eye(len(states))
    assert loss_when_known(table, sure[[torn]], np.array([torn]))[0] == 0.0
    # The ligament is missed, and the knee is cared for as if nothing were torn.
    assert loss_when_known(table, sure[[0]], np.array([torn]))[0] == pytest.approx(6.0 + 0.5)
