"""Replay of a visit: corrections, contradictions, moves, late recordings."""

from __future__ import annotations

import datetime as dt

import pytest

from endfeel.visits.admission import EventRefused, admit
from endfeel.visits.events import (
    BaseRecorded,
    CardCleared,
    Closed,
    ConsentGiven,
    ConsentWithdrawn,
    ContextSet,
    Corrected,
    Decided,
    Event,
    EventError,
    FindingRecorded,
    OutcomeRecorded,
    ProblemAdded,
    ProblemMoved,
    Reopened,
    ScreenAnswered,
    ScreenOverridden,
    StoredEvent,
    StoryTold,
    VisitOpened,
    event_json,
    parse_event,
)
from endfeel.visits.line import line_of
from endfeel.visits.state import ReplayError, VisitState, replay

START = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)
KNEE: tuple[Event, ...] = (
    VisitOpened(patient_code="K-17", birth_year=1990),
    ProblemAdded(problem_id="p1", region="knee", side="left"),
)


def stored(*events: Event) -> list[StoredEvent]:
    """Events of one visit, admitted one by one, a minute apart."""
    result: list[StoredEvent] = []
    for number, event in enumerate(events, start=1):
        at = START + dt.timedelta(minutes=number)
        admit(result, event, at)
        result.append(
            StoredEvent(seq=number, visit_id="v1", at=at, actor="A", client_id=f"c{number}", event=event)
        )
    return result


def after(*events: Event) -> VisitState:
    return replay(stored(*KNEE, *events))


def finding(result: str, observable: str = "lachman", side: str = "left", **more: object) -> FindingRecorded:
    return FindingRecorded.model_validate(
        {"problem_id": "p1", "observable": observable, "side": side, "result": result, **more}
    )


def test_results_are_those_of_the_problem_side() -> None:
    state = after(finding("negative", side="right"), finding("positive"))
    assert state.problems["p1"].results() == {"lachman": "positive"}
    assert after(finding("negative", side="right")).problems["p1"].results() == {}


def test_a_problem_without_a_side_takes_the_worse_side() -> None:
    events = (
        VisitOpened(patient_code="K"),
        ProblemAdded(problem_id="p1", region="lumbar-pelvis", side="none"),
        finding("positive", "slump", "left"),
        finding("negative", "slump", "right"),
    )
    assert replay(stored(*events)).problems["p1"].results() == {"slump": "positive"}


def test_a_correction_keeps_the_old_event_and_counts_in_its_place() -> None:
    state = after(finding("positive"), Corrected(of=3, replacement=finding("negative"), reason="wrong button"))
    problem = state.problems["p1"]
    assert problem.results() == {"lachman": "negative"}
    assert problem.contradictions == ()
    entry = state.history[2]
    assert entry.stored.event == finding("positive")
    assert entry.event == finding("negative")
    assert entry.corrected_by == (4,)


def test_taking_back_and_taking_back_the_taking_back() -> None:
    assert after(finding("positive"), Corrected(of=3)).problems["p1"].results() == {}
    back = after(finding("positive"), Corrected(of=3), Corrected(of=4))
    assert back.problems["p1"].results() == {"lachman": "positive"}
    gone = after(finding("positive"), Corrected(of=3), Corrected(of=4), Corrected(of=5))
    assert gone.problems["p1"].results() == {}


def test_a_correction_can_itself_be_replaced() -> None:
    state = after(
        finding("positive"),
        Corrected(of=3, replacement=finding("negative")),
        Corrected(of=4, replacement=finding("unclear")),
    )
    assert state.problems["p1"].results() == {"lachman": "unclear"}


def test_of_two_corrections_the_last_that_stands_decides() -> None:
    two = (finding("positive"), Corrected(of=3, replacement=finding("negative")), Corrected(of=3))
    assert after(*two).problems["p1"].results() == {}
    assert after(*two, Corrected(of=5)).problems["p1"].results() == {"lachman": "negative"}


def test_contradictory_answers_keep_the_last_and_are_listed() -> None:
    state = after(
        ScreenAnswered(problem_id="p1", screen_id="cauda-equina", item_id="saddle", answer="yes"),
        ScreenAnswered(problem_id="p1", screen_id="cauda-equina", item_id="saddle", answer="no"),
        ContextSet(problem_id="p1", precautions={"pregnancy": "no"}),
        ContextSet(problem_id="p1", precautions={"pregnancy": "yes", "diabetes": "no"}),
        finding("negative"),
        finding("positive"),
        StoryTold(problem_id="p1", onset="injury"),
        StoryTold(problem_id="p1", onset="gradual", how="stairs"),
    )
    problem = state.problems["p1"]
    assert problem.screens == {"cauda-equina": {"saddle": "no"}}
    assert problem.context.precautions == {"pregnancy": "yes", "diabetes": "no"}
    assert [(c.what.split(":")[0], c.earlier, c.later) for c in state.contradictions] == [
        ("screen", "yes", "no"),
        ("precaution", "no", "yes"),
        ("finding", "negative", "positive"),
        ("story", "injury", "gradual"),
    ]


