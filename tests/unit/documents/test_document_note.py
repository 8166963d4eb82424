"""The note: not asked is said, corrections show both, every kind of finding stands where a reader looks for it."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import DAY, FIGURES, KNEE, LACHMAN, STORY, P, bare, knee, stored

from endfeel.catalogue import load_catalogue
from endfeel.documents.note import Note, note, note_text
from endfeel.documents.sections import Line
from endfeel.documents.wording import clean
from endfeel.visits.events import (
    AdviceGiven,
    Closed,
    ConsentWithdrawn,
    ContextSet,
    Corrected,
    Decided,
    FindingRecorded,
    OutcomeRecorded,
    ProblemAdded,
    ProblemMoved,
    ScreenAnswered,
    ScreenOverridden,
    StoryTold,
)
from endfeel.visits.state import VisitState, replay

CATALOGUE = load_catalogue()
INJURED = StoryTold(problem_id=P, onset="injury", onset_date=dt.date(2026, 3, 1))
SCREEN = "knee-trauma-screen"


def lines(made: Note, section: str) -> tuple[Line, ...]:
    return next(s.lines for s in made.sections if s.id == section)


def line(made: Note, section: str, label: str) -> Line:
    return next(found for found in lines(made, section) if found.label == label)


def told(state: VisitState, figures: object = FIGURES) -> Note:
    return note(state, CATALOGUE, {P: figures} if figures else None)  # type: ignore[dict-item]


def answers(answer: str, items: int | None = None) -> list[ScreenAnswered]:
    found = CATALOGUE.screens[SCREEN].item[:items]
    return [ScreenAnswered(problem_id=P, screen_id=SCREEN, item_id=i.id, answer=answer) for i in found]  # type: ignore[arg-type]


def test_a_screen_without_an_answer_is_not_asked() -> None:
    made = told(bare(INJURED))
    screens = [
        s
        for s in CATALOGUE.screens.values()
        if "knee" in s.regions and s.when.age_min is s.when.age_max is None and s.when.onset in (None, "injury")
    ]
    assert len(screens) > 3
    for screen in screens:
        assert line(made, "safety", screen.name).value == "not asked"
    assert made.summaries[0].lines[0] == Line("", "Safety", "not asked", "dashed")
    assert "Safety: not asked" in note_text(made)
    assert "none found" not in note_text(made)


def test_a_half_asked_screen_names_what_was_not_asked() -> None:
    made = told(bare(INJURED, *answers("no", 2)))
    found = line(made, "safety", CATALOGUE.screens[SCREEN].name)
    assert found.value == "partly asked"
    asked, not_asked = found.words.split("Not asked: ")
    assert CATALOGUE.screens[SCREEN].item[0].ask.rstrip("?") in asked
    for item in CATALOGUE.screens[SCREEN].item[2:]:
        assert (item.ask or item.look).rstrip("?.") in not_asked
    assert made.summaries[0].lines[0].value == "partly asked"


def test_negatives_of_a_complete_screen_are_told() -> None:
    made = told(bare(INJURED, ContextSet(problem_id=P, age=26), *answers("no")))
    found = line(made, "safety", CATALOGUE.screens[SCREEN].name)
    assert found.value == "asked, none found"
    assert found.words.startswith("No: ")
    assert "ot asked" not in found.words


def test_a_flag_comes_first_and_says_what_raised_it() -> None:
    made = told(bare(INJURED, *answers("yes", 1)))
    first = lines(made, "safety")[0]
    assert first.weight == "flag"
    assert CATALOGUE.screens[SCREEN].item[0].ask.rstrip("?") in first.words
    assert made.summaries[0].lines[0].weight == "flag"
    assert "!! " in note_text(made)


def test_what_a_screen_cannot_clear_is_said_at_the_top() -> None:
    old = StoryTold(problem_id=P, onset="injury", onset_date=dt.date(2026, 2, 10))
    every = [
        ScreenAnswered(problem_id=P, screen_id=screen.id, item_id=item.id, answer="no")
        for screen in CATALOGUE.screens.values()
        if "knee" in screen.regions
        for item in screen.item
    ]
    context = ContextSet(problem_id=P, age=26)
    first = told(bare(old, context, *every)).summaries[0].lines[0]
    assert first.value == "asked, none found"
    assert f"can raise but not clear this person: {CATALOGUE.screens[SCREEN].name}" in first.words
    assert "not clear" not in told(bare(INJURED, context, *every)).summaries[0].lines[0].words


def test_an_override_keeps_its_reason() -> None:
    made = told(bare(INJURED, ScreenOverridden(problem_id=P, reason="film seen elsewhere: no break")))
    assert any("film seen elsewhere" in found.words for found in lines(made, "safety"))


def test_a_corrected_event_shows_both() -> None:
    made = told(knee())
    found = line(made, "corrections", "Finding, entry 12")
    first, now, by = found.words.split("\n")
    assert first.startswith("first: ")
    assert "result: negative" in first
    assert now.startswith("now: ")
    assert "result: positive" in now
    assert "A. Clinician" in by
    assert "tapped the wrong one of the pair" in by
    assert line(made, "findings", "Lachman test, right").value == "positive"


def test_what_was_taken_back_is_still_told() -> None:
    made = told(knee(Corrected(of=14, reason="other knee")))
    found = line(made, "corrections", "Finding, entry 14")
    assert found.value == "taken back"
    assert "McMurray test" in found.words
    assert "other knee" in found.words
    assert all("McMurray" not in f.label for f in lines(made, "findings"))


def test_without_corrections_the_note_says_none() -> None:
    assert lines(told(bare()), "corrections") == (Line("none", weight="quiet"),)


def test_findings_stand_by_position_with_side_and_observations() -> None:
    made = told(knee())
    labels = [found.label for found in lines(made, "findings")]
    assert labels[0] == "Lying face up"
    seen = line(made, "findings", "Lachman test, right").words
    assert "travel: clearly more" in seen
    assert "pain 3 of 10" in seen
    assert "blind to imaging" in seen
    assert line(made, "findings", "McMurray test, inner side, right").value == "negative"
    assert "Pop felt or heard at the injury" in [f.label for f in lines(made, "history")]
    assert "Pop felt or heard at the injury" not in labels


def test_a_negative_while_guarding_is_unclear_and_says_so() -> None:
    made = told(knee())
    found = line(made, "unclear", "Anterior drawer test, right")
    assert found.value == "unclear"
    assert "the patient guarded" in found.words
    assert "Anterior drawer test, right" not in [f.label for f in lines(made, "findings")]


def test_what_was_not_done_says_why() -> None:
    made = told(knee(ConsentWithdrawn(scope="provoking", finding_id="lever-sign")))
    assert line(made, "not-done", "Pivot shift test, right").words == "would not let go"
    assert "Thessaly" in line(made, "not-done", "Would not have changed what is done").words
    assert "is spent: Lever sign" in line(made, "not-done", "Withheld").words
    assert line(made, "not-done", "Lever sign").words == "consent was taken back"
    assert "3 before, 5 after" in line(made, "not-done", "Made worse by Anterior drawer test").words


def test_what_was_not_looked_at_is_named_card_by_card() -> None:
    made = told(knee())
    assert line(made, "base", "Hip, for pain felt at the knee").value == "nothing found"
    assert "Ankle and foot" in line(made, "base", "Not checked").words
    assert sum(found.label == "Not looked at" for found in lines(made, "base")) >= 3
    assert line(made, "base", "Active bending, right").words == "95 degrees; painful"


def test_chances_in_words_and_numbers_with_their_start() -> None:
    made = told(knee())
    found = line(made, "chances", "Anterior cruciate ligament tear")
    assert found.value == "about 6 in 10 (3 to 8)"
    assert found.words.startswith("62 % (33 % to 83 %); started at 15 % (6 % to 31 %)")
    assert "our stated assumption" in found.words
    assert found.mark is not None
    assert found.mark.start == 0.15
    moved = line(made, "moves", "Lachman test")
    assert moved.words == "Anterior cruciate ligament tear: odds times 6.7 (2.2 to 18.2)"
    down = line(made, "moves", "McMurray test, inner side")
    assert down.words == "Meniscal tear: odds divided by 1.5 (1.1 to 2.5)"


def test_under_sixteen_there_are_no_chances_whatever_is_handed_in() -> None:
    made = told(knee(ContextSet(problem_id=P, age=14)))
    assert [found.label for found in lines(made, "chances")] == ["No chances"]
    assert all(found.mark is None for s in made.sections for found in s.lines)
    assert "about 6 in 10" not in note_text(made)


def test_without_figures_the_note_says_so() -> None:
    made = told(knee(), None)
    assert "no chances were worked out" in lines(made, "chances")[0].words


def test_decision_advice_and_edition() -> None:
    text = note_text(told(knee()))
    assert "Decision: Start care and look again; Cruciate ligament care; look again on 11 March 2026" in text
    assert "decided by A. Clinician, 4 March 2026, 09:09 UTC" in text
    assert "Come back if: the calf swells; the foot goes numb; the knee sticks" in text
    assert "Edition of the pooled evidence: a1b2c3d4" in text
    assert "Visit opened with: endfeel 0.1.0" in text
    assert "does not diagnose" in text
    assert "local emergency and referral protocols come first" in text


def test_nothing_recorded_is_said_not_left_out() -> None:
    text = note_text(told(bare(), None))
    for words in ("Decision: none was recorded", "Advice given: none was recorded", "Come back if: not told",
                  "no finding has a result", "Consent to the visit: not recorded", "Still open"):  # fmt: skip
        assert words in text


def test_a_later_decision_keeps_the_earlier_one() -> None:
    later = Decided(problem_id=P, action="look-further", care_group="knee-meniscus", modality="mri")
    made = told(knee(later))
    assert line(made, "decision", "Decision").value == "Look further"
    assert line(made, "decision", "Earlier decision").value == "Start care and look again"


def test_two_problems_each_have_their_part_and_a_moved_one_says_so() -> None:
    made = told(knee(
        ProblemAdded(problem_id="p2", region="hip", side="left"),
        ProblemMoved(problem_id="p2", side="right", reason="slip of the finger", recordings_move=True),
    ))  # fmt: skip
    assert made.title == "Right knee and Right hip"
    assert {s.part for s in made.sections} == {"Right knee", "Right hip", "The record"}
    assert "from left to right: slip of the finger" in note_text(made)


def test_outcome_and_closing() -> None:
    made = told(knee(
        Closed(summary="done"),
        OutcomeRecorded(problem_id=P, source="arthroscopy", on=dt.date(2026, 5, 1), condition="acl-tear", present=True),
    ))  # fmt: skip
    assert line(made, "outcomes", "Anterior cruciate ligament tear").value == "present"
    assert made.state_words.startswith("Closed 4 March 2026")


def test_times_are_told_in_the_zone_asked_for() -> None:
    zone = dt.timezone(dt.timedelta(hours=2), "EET")
    made = note(knee(), CATALOGUE, {P: FIGURES}, zone=zone)
    assert "4 March 2026, 11:09 EET" in note_text(made)


def test_the_same_visit_gives_the_same_note() -> None:
    assert told(knee()) == told(replay(list(reversed(stored(KNEE)))))


def test_an_unknown_id_is_shown_as_words_never_dropped() -> None:
    made = told(bare(FindingRecorded(problem_id=P, observable="gone-test:old", side="left", result="positive")))
    assert line(made, "findings", "gone test, old, left").value == "positive"


@settings(max_examples=60, deadline=None)
@given(st.text(min_size=1, max_size=300).filter(lambda t: bool(clean(t).strip())))
def test_any_words_come_through_whole(words: str) -> None:
    made = told(replay(stored([
        *KNEE[:2],
        STORY.model_copy(update={"how": words}),
        LACHMAN.model_copy(update={"observations": {"travel": words}}),
        AdviceGiven(problem_id=P, advice=words, come_back_if=words),
    ])))  # fmt: skip
    text = note_text(made)
    for part in clean(words).split("\n"):
        assert part in text
    assert sum(part.startswith("Safety screen") for part in text.split("\n")) == 1


def test_very_long_words_come_through_whole() -> None:
    words = "x" * 100_000
    assert words in note_text(told(bare(AdviceGiven(problem_id=P, advice=words))))


@pytest.mark.parametrize("region", sorted(CATALOGUE.regions))
def test_every_region_can_be_noted(region: str) -> None:
    entry = CATALOGUE.regions[region]
    events = [KNEE[0], ProblemAdded(problem_id=P, region=region, side="left")]
    for finding in entry.findings.values():
        for observable in finding.observables():
            events.append(FindingRecorded(problem_id=P, observable=observable, side="left", result="positive"))
    made = told(replay(stored(events, at=DAY)), None)
    text = note_text(made)
    for finding in entry.findings.values():
        assert finding.id not in text or "-" not in finding.id
    assert text.count("positive") >= len(entry.findings)
