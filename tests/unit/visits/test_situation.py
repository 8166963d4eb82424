"""Irritability, and what belief and planning are told about a problem."""

from __future__ import annotations

import datetime as dt
from types import MappingProxyType

import pytest

from endfeel.catalogue import Catalogue, RegionCatalogue, load_catalogue
from endfeel.catalogue.entries import HandsOn
from endfeel.evidence import load_evidence
from endfeel.visits.events import (
    ConsentWithdrawn,
    ContextSet,
    Event,
    FindingRecorded,
    MadeWorse,
    ProblemAdded,
    ScreenAnswered,
    ScreenOverridden,
    StoredEvent,
    StoryTold,
    VisitOpened,
)
from endfeel.visits.irritability import irritability_of, judge
from endfeel.visits.look_again import LookAgainAt, look_again
from endfeel.visits.problem import ProblemState
from endfeel.visits.situation import context_of, situation_of
from endfeel.visits.state import replay

NOW = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)
LACHMAN = HandsOn.model_validate(
    {
        "id": "lachman",
        "purpose": "p",
        "patient": "p",
        "examiner": "e",
        "move": "m",
        "observe": [{"id": "travel", "choose": ["same", "more"]}],
        "result": {"positive": 'travel == "more"'},
        "look_again": {"if": "unclear", "injury_days_under": 14, "on_day": [7, 10]},
        "intimate": True,
        "review": {"status": "draft"},
    }
)
KNEE = RegionCatalogue("knee", MappingProxyType({"lachman": LACHMAN}), {}, {}, (), (), {})
CATALOGUE = Catalogue(MappingProxyType({"knee": KNEE}), {}, {}, {})


def problem(*events: Event) -> ProblemState:
    whole = (
        VisitOpened(patient_code="K", birth_year=1990, sex="female", setting="sports"),
        ProblemAdded(problem_id="p1", region="knee", side="left"),
        *events,
    )
    return replay(
        StoredEvent(seq=i, visit_id="v", at=NOW, actor="A", client_id=f"c{i}", event=event)
        for i, event in enumerate(whole, start=1)
    ).problems["p1"]


def finding(observable: str, result: str = "positive", side: str = "left") -> FindingRecorded:
    return FindingRecorded.model_validate(
        {"problem_id": "p1", "observable": observable, "side": side, "result": result}
    )


@pytest.mark.parametrize(
    ("answers", "days", "level"),
    [
        ((None, None, None), None, "moderate"),
        (("much", "mild", "minutes"), None, "low"),
        (("much", "mild", "an-hour"), None, "low"),
        (("much", "mild", None), None, "low"),
        (("much", None, None), None, "moderate"),
        (("much", "mild", "hours"), None, "moderate"),
        (("little", "mild", "minutes"), None, "moderate"),
        (("little", "severe", "minutes"), None, "high"),
        (("little", "severe", "hours"), None, "high"),
        (("much", "mild", "minutes"), 3, "high"),
        (("much", "mild", "minutes"), 4, "low"),
        ((None, None, None), 0, "high"),
    ],
)
def test_the_rule_of_three_taps(answers: tuple[None, None, None], days: int | None, level: str) -> None:
    judged = judge(*answers, days_since_injury=days)
    assert judged.level == level
    assert judged.words and judged.rule


def test_seventy_two_hours_count_only_after_an_injury() -> None:
    day = dt.date(2026, 3, 1)
    fresh = problem(StoryTold(problem_id="p1", onset="injury", onset_date=day))
    gradual = problem(StoryTold(problem_id="p1", onset="gradual", onset_date=day))
    assert irritability_of(fresh, NOW.date()).level == "high"
    assert irritability_of(gradual, NOW.date()).level == "moderate"


