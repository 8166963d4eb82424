"""The record under everything that can happen to it, against a plain model of what it must say."""

from __future__ import annotations

import datetime as dt
import json
import random
import shutil
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from endfeel.storage import ClientIdTaken, Store
from endfeel.storage.deidentify import Pseudonyms, deidentify
from endfeel.visits.admission import EventRefused, admit
from endfeel.visits.events import (
    Closed,
    Corrected,
    Event,
    EventError,
    FindingRecorded,
    ProblemAdded,
    ProblemMoved,
    Reopened,
    ScreenAnswered,
    StoredEvent,
    StoryTold,
    VisitOpened,
    event_json,
    parse_event,
)
from endfeel.visits.line import line_of
from endfeel.visits.state import replay

START = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)
texts = st.text(max_size=60)
results = st.sampled_from(["negative", "positive", "unclear", "not-done"])
findings = st.builds(
    FindingRecorded,
    problem_id=st.just("p1"),
    observable=st.sampled_from(["lachman", "pivot-shift", "thessaly-20:medial"]),
    side=st.sampled_from(["left", "right", "none"]),
    result=results,
    confidence=st.none() | st.integers(1, 5),
    not_done_because=st.none() | texts,
    observations=st.dictionaries(
        st.text(max_size=10),
        st.booleans() | st.integers(-(2**70), 2**70) | st.floats(allow_nan=False, allow_infinity=False) | texts,
        max_size=3,
    ),
)
answers = st.builds(
    ScreenAnswered,
    problem_id=st.just("p1"),
    screen_id=st.just("knee-trauma-screen"),
    item_id=st.sampled_from(["steps", "patella"]),
    answer=st.sampled_from(["yes", "no", "unsure"]),
)
moves = st.builds(
    ProblemMoved,
    problem_id=st.just("p1"),
    side=st.sampled_from(["left", "right", "both", "none"]),
    reason=texts,
    recordings_move=st.booleans(),
)
stories = st.builds(
    StoryTold,
    problem_id=st.just("p1"),
    onset=st.sampled_from([None, "injury", "gradual"]),
    onset_date=st.none() | st.dates(dt.date(1900, 1, 1), dt.date(2200, 1, 1)),
    how=st.none() | texts,
)
KINDS: dict[str, st.SearchStrategy[Any]] = {
    "finding-recorded": findings, "screen-answered": answers, "problem-moved": moves, "story-told": stories,
}  # fmt: skip
recordings: st.SearchStrategy[Event] = st.one_of(findings, answers, moves, stories)


def said(log: list[Event], seq: int) -> Any:
    """What an event says now, by the definition: the last correction aimed at it that still stands decides."""
    now: Any = log[seq - 1]
    for later in range(seq + 1, len(log) + 1):
        aimed = log[later - 1]
        if isinstance(aimed, Corrected) and aimed.of == seq:
            correction = said(log, later)
            if correction is None:
                continue
            if isinstance(log[seq - 1], Corrected):
                now = None if correction.replacement is None else Corrected(of=log[seq - 1].of, **{
                    "replacement": correction.replacement, "reason": correction.reason})
            else:
                now = correction.replacement
    return now


