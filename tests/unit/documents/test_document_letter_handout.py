"""Letter and handout: urgency is never lowered below a flag, plain words hold no jargon and no percentages."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import FIGURES, P, bare, knee

from endfeel.catalogue import load_catalogue
from endfeel.documents.handout import EMERGENCY, handout, handout_text
from endfeel.documents.letter import URGENCY_ORDER, letter, letter_text
from endfeel.documents.wording import clean
from endfeel.visits.events import AdviceGiven, ContextSet, Decided, FindingRecorded, ScreenAnswered, StoryTold

CATALOGUE = load_catalogue()
SCREEN = CATALOGUE.screens["knee-trauma-screen"]
RAISED = ScreenAnswered(problem_id=P, screen_id=SCREEN.id, item_id=SCREEN.item[0].id, answer="yes")


@pytest.mark.parametrize("wanted", URGENCY_ORDER)
def test_the_writer_can_raise_what_a_flag_asks_for_never_lower_it(wanted: str) -> None:
    made = letter(knee(RAISED), CATALOGUE, P, urgency=wanted)  # type: ignore[arg-type]
    assert URGENCY_ORDER.index(made.urgency) <= URGENCY_ORDER.index("same-day")
    assert made.urgency == ("emergency" if wanted == "emergency" else "same-day")
    assert "fracture rule" in made.why_urgent


def test_without_a_flag_the_care_sets_the_pace_and_the_writer_may_change_it() -> None:
    assert letter(knee(), CATALOGUE, P).urgency == "soon"
    assert letter(knee(), CATALOGUE, P, urgency="urgent").urgency == "urgent"
    assert letter(bare(), CATALOGUE, P).urgency == "routine"


def test_the_letter_says_what_is_asked_found_and_not_asked() -> None:
    state = knee(
        Decided(
            problem_id=P, action="look-further", care_group="knee-cruciate", modality="mri", words="Before the season."
        )
    )
    text = letter_text(
        letter(state, CATALOGUE, P, FIGURES, to=("Dr. Example", "Knee clinic"), signed=("A. Clinician",))
    )
    assert text.startswith("Dr. Example\nKnee clinic\n")
    assert "Please look further. Asked for: MRI scan." in text
    assert "Before the season." in text
    assert "Safety: not asked" in text
    assert "Precautions, not asked" in text
    assert text.index("Lachman test, right: positive") < text.index("McMurray test, inner side, right: negative")
    assert "Anterior cruciate ligament tear: about 6 in 10 (3 to 8)" in text
    assert "Posterior cruciate ligament tear: about 1 in 100" in text
    assert "does not diagnose" in text


def test_a_letter_about_a_child_has_no_chances() -> None:
    text = letter_text(letter(knee(ContextSet(problem_id=P, age=12)), CATALOGUE, P, FIGURES))
    assert "No chances" in text
    assert "in 10 (" not in text


def test_no_such_problem() -> None:
    with pytest.raises(KeyError):
        letter(knee(), CATALOGUE, "p9")


def test_the_handout_holds_no_jargon_and_no_numbers_unless_asked() -> None:
    text = handout_text(handout(knee(), CATALOGUE, P, FIGURES))
    entry = CATALOGUE.regions["knee"].care["knee-cruciate"]
    assert entry.plain in text
    assert entry.name not in text
    assert "%" not in text
    assert "in 10:" not in text
    assert not re.search(r"about \d", text)
    for jargon in ("Lachman", "positive", "anterior cruciate", "irritability", "sensitivity", "likelihood"):
        assert jargon.lower() not in text.lower()
    assert "the foot goes numb" in text
    assert "We look at it again on 11 March 2026." in text
    assert EMERGENCY in text


def test_chances_come_in_plain_words_when_asked_for() -> None:
    text = handout_text(handout(knee(), CATALOGUE, P, FIGURES, with_chances=True))
    assert "Front cruciate ligament tear: about 6 in 10" in text
    assert "%" not in text
    child = handout(knee(ContextSet(problem_id=P, age=12)), CATALOGUE, P, FIGURES, with_chances=True)
    assert child.could_be == ()


def test_points_are_what_the_clinician_typed() -> None:
    made = handout(knee(), CATALOGUE, P)
    assert made.agreed == ("Weight as the knee allows", "No turning, no match")
    assert made.come_back_if == ("the calf swells", "the foot goes numb", "the knee sticks")
    assert [a.score for a in made.activities] == [5, 3]


def test_a_flag_comes_first_in_the_patients_words() -> None:
    made = handout(knee(RAISED), CATALOGUE, P)
    assert made.first == (SCREEN.patient,)
    sent = handout(knee(RAISED, Decided(problem_id=P, action="send-now", screen_id=SCREEN.id)), CATALOGUE, P)
    assert sent.next == (SCREEN.patient,)


def test_without_a_decision_the_handout_says_so() -> None:
    assert "have not decided" in handout(bare(), CATALOGUE, P).next[0]


@settings(max_examples=40, deadline=None)
@given(st.text(min_size=1, max_size=200).filter(lambda t: bool(clean(t).strip())))
def test_any_words_come_through(words: str) -> None:
    state = knee(
        StoryTold(problem_id=P, how=words, onset="injury", onset_date=dt.date(2026, 3, 1)),
        AdviceGiven(problem_id=P, advice=words),
        FindingRecorded(
            problem_id=P, observable="lachman", side="right", result="positive", observations={"travel": words}
        ),
    )
    text = letter_text(letter(state, CATALOGUE, P, FIGURES, to=(words,), signed=(words,)))
    assert all(part in text for part in clean(words).split("\n"))
    assert all(part.strip(" .,-") in handout_text(handout(state, CATALOGUE, P)) for part in clean(words).split("\n"))
