"""A plan on what nobody should ask of it: finite figures, a decision, and words for why."""

from __future__ import annotations

import math
from functools import cache

import pytest

from endfeel.belief import Context, RegionModel, believe, compile_region
from endfeel.belief.results import RESULTS, Result
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.planning import Plan, Situation, default_costs, plan
from endfeel.pooling import load_edition

EVIDENCE, CATALOGUE = load_evidence(), load_catalogue()
REGIONS = ("knee", "lumbar-pelvis", "shoulder")


@cache
def model_of(region: str, chances: tuple[tuple[str, float], ...] = ()) -> RegionModel:
    return compile_region(EVIDENCE, load_edition(), CATALOGUE, Context(region, chances=dict(chances))).thin(16)


def planned(model: RegionModel, results: dict[str, Result]) -> Plan:
    costs = default_costs(CATALOGUE.region(model.region), CATALOGUE.modalities)
    found = plan(EVIDENCE, model, believe(model, results), CATALOGUE, costs, Situation(), depth=2)
    for offer in (*found.next, *found.others, *(o for stop in found.route for o in stop.offers)):
        assert all(math.isfinite(v) for v in (offer.worth, offer.burden, offer.minutes, offer.probability))
        assert 0 <= offer.probability <= 1 and offer.burden >= 0
    assert math.isfinite(found.decision.loss) and found.decision.loss >= 0
    assert all(0 <= a.chance <= 1 + 1e-9 and a.words for a in found.decision.by_group)
    assert found.why and found.stop == (not found.next)
    return found


def readings(region: str) -> list[str]:
    model = model_of(region)
    return [o for o in model.observables if not model.observed(o).coarse_of]


@pytest.mark.parametrize("region", REGIONS)
@pytest.mark.parametrize("kinds", [("positive",), ("negative",), ("positive", "negative"), RESULTS])
@pytest.mark.parametrize("count", [40, 200])
def test_much_recorded_whatever_it_says(region: str, kinds: tuple[Result, ...], count: int) -> None:
    recorded = readings(region)[:count]
    found = planned(model_of(region), {o: kinds[i % len(kinds)] for i, o in enumerate(recorded)})
    if count == 200:
        assert found.stop and "has been recorded" in found.why
        assert ("tells nothing either way" in found.why) == ("not-done" in kinds)


@pytest.mark.parametrize("region", REGIONS)
@pytest.mark.parametrize("result", ["not-done", "unclear"])
def test_nothing_told_leaves_the_starting_decision_and_says_so(region: str, result: Result) -> None:
    found = planned(model_of(region), dict.fromkeys(readings(region), result))
    assert found.stop and found.why.endswith("all of them as unclear or not done, which tells nothing either way")
    assert found.decision.signature == planned(model_of(region), {}).decision.signature


@pytest.mark.parametrize("region", REGIONS)
def test_chances_that_can_not_stand_together_are_changed_and_told(region: str) -> None:
    conditions = model_of(region).conditions
    none = model_of(region).none_id
    for chances, said in (
        (tuple((c, 0.9) for c in conditions[:6]), "scaled by"),
        (tuple((c, 1.0) for c in conditions[:4]), "4 conditions were set to certain"),
        (((none, 1.0), (conditions[0], 1.0)), "can not stand beside a certain condition"),
        (((none, 1.0),), "set to certain, which leaves no other condition"),
    ):
        model = model_of(region, chances)
        assert any(said in note for note in model.prior_notes), (chances, model.prior_notes)
        planned(model, {})


@pytest.mark.parametrize("region", REGIONS)
def test_where_nothing_is_in_doubt_the_plan_stops_though_all_findings_speak_against_it(region: str) -> None:
    conditions = model_of(region).conditions
    certain = model_of(region, tuple((c, 1.0 if c == conditions[0] else 0.0) for c in conditions))
    found = planned(certain, dict.fromkeys(readings(region)[:10], "negative"))
    assert found.stop and found.decision.overall.condition == conditions[0]
    healthy = model_of(region, tuple((c, 0.0) for c in conditions))
    found = planned(healthy, dict.fromkeys(readings(region)[:10], "positive"))
    assert found.stop and found.decision.overall.condition == healthy.none_id
    for chance in (1e-300, 1 - 1e-12):
        planned(model_of(region, ((conditions[0], chance),)), {readings(region)[0]: "positive"})
