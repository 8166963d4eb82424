"""Whatever was recorded and whatever holds, a plan keeps its promises."""

from __future__ import annotations

from functools import cache

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from endfeel.belief import Context, RegionModel, believe, compile_region
from endfeel.belief.results import RESULTS
from endfeel.catalogue import load_catalogue
from endfeel.catalogue.entries import HandsOn
from endfeel.evidence import load_evidence
from endfeel.planning import Situation, default_costs, plan
from endfeel.planning.plan import POSITIONS
from endfeel.pooling import load_edition

EVIDENCE, CATALOGUE = load_evidence(), load_catalogue()
REGIONS = ("knee", "shoulder", "cervical")


@cache
def model_of(region: str) -> RegionModel:
    return compile_region(EVIDENCE, load_edition(), CATALOGUE, Context(region)).thin(16)


@st.composite
def moments(draw: st.DrawFn) -> tuple[str, dict[str, str], Situation]:
    region = draw(st.sampled_from(REGIONS))
    observables = draw(st.lists(st.sampled_from(model_of(region).observables), max_size=12, unique=True))
    results = {o: draw(st.sampled_from(RESULTS)) for o in observables}
    situation = Situation(
        precautions=draw(st.frozensets(st.sampled_from(sorted(CATALOGUE.precautions)), max_size=2)),
        irritability=draw(st.sampled_from(("low", "moderate", "high"))),
        minutes_left=draw(st.one_of(st.none(), st.floats(0, 12))),
        position=draw(st.one_of(st.none(), st.sampled_from(POSITIONS[1:]))),
        screens_open=draw(st.booleans()),
        trauma_recent=draw(st.booleans()),
        made_worse=draw(st.integers(0, 3)),
        done=draw(st.frozensets(st.sampled_from(model_of(region).observables), max_size=4)),
    )
    return region, results, situation


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(moments())
def test_a_plan_keeps_its_promises(moment: tuple[str, dict[str, str], Situation]) -> None:
    region, results, situation = moment
    entries = CATALOGUE.region(region)
    model, costs = model_of(region), default_costs(entries, CATALOGUE.modalities)
    belief = believe(model, results)  # type: ignore[arg-type]
    found = plan(EVIDENCE, model, belief, CATALOGUE, costs, situation, depth=2, most_nodes=60)
    offered = [*found.next, *found.others]
    route = [offer for stop in found.route for offer in stop.offers]

    assert found.stop == (not found.next) == (not found.route) and found.why
    assert len({o.observable for o in offered}) == len(offered)
    assert not {o.observable for o in offered} & {w.observable for w in found.withheld}
    assert not {o.observable for o in (*offered, *route)} & {*results, *situation.done}
    assert all(o.worth > 0 for o in (*found.next, *route)) and all(o.worth <= 0 for o in found.others)
    assert all(0 <= o.probability <= 1 for o in offered)
    for offer in offered:
        entry, row = entries.findings[offer.finding_id], EVIDENCE.finding(offer.observable, region)
        assert row.kind not in ("imaging", "laboratory")
        if isinstance(entry, HandsOn):
            assert not set(entry.never_if) & situation.precautions
        if situation.made_worse >= 2:
            assert offer.provocation == 0
        if situation.minutes_left is not None:
            assert offer.minutes <= situation.minutes_left
    if situation.minutes_left is not None:
        assert sum(o.minutes for o in route) <= situation.minutes_left + 1e-9
    assert all(o.position == stop.position for stop in found.route for o in stop.offers)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(moments())
def test_a_route_never_does_the_stronger_before_the_lighter(moment: tuple[str, dict[str, str], Situation]) -> None:
    region, results, situation = moment
    entries = CATALOGUE.region(region)
    model, costs = model_of(region), default_costs(entries, CATALOGUE.modalities)
    belief = believe(model, results)  # type: ignore[arg-type]
    found = plan(EVIDENCE, model, belief, CATALOGUE, costs, situation, depth=2, most_nodes=60)
    order = [offer.finding_id for stop in found.route for offer in stop.offers]
    for place, finding_id in enumerate(order):
        entry = entries.findings[finding_id]
        if isinstance(entry, HandsOn):
            assert not set(entry.relatives.stronger) & set(order[:place]), (finding_id, order)
