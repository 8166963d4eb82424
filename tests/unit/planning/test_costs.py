"""Costs: thresholds follow from them, a table without a middle zone or with bad numbers is refused, burdens add up."""

from __future__ import annotations

import math
from dataclasses import replace
from types import MappingProxyType

import pytest

from endfeel.catalogue import load_catalogue
from endfeel.planning import CostError, Costs, change, default_costs

# One way of looking further at 1, harms 6 and 2.5; a second group without any way of looking further.
COSTS = Costs(
    harm_of_a_miss=MappingProxyType({"ligament": 6.0, "advice": 1.0}),
    harm_of_wrong_care=MappingProxyType({"ligament": 2.5, "advice": 0.5}),
    modality=MappingProxyType({"ligament": "scan", "advice": ""}),
    modality_cost=MappingProxyType({"scan": 1.0}),
    minute=0.01,
    reposition=0.02,
    repeat=0.2,
    provocation=(0.0, 0.01, 0.03, 0.05),
    irritability=MappingProxyType({"low": 0.5, "moderate": 1.0, "high": 2.0}),
    provocation_budget=MappingProxyType({"low": 10.0, "moderate": 8.0, "high": 4.0}),
)


def test_thresholds_are_where_two_actions_cost_the_same() -> None:
    found = COSTS.thresholds("ligament")
    # Set aside costs 6 p, care 2.5 (1 - p), looking 1: they meet at 1/6 and at 1 - 1/2.5.
    assert found.low == pytest.approx(1 / 6)
    assert found.high == pytest.approx(0.6)
    assert 6.0 * found.low == pytest.approx(1.0)
    assert 2.5 * (1 - found.high) == pytest.approx(1.0)


def test_without_a_way_of_looking_further_there_is_one_threshold() -> None:
    """Treat above a / (m + a): the threshold of Pauker & Kassirer, N Engl J Med 1975;293:229-234."""
    found = COSTS.thresholds("advice")
    assert found.low == found.high == pytest.approx(0.5 / 1.5)


def test_a_scan_that_costs_too_much_leaves_one_threshold() -> None:
    limit = 6.0 * 2.5 / 8.5
    dear = replace(COSTS, modality_cost=MappingProxyType({"scan": limit}))
    assert dear.thresholds("ligament").low == dear.thresholds("ligament").high == pytest.approx(2.5 / 8.5)
    just = replace(COSTS, modality_cost=MappingProxyType({"scan": limit * 0.999}))
    assert just.thresholds("ligament").low < just.thresholds("ligament").high


def test_a_scan_that_is_paid_for_widens_the_middle_zone() -> None:
    """Looking costs the group nothing more then; a quarter of the scan's price is what it must save to be named."""
    found = COSTS.thresholds("ligament", paid=True)
    assert found.low == pytest.approx(0.25 / 6) and found.high == pytest.approx(1 - 0.25 / 2.5)
    assert COSTS.thresholds("advice", paid=True) == COSTS.thresholds("advice")


def test_a_change_that_closes_the_middle_zone_is_refused_and_says_how_to_mend() -> None:
    with pytest.raises(CostError, match=r"ligament: looking further at 1\.8 .* less than 1\.76 .*lower its cost"):
        change(COSTS, modality_cost={"scan": 1.8})
    with pytest.raises(CostError, match="ligament"):
        change(COSTS, harm_of_a_miss={"ligament": 1.2})
    assert change(COSTS, modality_cost={"scan": 1.7}).modality_cost["scan"] == 1.7


def test_a_group_that_never_had_a_middle_zone_may_be_changed_freely() -> None:
    assert change(COSTS, harm_of_a_miss={"advice": 9.0}).harm_of_a_miss["advice"] == 9.0


def test_a_change_leaves_the_first_table_as_it_was() -> None:
    changed = change(COSTS, harm_of_a_miss={"ligament": 12.0}, minute=0.0)
    assert COSTS.harm_of_a_miss["ligament"] == 6.0 and COSTS.minute == 0.01
    assert changed.minute == 0.0 and changed.reposition == COSTS.reposition
    assert changed.thresholds("ligament").low == pytest.approx(1 / 12)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("entry", ["harm_of_a_miss", "harm_of_wrong_care", "modality_cost"])
def test_harms_and_prices_must_be_positive_numbers(entry: str, bad: float) -> None:
    which = "scan" if entry == "modality_cost" else "ligament"
    with pytest.raises(CostError, match="no positive number"):
        change(COSTS, **{entry: {which: bad}})


@pytest.mark.parametrize("bad", [-0.001, math.nan, math.inf])
@pytest.mark.parametrize("entry", ["minute", "reposition"])
def test_minutes_and_moves_may_be_free_but_not_negative(entry: str, bad: float) -> None:
    with pytest.raises(CostError, match="neither zero nor a positive number"):
        change(COSTS, **{entry: bad})
    assert getattr(change(COSTS, **{entry: 0.0}), entry) == 0.0


@pytest.mark.parametrize("entry", ["harm_of_a_miss", "harm_of_wrong_care", "modality_cost"])
def test_an_unknown_entry_is_named_with_the_known_ones(entry: str) -> None:
    with pytest.raises(CostError, match=r"'spleen'; there are .*(advice|scan)"):
        change(COSTS, **{entry: {"spleen": 1.0}})


def test_burden_adds_minutes_provocation_by_irritability_and_moving() -> None:
    assert COSTS.burden(2.0, 0, False, "moderate") == pytest.approx(0.02)
    assert COSTS.burden(2.0, 2, True, "moderate") == pytest.approx(0.02 + 0.03 + 0.02)
    assert COSTS.burden(2.0, 2, True, "high") == pytest.approx(0.02 + 0.06 + 0.02)
    assert COSTS.burden(2.0, 2, True, "low") == pytest.approx(0.02 + 0.015 + 0.02)


@pytest.mark.parametrize("region", sorted(load_catalogue().regions))
def test_the_shipped_table_is_whole_and_its_thresholds_are_in_order(region: str) -> None:
    catalogue = load_catalogue()
    costs = default_costs(catalogue.region(region), catalogue.modalities)
    care = catalogue.region(region).care
    assert set(costs.harm_of_a_miss) == set(costs.harm_of_wrong_care) == set(costs.modality) == set(care)
    for group in care:
        found = costs.thresholds(group)
        assert 0 < found.low <= found.high < 1
        if costs.modality[group]:
            assert costs.modality[group] in costs.modality_cost
    assert list(costs.provocation) == sorted(costs.provocation)
    assert costs.irritability["low"] < costs.irritability["moderate"] < costs.irritability["high"]
    assert costs.provocation_budget["low"] > costs.provocation_budget["moderate"] > costs.provocation_budget["high"]