def test_story_and_context_merge() -> None:
    problem = after(
        StoryTold(problem_id="p1", onset="injury", onset_date=dt.date(2026, 2, 28)),
        StoryTold(problem_id="p1", how="a twist at handball"),
        ContextSet(problem_id="p1", minutes=20, how_bad="severe"),
        ContextSet(problem_id="p1", how_little="little"),
    ).problems["p1"]
    assert (problem.story.onset, problem.story.how) == ("injury", "a twist at handball")
    assert (problem.context.minutes, problem.context.how_bad, problem.context.how_little) == (20, "severe", "little")
    assert problem.days_since_onset(dt.date(2026, 3, 2)) == 2
    assert problem.days_since_onset(dt.date(2026, 2, 1)) == 0
    assert problem.age_between(dt.date(2026, 3, 2)) == (35, 36)


def test_an_age_told_for_one_problem_serves_the_other() -> None:
    state = after(
        ProblemAdded(problem_id="p2", region="hip", side="left"), ContextSet(problem_id="p1", age=15)
    )
    assert state.problems["p2"].age(dt.date(2026, 3, 2)) == 15


def test_moving_to_the_other_side_clears_nothing_silently() -> None:
    state = after(
        ScreenAnswered(problem_id="p1", screen_id="knee-trauma-screen", item_id="fibula", answer="no"),
        ScreenAnswered(problem_id="p1", screen_id="knee-trauma-screen", item_id="patella", answer="yes"),
        ScreenOverridden(problem_id="p1", reason="film normal"),
        finding("positive"),
        ProblemMoved(problem_id="p1", side="right", reason="asked again"),
    )
    problem = state.problems["p1"]
    assert problem.side == "right"
    assert problem.screens == {"knee-trauma-screen": {"patella": "yes"}}
    assert [a.item_id for a in problem.asked_elsewhere] == ["fibula"]
    assert problem.overrides == ()
    assert problem.results() == {}
    assert problem.findings[("lachman", "left")].result == "positive"
    returned = replay(stored(*[s.stored.event for s in state.history], ProblemMoved(
        problem_id="p1", side="left", reason="left after all")))
    assert returned.problems["p1"].screens == {"knee-trauma-screen": {"fibula": "no", "patella": "yes"}}
    assert returned.problems["p1"].results() == {"lachman": "positive"}


def test_a_slip_of_the_side_takes_the_recordings_along() -> None:
    problem = after(
        ScreenAnswered(problem_id="p1", screen_id="knee-trauma-screen", item_id="fibula", answer="no"),
        finding("positive"),
        finding("negative", side="right"),
        ProblemMoved(problem_id="p1", side="right", reason="wrong tap", recordings_move=True),
    ).problems["p1"]
    assert problem.results() == {"lachman": "positive"}
    assert problem.findings[("lachman", "left")].result == "negative"
    assert problem.screens == {"knee-trauma-screen": {"fibula": "no"}}


def test_a_cleared_card_never_overwrites_and_never_hides() -> None:
    found = BaseRecorded(problem_id="p1", item_id="squat", side="left", state="something-found")
    card = CardCleared(problem_id="p1", card="standing", items=("squat", "gait"))
    for events in ((found, card), (card, found)):
        base = after(*events).problems["p1"].base
        assert base[("squat", "left")].state == "something-found"
        assert base[("squat", "right")].event is None
        assert base[("gait", "both")].state == "nothing-found"
        assert ("squat", "both") not in base


def test_a_negative_in_a_guarding_patient_is_unclear() -> None:
    assert after(finding("negative", guarding=True)).problems["p1"].results() == {"lachman": "unclear"}
    assert after(finding("positive", guarding=True)).problems["p1"].results() == {"lachman": "positive"}


def test_a_problem_taken_back_keeps_what_was_recorded() -> None:
    state = after(finding("positive"), Corrected(of=2))
    assert state.problems == {}
    assert state.withdrawn_problems["p1"].results() == {"lachman": "positive"}
    late = after(Corrected(of=2), finding("positive"))
    assert late.withdrawn_problems["p1"].results() == {"lachman": "positive"}