def test_context_for_belief() -> None:
    told = problem(
        StoryTold(problem_id="p1", onset="injury", onset_date=dt.date(2026, 2, 20)),
        ContextSet(problem_id="p1", chances={"acl-tear": 0.4}),
    )
    context = context_of(told)
    assert (context.region, context.setting, context.age, context.sex) == ("knee", "sports", 36, "female")
    assert (context.onset, context.days_since_injury, context.chances["acl-tear"]) == ("injury", 10, 0.4)
    assert context_of(problem(ContextSet(problem_id="p1", setting="tertiary", age=60))).setting == "tertiary"
    assert context_of(problem()).onset == "unknown"
    assert context_of(problem(StoryTold(problem_id="p1", onset="sudden-no-injury"))).onset == "gradual"


def test_situation_for_planning() -> None:
    visit = problem(
        StoryTold(problem_id="p1", onset="injury", onset_date=dt.date(2026, 2, 20)),
        ContextSet(problem_id="p1", minutes=10, precautions={"pregnancy": "yes"}),
        finding("lachman"),
        finding("pivot-shift", "negative", "right"),
        finding("thessaly-20", "not-done"),
        MadeWorse(problem_id="p1", finding_id="lachman", before=2, after=5),
        MadeWorse(problem_id="p1", before=2, after=2),
    )
    situation = situation_of(visit, CATALOGUE, NOW + dt.timedelta(minutes=4))
    assert situation.precautions == {"pregnancy"}
    assert situation.minutes_left == pytest.approx(6)
    assert situation.position == load_evidence().finding("pivot-shift", "knee").patient_position
    assert situation.done == {"lachman", "thessaly-20"}, "the comparison side is not done on the painful one"
    assert (situation.made_worse, situation.age, situation.trauma_recent) == (1, 36, True)
    assert situation_of(visit, CATALOGUE, NOW - dt.timedelta(hours=1)).minutes_left == 10
    assert situation_of(visit, CATALOGUE, NOW + dt.timedelta(hours=1)).minutes_left == 0


def test_withdrawn_consent_reaches_the_findings() -> None:
    def withdrawn(**given: object) -> frozenset[str]:
        event = ConsentWithdrawn.model_validate(given)
        return situation_of(problem(event), CATALOGUE, NOW).withdrawn

    rows = load_evidence().findings_of("knee")
    assert withdrawn(scope="visit") >= {row.finding_id for row in rows}
    assert withdrawn(scope="provoking") == {row.finding_id for row in rows if row.provocation >= 2}
    assert withdrawn(scope="intimate") == {"lachman"}
    assert withdrawn(scope="provoking", finding_id="pivot-shift") == {"pivot-shift"}


def test_an_unclear_test_after_a_fresh_injury_is_looked_at_again() -> None:
    injured = dt.date(2026, 2, 25)
    story = StoryTold(problem_id="p1", onset="injury", onset_date=injured)
    due = (LookAgainAt("lachman", dt.date(2026, 3, 4), dt.date(2026, 3, 7)),)
    assert look_again(problem(story, finding("lachman", "unclear")), CATALOGUE) == due
    assert look_again(problem(story, finding("lachman", "negative")), CATALOGUE) == ()
    old = story.model_copy(update={"onset_date": dt.date(2026, 2, 1)})
    assert look_again(problem(old, finding("lachman", "unclear")), CATALOGUE) == ()


def test_a_raised_emergency_goes_before_testing_until_it_is_overridden_with_a_reason() -> None:
    shipped = load_catalogue()
    hot = ScreenAnswered(problem_id="p1", screen_id="septic-joint", item_id="hot-quick", answer="yes")
    assert situation_of(problem(), shipped, NOW).sent_first == ""
    assert situation_of(problem(hot), shipped, NOW).sent_first == shipped.screens["septic-joint"].name
    reason = ScreenOverridden(problem_id="p1", screen_id="septic-joint", reason="joint was aspirated today, crystals")
    assert situation_of(problem(hot, reason), shipped, NOW).sent_first == ""
