"""Visits side by side: a change is one only beyond the published measurement error."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented import DAY, OPENED, P, bare, knee, stored

from endfeel.catalogue import load_catalogue
from endfeel.catalogue.base_examination import ReliableChange
from endfeel.documents.comparison import (
    Compared,
    Comparison,
    ComparisonError,
    change_words,
    comparison,
    comparison_text,
)
from endfeel.visits.events import (
    Activity,
    BaseRecorded,
    Event,
    FindingRecorded,
    MeasureRecorded,
    ProblemAdded,
    StoryTold,
    VisitOpened,
)
from endfeel.visits.state import VisitState, replay

CATALOGUE = load_catalogue()
ERROR = CATALOGUE.regions["knee"].item("active-flexion").reliable_change  # type: ignore[union-attr]
TEN = ReliableChange(value=10, unit="degrees", source="invented for this test")


def later(*events: Event, code: str = "HB-11", actor: str = "A. Clinician", side: str = "right") -> VisitState:
    opened = VisitOpened(patient_code=code, previous_visit_id="v-1")
    added = ProblemAdded(problem_id="q", region="knee", side=side)  # type: ignore[arg-type]
    return replay(stored([opened, added, *events], "v-2", DAY + dt.timedelta(days=7), actor))


def flexion(value: float, problem: str = "q", unit: str = "degrees") -> BaseRecorded:
    return BaseRecorded(
        problem_id=problem, item_id="active-flexion", side="right", state="something-found", value=value, unit=unit
    )


def row(made: Comparison, what: str) -> Compared:
    return next(found for found in made.rows if found.what == what)


def test_a_range_within_error_is_no_change_and_beyond_it_is() -> None:
    assert ERROR is not None
    within = row(comparison(knee(), later(flexion(95 + ERROR.value - 1)), CATALOGUE, "q"), "Active bending")
    beyond = row(comparison(knee(), later(flexion(95 + ERROR.value)), CATALOGUE, "q"), "Active bending")
    assert within.kind == "range"
    assert "within measurement error" in within.words
    assert "a change, beyond measurement error" in beyond.words
    assert beyond.source == ERROR.source
    assert beyond.change == ERROR.value


def test_the_source_of_the_error_is_cited() -> None:
    made = comparison(knee(), later(flexion(120)), CATALOGUE, "q")
    assert ERROR is not None
    assert made.sources == (ERROR.source,)
    assert ERROR.source in comparison_text(made)


def test_other_units_are_not_subtracted() -> None:
    made = comparison(knee(), later(flexion(4, unit="centimetres")), CATALOGUE, "q")
    found = [r for r in made.rows if r.what == "Active bending"]
    assert [(r.before, r.now) for r in found] == [(95, None), (None, 4)]
    assert all(r.change is None for r in found)


def test_activities_signs_strength_and_measures_stand_beside_last_time() -> None:
    made = comparison(
        knee(MeasureRecorded(problem_id=P, measure="thigh-girth", side="right", value=41, unit="centimetres")),
        later(
            StoryTold(
                problem_id="q", activities=(Activity(name=" stairs ", score=6), Activity(name="Handball", score=1))
            ),
            FindingRecorded(
                problem_id="q", observable="joint-line-tenderness", side="right", result="negative", pain=2
            ),
            FindingRecorded(problem_id="q", observable="lachman", side="right", result="positive", pain=1),
            BaseRecorded(problem_id="q", item_id="resisted-extension", side="right", state="nothing-found", value=5),
            MeasureRecorded(problem_id="q", measure="thigh-girth", side="right", value=42, unit="centimetres"),
        ),
        CATALOGUE,
        "q",
    )
    activity = row(made, "stairs")
    assert (activity.kind, activity.before, activity.now) == ("activity", 3, 6)
    assert row(made, "Handball").before is None
    assert row(made, "Walking to the tram").now is None
    assert row(made, "Joint line tenderness").kind == "comparable sign"
    assert row(made, "Lachman test").kind == "pain"
    assert (row(made, "Resisted straightening, middle of range").kind) == "strength"
    assert row(made, "Thigh girth").change == 1
    changed = {r.what: (r.before, r.now) for r in made.results}
    assert changed["Joint line tenderness, right"] == ("positive", "negative")
    assert changed["Pivot shift test, right"] == ("not done", "")
    text = comparison_text(made)
    assert "measurement error not known" in text
    assert "a hint, not a change" in text
    assert "4 March 2026" in text
    assert "11 March 2026" in text


def test_two_examiners_are_remarked_on() -> None:
    made = comparison(knee(), later(actor="B. Colleague"), CATALOGUE, "q")
    assert any("B. Colleague" in remark for remark in made.remarks)
    assert comparison(knee(), later(), CATALOGUE, "q").remarks == ()


@pytest.mark.parametrize(
    ("before", "now", "why"),
    [
        (bare(), later(code="OTHER"), "another patient"),
        (later(), replay(stored([OPENED, ProblemAdded(problem_id="q", region="knee", side="right")])), "is later than"),
        (bare(), later(side="left"), "has no problem"),
    ],
)
def test_what_cannot_be_compared_is_refused_in_one_line(before: VisitState, now: VisitState, why: str) -> None:
    with pytest.raises(ComparisonError, match=why) as caught:
        comparison(before, now, CATALOGUE, "q")
    assert "\n" not in str(caught.value)


@given(st.floats(-200, 200), st.floats(-200, 200))
def test_what_is_called_a_change_reaches_the_error(before: float, now: float) -> None:
    words = change_words(before, now, TEN, "degrees")
    assert ("a change" in words) == (abs(round(now - before, 6)) >= 10)
    assert ("within" in words) != ("a change" in words)
    assert "not known" in change_words(before, now, None, "degrees")
    assert "not known" in change_words(before, now, TEN, "cm")