def test_late_recordings_are_kept_and_marked() -> None:
    state = after(
        Closed(summary="done"),
        finding("positive"),
        OutcomeRecorded(problem_id="p1", source="film", on=dt.date(2026, 4, 1), condition="acl-tear", present=True),
    )
    assert state.closed and state.summary == "done"
    assert state.problems["p1"].results() == {"lachman": "positive"}
    assert [n.seq for n in state.notices] == [4]
    again = after(Closed(), Reopened(reason="one more test"), finding("positive"))
    assert not again.closed and again.notices == ()
    assert not after(Closed(), Corrected(of=3)).closed


def test_the_order_is_by_number_when_the_clock_goes_back() -> None:
    events = stored(*KNEE, finding("negative"), finding("positive"))
    moved = [s.model_copy(update={"at": START - dt.timedelta(hours=s.seq)}) for s in events]
    state = replay(reversed(moved))
    assert state.problems["p1"].results() == {"lachman": "positive"}
    assert state.last_at == START - dt.timedelta(hours=1)
    assert [n.seq for n in state.notices] == [2, 3, 4]


def test_consent_can_be_taken_back() -> None:
    state = after(
        ConsentGiven(scope="visit"),
        ConsentGiven(scope="intimate", finding_id="coccyx", chaperone="present"),
        ConsentWithdrawn(scope="provoking"),
        ConsentWithdrawn(scope="intimate", finding_id="coccyx"),
    )
    assert set(state.consents) == {"visit"}
    assert state.withdrawn_findings == {"coccyx"}
    assert state.problems["p1"].withdrawn_scopes == {"provoking"}


def test_the_line_says_what_was_last_decided() -> None:
    state = after(
        Decided(problem_id="p1", action="look-further"),
        Decided(problem_id="p1", action="start-care", review_on=dt.date(2026, 3, 16)),
    )
    line = line_of(state)
    assert (line.problems[0].action, line.review_on, line.status) == ("start-care", dt.date(2026, 3, 16), "open")


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (VisitOpened(patient_code="x"), "open already"),
        (ProblemAdded(problem_id="p1", region="knee", side="left"), "another id"),
        (finding("positive").model_copy(update={"problem_id": "p9"}), "no problem p9 (it has: p1)"),
        (Corrected(of=9), "there is no event 9"),
        (Corrected(of=1), "can be replaced, not taken back"),
        (Corrected(of=2, replacement=Closed()), "can't be replaced by closed"),
        (Corrected(of=1, replacement=VisitOpened(patient_code="x", birth_year=2100)), "lies in the future"),
        (Corrected(of=2, replacement=ProblemAdded(problem_id="q", region="hip", side="left")), "keeps the problem"),
    ],
)
def test_what_makes_no_sense_is_refused_in_one_line(event: Event, words: str) -> None:
    with pytest.raises(EventRefused, match=None) as caught:
        stored(*KNEE, event)
    assert words in str(caught.value) and "\n" not in str(caught.value)


def test_a_visit_must_be_opened_first() -> None:
    with pytest.raises(EventRefused, match="not open yet"):
        stored(Closed())
    with pytest.raises(ReplayError, match="at least one"):
        replay([])
    with pytest.raises(ReplayError, match="twice"):
        replay(stored(*KNEE) + stored(*KNEE))
    with pytest.raises(ReplayError, match="visit-opened"):
        replay(stored(*KNEE)[1:])


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"type": "nonsense"}, "type must be one of visit-opened"),
        ({}, "type must be one of"),
        ("[1", "Invalid JSON"),
        ({"type": "decided", "problem_id": "p", "action": "start-care"}, "needs the date"),
        ({"type": "decided", "problem_id": "p", "action": "send-now"}, "needs the safety screen"),
        ({"type": "made-worse", "problem_id": "p", "before": 3, "after": 11}, "made-worse.after"),
        ({"type": "closed", "summary": "\ud800"}, "closed.summary"),
        ({"type": "closed", "summary": "x" * 100_001}, "100000"),
        ({"type": "closed", "stray": 1}, "closed.stray"),
        ({"type": "measure-recorded", "problem_id": "p", "measure": "m", "value": float("nan"), "unit": ""}, "finite"),
        ({"type": "visit-opened", "patient_code": "a\nb"}, "control characters"),
    ],
)
def test_nonsense_is_refused_in_one_line(data: object, words: str) -> None:
    with pytest.raises(EventError) as caught:
        parse_event(data)  # type: ignore[arg-type]
    assert words in str(caught.value) and "\n" not in str(caught.value)


def test_text_of_any_script_and_length_comes_back_as_it_was() -> None:
    for text in ("", "ضغط الركبة", "膝の痛み 🦵", "a\x00b\u2028c\r\n\t", "e\u0301 é", "x" * 100_000):
        event = Closed(summary=text)
        assert parse_event(event_json(event)) == event
