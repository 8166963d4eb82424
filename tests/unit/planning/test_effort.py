"""What a finding takes: whole the first time, a share for a further reading of its manoeuvre, on the way or before."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import pytest

from endfeel.belief import Context, RegionModel, believe, compile_region
from endfeel.belief.results import Result
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.planning import CostError, Offer, Plan, Situation, change, default_costs, plan
from endfeel.planning.costs import _together
from endfeel.planning.effort import Path, candidate_of, effort, manoeuvres_done, provocation_spent
from endfeel.pooling import load_edition

EVIDENCE, CATALOGUE = load_evidence(), load_catalogue()
REGION = CATALOGUE.region("knee")
COSTS = default_costs(REGION, CATALOGUE.modalities)
# A scan so dear that nobody looks further: what the hands find decides.
NO_SCAN = replace(COSTS, modality_cost=MappingProxyType(dict.fromkeys(COSTS.modality_cost, 99.0)))
SITTING = Situation(position="sitting")
START = Path((), "sitting", 0.0, 0.0)
MEDIAL, LATERAL = "mcmurray:medial", "mcmurray:lateral"
LAXITY, PAIN = "valgus-stress-laxity-30", "valgus-stress-pain-30"


@pytest.fixture(scope="module")
def knee() -> RegionModel:
    return compile_region(EVIDENCE, load_edition(), CATALOGUE, Context("knee", onset="injury"))


def candidate(observable: str):  # type: ignore[no-untyped-def]
    return candidate_of(observable, EVIDENCE.finding(observable, "knee"))


@pytest.mark.parametrize(("first", "second"), [(MEDIAL, LATERAL), (LATERAL, MEDIAL), (LAXITY, PAIN), (PAIN, LAXITY)])
def test_a_further_reading_of_a_manoeuvre_costs_its_share_and_moves_nobody(first: str, second: str) -> None:
    one, other = candidate(first), candidate(second)
    taken = effort(one, START, COSTS, "moderate")
    assert (taken.again, taken.moves, taken.minutes) == (False, True, one.minutes)
    path = START.after(one, "positive", taken, COSTS)
    again = effort(other, path, COSTS, "moderate")
    assert again.again and not again.moves
    assert again.minutes == pytest.approx(COSTS.repeat * other.minutes)
    assert again.provocation == pytest.approx(COSTS.repeat * other.provocation)
    still = COSTS.burden(other.minutes, other.provocation, False, "moderate")
    assert again.burden == pytest.approx(COSTS.repeat * still) and again.burden < still
    after = path.after(other, "negative", again, COSTS)
    assert after.minutes == pytest.approx(one.minutes + COSTS.repeat * other.minutes)
    assert after.position == path.position == "supine"


def test_a_further_reading_moves_nobody_even_after_the_patient_has_moved_on() -> None:
    path = Path((), "prone", 3.0, 2.0, frozenset({"mcmurray"}))
    taken = effort(candidate(LATERAL), path, COSTS, "high")
    assert taken.again and not taken.moves
    assert path.after(candidate(LATERAL), "negative", taken, COSTS).position == "prone"


def test_findings_of_different_manoeuvres_share_nothing() -> None:
    path = START.after(candidate(MEDIAL), "positive", effort(candidate(MEDIAL), START, COSTS, "low"), COSTS)
    for other in ("apley:medial", "lachman", "joint-line-tenderness:medial"):
        assert not effort(candidate(other), path, COSTS, "low").again


def test_what_was_not_done_took_nothing() -> None:
    results = {MEDIAL: "not-done", PAIN: "unclear"}
    assert manoeuvres_done(results, COSTS) == {COSTS.manoeuvre(LAXITY)}
    assert provocation_spent(results, {"mcmurray": 2, PAIN: 2}, COSTS) == 2.0


def test_provocation_of_one_manoeuvre_is_spent_once_and_its_share_for_each_further_reading() -> None:
    grades = {r.finding_id: r.provocation for r in EVIDENCE.findings_of("knee")}
    results = {MEDIAL: "positive", LATERAL: "negative", LAXITY: "negative", PAIN: "positive", "elsewhere": "positive"}
    more, less = sorted((grades[LAXITY], grades[PAIN]), reverse=True)
    expected = grades["mcmurray"] * (1 + COSTS.repeat) + more + COSTS.repeat * less
    assert provocation_spent(results, grades, COSTS) == pytest.approx(expected)
    backwards = dict(reversed(list(results.items())))
    assert provocation_spent(backwards, grades, COSTS) == pytest.approx(expected)


def planned(knee: RegionModel, results: dict[str, Result], situation: Situation = SITTING, repeat: float = 0.2) -> Plan:
    costs = change(NO_SCAN, repeat=repeat)
    return plan(EVIDENCE, knee, believe(knee, results), CATALOGUE, costs, situation, depth=2)


def offered(found: Plan) -> dict[str, Offer]:
    return {o.observable: o for o in (*found.next, *found.others)}


def test_a_plan_charges_a_share_for_the_other_reading_of_what_was_recorded(knee: RegionModel) -> None:
    inner, outer = "joint-line-tenderness:medial", "joint-line-tenderness:lateral"
    fresh, after = offered(planned(knee, {})), offered(planned(knee, {inner: "negative"}))
    assert not fresh[outer].again and after[outer].again
    assert fresh[outer].burden == pytest.approx(COSTS.burden(1.0, 1, True, "moderate"))
    assert after[outer].burden == pytest.approx(0.2 * COSTS.burden(1.0, 1, False, "moderate"))
    assert after[outer].minutes == pytest.approx(0.2) and after[outer].provocation == 1
    skipped = offered(planned(knee, {inner: "not-done"}))
    assert not skipped[outer].again and skipped[outer].minutes == 1.0
    whole = offered(planned(knee, {inner: "negative"}, repeat=1.0))
    assert whole[outer].burden == pytest.approx(COSTS.burden(1.0, 1, False, "moderate"))
    assert whole[outer].worth < after[outer].worth


def test_a_further_reading_fits_where_the_whole_manoeuvre_would_not(knee: RegionModel) -> None:
    hurried = replace(SITTING, minutes_left=0.4)
    inner, outer = "joint-line-tenderness:medial", "joint-line-tenderness:lateral"
    assert outer not in offered(planned(knee, {}, hurried))
    assert outer in offered(planned(knee, {inner: "negative"}, hurried))


def test_the_minutes_of_a_route_are_those_of_walking_it(knee: RegionModel) -> None:
    # With little else allowed the route takes both readings of a manoeuvre.
    only = {"joint-line-tenderness", "mcmurray", "joint-line-fullness"}
    others = frozenset(r.finding_id for r in EVIDENCE.findings_of("knee")) - only
    few = replace(SITTING, withdrawn=others, irritability="low")
    again = 0
    for results in ({}, {"joint-line-tenderness:medial": "positive"}, {"mcmurray:lateral": "negative"}):
        found = planned(knee, results, few)  # type: ignore[arg-type]
        path = replace(START, manoeuvres=manoeuvres_done(results, COSTS))
        for stop in found.route:
            before = path.minutes
            for offer in stop.offers:
                taken = effort(candidate(offer.observable), path, COSTS, "low")
                assert (offer.minutes, offer.burden, offer.again) == (taken.minutes, taken.burden, taken.again)
                path = path.after(candidate(offer.observable), "positive", taken, COSTS)
                again += taken.again
            assert stop.minutes == pytest.approx(path.minutes - before)
    assert again, "no route took two readings of one manoeuvre, so nothing was tried"


def test_findings_read_together_stand_in_one_position_in_the_catalogue_and_in_one_group() -> None:
    for name, region in CATALOGUE.regions.items():
        together = default_costs(region, CATALOGUE.modalities).together
        for finding_id, manoeuvre in together.items():
            one, other = EVIDENCE.finding(finding_id, name), EVIDENCE.finding(manoeuvre, name)
            assert one.patient_position == other.patient_position


def test_a_table_that_names_an_unknown_finding_or_one_twice_is_refused() -> None:
    for groups in ([["lachman", "spleen"]], [["lachman", "lachman"]], [["lachman"], ["lachman"]]):
        with pytest.raises(CostError, match="unknown or stands twice"):
            _together(groups, REGION)


@pytest.mark.parametrize("bad", [-0.1, 1.01, float("nan")])
def test_a_share_is_between_nothing_and_the_whole(bad: float) -> None:
    with pytest.raises(CostError, match="no share from 0 to 1"):
        change(COSTS, repeat=bad)
