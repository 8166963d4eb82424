"""From a flag to what planning may offer: a raised screen withholds what would load its region, until it is settled."""

from __future__ import annotations

import datetime as dt

import pytest

from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.planning import default_costs
from endfeel.planning.withhold import withheld
from endfeel.visits.events import (
    Event,
    ProblemAdded,
    ScreenAnswered,
    ScreenOverridden,
    StoredEvent,
    StoryTold,
    VisitOpened,
)
from endfeel.visits.situation import situation_of
from endfeel.visits.state import replay

CATALOGUE, EVIDENCE = load_catalogue(), load_evidence()
NOW = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)


def why(region: str, finding: str, *events: Event, onset: str = "gradual", born: int = 1985) -> str | None:
    """Why a finding is not offered after these events; None where it is."""
    whole = (
        VisitOpened(patient_code="K", birth_year=born),
        ProblemAdded(problem_id="p1", region=region, side="left"),
        StoryTold.model_validate({"problem_id": "p1", "onset": onset, "onset_date": dt.date(2025, 11, 1)}),
        *events,
    )
    problem = replay(
        StoredEvent(seq=i, visit_id="v", at=NOW, actor="A", client_id=f"c{i}", event=event)
        for i, event in enumerate(whole, start=1)
    ).problems["p1"]
    entries = CATALOGUE.region(region)
    situation = situation_of(problem, CATALOGUE, NOW)
    costs = default_costs(entries, CATALOGUE.modalities)
    return withheld(EVIDENCE.finding(finding, region), entries, CATALOGUE, costs, situation, {}, 0.0)


def yes(screen: str, *items: str) -> tuple[Event, ...]:
    return tuple(ScreenAnswered(problem_id="p1", screen_id=screen, item_id=i, answer="yes") for i in items)


@pytest.mark.parametrize(
    ("region", "finding", "screen", "items", "said"),
    [
        ("ankle-foot", "single-leg-stance-binding-test", "achilles-rupture", ("snap",), "tendon rupture"),
        ("elbow-wrist-hand", "hand-elevation-test", "arm-clot", ("swollen-blue",), "clot"),
        ("shoulder", "neer-sign", "arm-clot", ("swollen-blue",), "clot"),
        ("shoulder", "lift-off-test", "new-weakness", ("grade-3",), "weakness"),
        ("knee", "squat-pain", "new-weakness", ("grade-3",), "weakness"),
        ("knee", "mcmurray", "knee-bone-stress", ("story", "bone"), "Fracture"),
        ("hip", "squat-test-pain", "deep-infection", ("warm-red",), "Hot"),
        ("ankle-foot", "single-leg-stance-binding-test", "hot-numb-foot", ("warm-numb",), "Hot"),
        ("shoulder", "bear-hug-test", "chest-muscle-rupture", ("fold",), "tendon rupture"),
        ("hip", "trendelenburg-sign", "hip-bone-stress", ("groin-with-load", "hop"), "Fracture"),
    ],
)
def test_a_flag_withholds_until_somebody_gives_a_reason(
    region: str, finding: str, screen: str, items: tuple[str, ...], said: str
) -> None:
    assert why(region, finding) is None, "offered in a calm visit"
    flag = yes(screen, *items)
    assert said in (why(region, finding, *flag) or "")
    settled = ScreenOverridden(problem_id="p1", screen_id=screen, reason="scanned and settled today")
    assert why(region, finding, *flag, settled) is None


def test_pressure_in_a_muscle_withholds_every_test_of_the_knee() -> None:
    flag = yes("compartment-syndrome", "out-of-proportion")
    for finding in ("lachman", "mcmurray", "joint-line-tenderness"):
        assert "send now" in (why("knee", finding, *flag) or "")


def test_a_growing_shoulder_is_filmed_before_it_is_loaded() -> None:
    flag = yes("growth-plate", "end-of-bone")
    assert "film first" in (why("shoulder", "apprehension-test", *flag, born=2012) or "")


def test_a_same_day_screen_sends_as_an_emergency_where_an_item_asks_for_it() -> None:
    assert why("hip", "faber") is None
    assert "send now" in (why("hip", "faber", *yes("belly-or-pelvis", "testicle-hernia")) or "")
    assert "send now" not in (why("hip", "faber", *yes("belly-or-pelvis", "kidney")) or "")