class Record(RuleBasedStateMachine):
    """Record, correct, undo, undo the undo, close, reopen, send again, restart, a second tab."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="endfeel-record-"))
        self.stores = [Store(self.folder), Store(self.folder)]
        self.visit_id = self.stores[0].new_visit_id()
        self.log: list[Event] = []
        self.at = START

    def teardown(self) -> None:
        for store in self.stores:
            store.close()
        shutil.rmtree(self.folder)

    def send(self, event: Event, tab: int = 0) -> None:
        number = len(self.log) + 1
        stored = self.stores[tab].append(self.visit_id, event, "A", f"c{number}", at=self.at)
        assert (stored.seq, stored.event) == (number, event)
        self.log.append(event)

    @initialize()
    def opened(self) -> None:
        self.send(VisitOpened(patient_code="K-17"))
        self.send(ProblemAdded(problem_id="p1", region="knee", side="left"))

    @rule(event=recordings, tab=st.integers(0, 1))
    def records(self, event: Event, tab: int) -> None:
        self.send(event, tab)

    @rule(data=st.data(), tab=st.integers(0, 1))
    def corrects(self, data: st.DataObject, tab: int) -> None:
        of = data.draw(st.integers(2, len(self.log)))
        root: Event = self.log[of - 1]
        while isinstance(root, Corrected):
            root = self.log[root.of - 1]
        new = data.draw(st.none() | KINDS.get(root.type, st.none()))
        self.send(Corrected(of=of, replacement=new), tab)

    @rule()
    def undoes_the_last(self) -> None:
        self.send(Corrected(of=len(self.log)) if len(self.log) > 1 else Closed())

    @rule(summary=texts)
    def closes(self, summary: str) -> None:
        self.send(Closed(summary=summary))

    @rule()
    def reopens(self) -> None:
        self.send(Reopened(reason="more to do"))

    @rule(minutes=st.integers(-600, 600))
    def clock_jumps(self, minutes: int) -> None:
        self.at += dt.timedelta(minutes=minutes)

    @rule()
    def restarts(self) -> None:
        for store in self.stores:
            store.close()
        self.stores = [Store(self.folder), Store(self.folder)]

    @precondition(lambda self: self.log)
    @rule(data=st.data(), tab=st.integers(0, 1))
    def sends_again(self, data: st.DataObject, tab: int) -> None:
        number = data.draw(st.integers(1, len(self.log)))
        again = self.stores[tab].append(self.visit_id, self.log[number - 1], "B", f"c{number}")
        assert (again.seq, again.actor) == (number, "A")

    @precondition(lambda self: self.log)
    @rule()
    def reuses_a_client_id(self) -> None:
        with pytest.raises(ClientIdTaken):
            self.stores[0].append(self.visit_id, Reopened(reason="something else"), "A", "c1")

    @rule()
    def sends_nonsense(self) -> None:
        with pytest.raises(EventRefused):
            self.stores[1].append(self.visit_id, Corrected(of=len(self.log) + 7), "A", "nonsense")

    @rule()
    def rebuilds(self) -> None:
        self.stores[1].rebuild()

    @invariant()
    def nothing_is_lost_and_the_state_is_replay(self) -> None:
        if not self.log:
            return
        for store in self.stores:
            events = store.events(self.visit_id)
            assert [e.event for e in events] == self.log
            assert [e.seq for e in events] == list(range(1, len(self.log) + 1))
            state = store.state(self.visit_id)
            assert state == replay(events)
            assert store.visits() == [line_of(state)]
        effective = [said(self.log, seq) for seq in range(1, len(self.log) + 1)]
        assert [h.event for h in state.history] == effective
        closings = [e for e in effective if isinstance(e, (Closed, Reopened))]
        assert state.closed == bool(closings and isinstance(closings[-1], Closed))
        problem = {**state.problems, **state.withdrawn_problems}["p1"]
        assert (effective[1] is not None) == ("p1" in state.problems)
        moved = [e for e in effective if isinstance(e, ProblemMoved)]
        assert problem.side == (moved[-1].side if moved else "left")
        if not any(e.recordings_move for e in moved):
            latest = {(e.observable, e.side): e for e in effective if isinstance(e, FindingRecorded)}
            assert {key: r.event for key, r in problem.findings.items()} == latest
        yes = {(e.screen_id, e.item_id) for e in effective if isinstance(e, ScreenAnswered)}
        kept = set(problem.answers) | {(a.screen_id, a.item_id) for a in problem.asked_elsewhere}
        assert kept == yes, "an answer is never silently gone"


Record.TestCase.settings = settings(
    max_examples=40, stateful_step_count=25, deadline=None, suppress_health_check=list(HealthCheck)
)
TestRecord = Record.TestCase


@given(recordings | st.builds(Closed, summary=st.none() | texts))
def test_every_event_comes_back_from_json_as_it_was(event: Event) -> None:
    assert parse_event(event_json(event)) == event
    assert parse_event(event.model_dump(mode="json")) == event


_values: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
_names = st.sampled_from(["problem_id", "result", "answer", "of", "replacement", "marks", "side", "chances"])


@given(
    st.sampled_from(["finding-recorded", "corrected", "context-set", "where-marked", "visit-opened", "closed", "no"]),
    st.dictionaries(_names | st.text(max_size=8), _values, max_size=6),
)
def test_nonsense_is_an_event_error_and_nothing_else(kind: str, fields: dict[str, Any]) -> None:
    try:
        event = parse_event({**fields, "type": kind})
    except EventError as error:
        assert "\n" not in str(error)
    else:
        assert parse_event(event_json(event)) == event


@given(st.binary(max_size=60) | st.text(max_size=60))
def test_any_bytes_are_an_event_error_and_nothing_else(data: bytes | str) -> None:
    with pytest.raises(EventError):
        parse_event(data)


MARK = "zqxj"


@settings(deadline=None)
@given(st.lists(recordings, max_size=12), st.integers(0, 2**32))
def test_typed_words_never_leave_with_a_deidentified_visit(events: list[Event], seed: int) -> None:
    log: list[StoredEvent] = []
    for event in (
        VisitOpened(patient_code=f"K {MARK}", initials=MARK, birth_year=1990),
        ProblemAdded(problem_id=f"p-{MARK}", region="knee", side="left"),
        *(_marked(e) for e in events),
        Corrected(of=2, replacement=ProblemAdded(problem_id=f"p-{MARK}", region="hip", side="left"), reason=MARK),
        Closed(summary=MARK),
    ):
        admit(log, event, START)
        log.append(
            StoredEvent(
                seq=len(log) + 1, visit_id=f"v{MARK}", at=START, actor=MARK, client_id=f"{MARK}{len(log)}", event=event
            )
        )
    out = deidentify(log, "K", Pseudonyms(random.Random(seed)), frozenset())
    whole = json.dumps([json.loads(e.model_dump_json()) for e in out])
    assert MARK not in whole.lower()
    before, after = replay(log), replay(out)
    assert [h.event is None for h in before.history] == [h.event is None for h in after.history]
    (was,), (now,) = before.problems.values(), after.problems.values()
    assert now.results() == was.results() and now.screens == was.screens and now.side == was.side


def _marked(event: Event) -> Event:
    """The event with the mark in every typed text."""
    data = event.model_dump(mode="json")
    for name in ("how", "reason", "not_done_because"):
        if name in data:
            data[name] = f"{data[name]} {MARK}"
    if "observations" in data:
        data["observations"] = {"typed": MARK, "angle": 5}
    return parse_event({**data, "problem_id": f"p-{MARK}"})
