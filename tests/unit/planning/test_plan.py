"""The plan: what is offered and in which order, what is withheld, when to stop and why."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import pytest

from endfeel.belief import Context, RegionModel, believe, compile_region, prior_belief
from endfeel.belief.results import Result
from endfeel.catalogue import load_catalogue
from endfeel.catalogue.entries import HandsOn
from endfeel.evidence import load_evidence
from endfeel.planning import Costs, Offer, Plan, Situation, decision_now, decision_words, default_costs, plan
from endfeel.planning.plan import _by_position
from endfeel.pooling import load_edition

EVIDENCE, CATALOGUE = load_evidence(), load_catalogue()
REGION = CATALOGUE.region("knee")
COSTS = default_costs(REGION, CATALOGUE.modalities)
SITTING = Situation(position="sitting", irritability="low")


@pytest.fixture(scope="module")
def knee() -> RegionModel:
    return model_of(Context("knee", onset="injury"))


def model_of(context: Context) -> RegionModel:
    return compile_region(EVIDENCE, load_edition(), CATALOGUE, context)


def planned(
    model: RegionModel,
    situation: Situation = SITTING,
    results: dict[str, Result] | None = None,
    costs: Costs = COSTS,
    **options: int,
) -> Plan:
    belief = believe(model, results or {})
    return plan(EVIDENCE, model, belief, CATALOGUE, costs, situation, depth=options.get("depth", 2))


def all_offers(found: Plan) -> tuple[Offer, ...]:
    return (*found.next, *found.others)


def in_route(found: Plan) -> list[Offer]:
    return [offer for stop in found.route for offer in stop.offers]


def test_what_is_offered_is_worth_its_burden(knee: RegionModel) -> None:
    found = planned(knee)
    assert found.next and not found.stop
    assert all(o.worth > 0 for o in found.next) and all(o.worth <= 0 for o in found.others)
    assert found.settled


def test_among_findings_that_change_what_is_done_the_worthiest_comes_first(knee: RegionModel) -> None:
    for kept in (True, False):
        worths = [o.worth for o in planned(knee).next if o.changes is kept]
        assert worths == sorted(worths, reverse=True)


def test_if_positive_and_if_negative_are_the_decisions_after_either(knee: RegionModel) -> None:
    """Looking ahead uses fewer draws; the first offers are not so close that it matters."""
    for offer in planned(knee).next[:2]:
        for result, words in (("positive", offer.if_positive), ("negative", offer.if_negative)):
            told: Result = "positive" if result == "positive" else "negative"
            after = decision_now(knee, believe(knee, {offer.observable: told}), REGION, COSTS)
            assert words in {decision_words(after, REGION, most) for most in (2, 3, None)}


def test_two_ways_on_that_differ_read_differently(knee: RegionModel) -> None:
    for offer in all_offers(planned(knee)):
        assert not offer.changes or offer.if_positive != offer.if_negative


def test_a_finding_that_can_not_tell_is_never_offered() -> None:
    """Rule out all that a finding responds to: nothing it shows moves a chance, so it is worth less than nothing."""
    sure = model_of(Context("knee", onset="injury", chances={"patellar-instability": 0.0, "acl-tear": 0.0}))
    deaf = [o for o in sure.observables if set(sure.responds_to(o)) <= {"patellar-instability", "acl-tear"}]
    assert len(deaf) > 4
    found = planned(sure)
    assert found.next
    assert not {o.observable for o in found.next} & set(deaf)
    for offer in found.others:
        if offer.observable in deaf:
            assert offer.worth < 0 and not offer.changes
            assert offer.worth_words == "would not change what you do"
            assert offer.if_positive == offer.if_negative
    assert not {o.observable for o in in_route(found)} & set(deaf)


def test_a_finding_recorded_is_not_offered_again(knee: RegionModel) -> None:
    first = planned(knee).next[0].observable
    after = planned(knee, results={first: "negative"})
    assert first not in {o.observable for o in all_offers(after)}
    unclear = planned(knee, replace(SITTING, done=frozenset({first})))
    assert first not in {o.observable for o in all_offers(unclear)}


def test_coarse_readings_are_not_offered_beside_finer_ones(knee: RegionModel) -> None:
    offered = {o.observable for o in all_offers(planned(knee))}
    assert "joint-line-tenderness:either" not in offered
    assert {"joint-line-tenderness:medial", "joint-line-tenderness:lateral"} <= offered


def test_the_lighter_test_comes_before_the_stronger(knee: RegionModel) -> None:
    def offered(results: dict[str, Result], situation: Situation = SITTING) -> set[str]:
        return {o.finding_id for o in all_offers(planned(knee, situation, results))}

    lighter = [
        f.id for f in REGION.findings.values() if isinstance(f, HandsOn) and "pivot-shift" in f.relatives.stronger
    ]
    assert "lachman" in lighter
    assert "pivot-shift" not in offered({})
    readings = [o for o in knee.observables if o.split(":")[0] in lighter]
    assert "pivot-shift" in offered(dict.fromkeys(readings, "negative"))
    decided = planned(knee, SITTING, {**dict.fromkeys(readings, "negative"), "lachman": "positive"})
    assert "pivot-shift" in {w.observable for w in decided.withheld}


def test_precautions_withhold_and_say_why(knee: RegionModel) -> None:
    careful = replace(SITTING, precautions=frozenset({"fracture-not-excluded"}))
    found = planned(knee, careful)
    because = {w.observable.split(":")[0]: w.because for w in found.withheld}
    assert because["lachman"].startswith("Fracture not excluded")
    for offer in (*all_offers(found), *in_route(found)):
        entry = REGION.findings[offer.finding_id]
        assert not (isinstance(entry, HandsOn) and "fracture-not-excluded" in entry.never_if)


def test_scans_are_neither_offered_nor_listed_as_withheld(knee: RegionModel) -> None:
    found = planned(knee)
    for observable in (*(o.observable for o in all_offers(found)), *(w.observable for w in found.withheld)):
        assert EVIDENCE.finding(observable, "knee").kind not in ("imaging", "laboratory")


@pytest.mark.parametrize("minutes", [0.4, 2.0, 5.0])
def test_the_route_fits_the_minutes_left(knee: RegionModel, minutes: float) -> None:
    found = planned(knee, replace(SITTING, minutes_left=minutes))
    assert all(o.minutes <= minutes for o in all_offers(found))
    assert sum(o.minutes for o in in_route(found)) <= minutes + 1e-9


def test_the_route_spends_no_more_provocation_than_irritability_allows(knee: RegionModel) -> None:
    for irritability in ("low", "moderate", "high"):
        found = planned(knee, replace(SITTING, irritability=irritability))  # type: ignore[arg-type]
        taken = [o.provocation * (COSTS.repeat if o.again else 1.0) for o in in_route(found)]
        assert sum(taken) <= COSTS.provocation_budget[irritability]


def test_what_was_provoked_already_counts(knee: RegionModel) -> None:
    done: dict[str, Result] = dict.fromkeys(("mcmurray:medial", "lachman", "valgus-stress-pain-30"), "unclear")
    spent = sum(EVIDENCE.finding(o, "knee").provocation for o in done)
    budget = float(spent)
    tight = replace(COSTS, provocation_budget=MappingProxyType({i: budget for i in COSTS.provocation_budget}))
    found = planned(knee, SITTING, done, tight)
    assert all(o.provocation == 0 for o in (*all_offers(found), *in_route(found)))
    assert any("what may be brought on" in w.because for w in found.withheld)


def test_the_route_visits_each_position_once_the_present_one_early_and_provokes_last(knee: RegionModel) -> None:
    found = planned(knee, replace(SITTING, position="supine"))
    positions = [stop.position for stop in found.route]
    assert len(positions) == len(set(positions)) > 0
    lying = [p for p in positions if p != "any"]
    if "supine" in lying:
        assert lying[0] == "supine"
    for stop in found.route:
        grades = [o.provocation for o in stop.offers]
        assert grades == sorted(grades)
        assert all(o.position == stop.position for o in stop.offers)
    assert found.next[0].observable in {o.observable for o in in_route(found)}


def test_moving_the_patient_costs(knee: RegionModel) -> None:
    supine = {o.observable: o for o in all_offers(planned(knee, replace(SITTING, position="supine")))}
    sitting = {o.observable: o for o in all_offers(planned(knee, SITTING))}
    for observable in supine.keys() & sitting.keys():
        change = sitting[observable].burden - supine[observable].burden
        expected = {"supine": COSTS.reposition, "sitting": -COSTS.reposition}.get(supine[observable].position, 0.0)
        assert change == pytest.approx(expected)


def test_stop_where_even_knowing_everything_is_worth_too_little() -> None:
    sure = model_of(Context("knee", chances={"acl-tear": 1.0}))
    certain = model_of(
        Context("knee", chances={c: 1.0 if c == "acl-tear" else 0.0 for c in sure.conditions}),
    )
    found = planned(certain)
    assert found.stop and not found.next and not found.route
    assert found.why == "even knowing everything would be worth less than the lightest finding left"
    assert found.decision.overall.action == "start-care" and found.decision.overall.condition == "acl-tear"


def test_stop_where_nothing_left_is_worth_its_burden(knee: RegionModel) -> None:
    found = planned(knee, costs=replace(COSTS, minute=3.0))
    assert found.stop and found.others
    assert found.why == "no finding left could change what you do by enough to be worth its minutes and its provocation"


def test_stop_where_all_is_withheld(knee: RegionModel) -> None:
    found = planned(knee, replace(SITTING, minutes_left=0.0))
    assert found.stop and not all_offers(found)
    assert found.why.startswith("every finding that could tell more is withheld")
    assert all("minutes" in w.because or "follows from" in w.because for w in found.withheld)


def test_stop_where_all_has_been_recorded(knee: RegionModel) -> None:
    everything = frozenset(knee.observables)
    found = planned(knee, replace(SITTING, done=everything))
    assert found.stop and not all_offers(found) and not found.withheld
    assert found.why == "every finding that could tell more has been recorded"


def test_stop_where_what_was_recorded_tells_nothing_says_so(knee: RegionModel) -> None:
    readings = [o for o in knee.observables if not knee.observed(o).coarse_of]
    found = planned(knee, results=dict.fromkeys(readings, "not-done"))
    assert found.stop and found.why.endswith("all of them as unclear or not done, which tells nothing either way")
    told: dict[str, Result] = {**dict.fromkeys(readings, "unclear"), "lachman": "positive"}
    some = planned(knee, results=told)
    assert some.why.endswith(f"{len(told) - 1} of {len(told)} as unclear or not done, which tells nothing either way")


def test_going_on_says_which_finding_and_whether_alone(knee: RegionModel) -> None:
    found = planned(knee)
    best = found.next[0]
    assert found.why.startswith(best.name)
    assert ("together with what comes after it" in found.why) == (not best.changes)


def test_the_plan_is_the_same_every_time_and_without_a_route_where_none_is_wanted(knee: RegionModel) -> None:
    one, again = planned(knee), planned(knee)
    assert one.next == again.next and one.route == again.route
    bare = plan(EVIDENCE, knee, prior_belief(knee), CATALOGUE, COSTS, SITTING, depth=2, with_route=False)
    assert bare.route == () and bare.next == one.next


def test_irritability_makes_provoking_findings_dearer(knee: RegionModel) -> None:
    calm = {o.observable: o.burden for o in all_offers(planned(knee, replace(SITTING, irritability="low")))}
    sore = {o.observable: o for o in all_offers(planned(knee, replace(SITTING, irritability="high")))}
    for observable, offer in sore.items():
        if observable in calm:
            assert (offer.burden > calm[observable]) == (offer.provocation > 0)


def test_findings_that_the_catalogue_wants_done_first_are_named(knee: RegionModel) -> None:
    wanted = {f.id: f.first for f in REGION.findings.values() if isinstance(f, HandsOn) and f.first}
    assert wanted
    for offer in all_offers(planned(knee)):
        expected = tuple(f for f in wanted.get(offer.finding_id, ()) if f in REGION.findings)
        assert offer.first == expected


def offer(name: str, position: str, provocation: int = 0, worth: float = 0.1) -> Offer:
    return Offer(name, name, name, worth, 0.01, 1.0, provocation, position, 0.5, "", "", True, "")


def test_a_route_keeps_the_lighter_first_across_positions() -> None:
    offers = [offer("strong", "standing"), offer("light", "supine", 2), offer("other", "standing"), offer("any", "any")]
    found = _by_position(offers, "standing", {"strong": {"light": ""}})
    assert [(s.position, [o.observable for o in s.offers]) for s in found] == [
        ("any", ["any"]), ("supine", ["light"]), ("standing", ["strong", "other"]),
    ]  # fmt: skip


def test_a_route_keeps_the_lighter_first_within_a_position_though_it_provokes_more() -> None:
    found = _by_position([offer("strong", "supine", 1), offer("light", "supine", 2)], None, {"strong": {"light": ""}})
    assert [o.observable for o in found[0].offers] == ["light", "strong"]


def test_a_position_is_taken_twice_only_where_nothing_else_keeps_the_order() -> None:
    offers = [offer("a", "sitting"), offer("b", "supine"), offer("c", "sitting"), offer("d", "supine")]
    chain = {"b": {"a": ""}, "c": {"b": ""}}
    found = _by_position(offers, "sitting", chain)
    order = [o.observable for s in found for o in s.offers]
    assert order.index("a") < order.index("b") < order.index("c") and len(found) == 3
    assert sorted(order) == ["a", "b", "c", "d"]


def test_a_decision_in_words_names_as_many_kinds_of_care_as_asked(knee: RegionModel) -> None:
    found = ("lachman", "anterior-drawer", "joint-line-fullness", "valgus-stress-laxity-30")
    decision = decision_now(knee, believe(knee, dict.fromkeys(found, "positive")), REGION, COSTS)
    done = [a for a in decision.by_group if a.action != "set-aside"]
    assert len(done) > 2
    short, whole = decision_words(decision, REGION), decision_words(decision, REGION, most=None)
    named = [REGION.care[a.care_group].name.lower() for a in done]
    assert all(name in whole.lower() for name in named)
    assert sum(name in short.lower() for name in named) == 2
