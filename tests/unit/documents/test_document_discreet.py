"""What is asked about safety from other people stays off every paper that somebody else may read."""

from __future__ import annotations

from invented import FIGURES, P, knee

from endfeel.catalogue import load_catalogue
from endfeel.documents.handout import handout, handout_text
from endfeel.documents.letter import letter, letter_text
from endfeel.documents.note import note, note_text
from endfeel.documents.plan_card import plan_card_of
from endfeel.visits.events import Decided, ScreenAnswered

CATALOGUE = load_catalogue()
SCREEN = CATALOGUE.screens["safeguarding"]
AFRAID = ScreenAnswered(problem_id=P, screen_id=SCREEN.id, item_id="afraid", answer="yes")
SENT = Decided(problem_id=P, action="send-now", screen_id=SCREEN.id, words="Spoke to the duty social worker.")


def said(text: str) -> bool:
    return any(words.lower() in text.lower() for words in (SCREEN.name, SCREEN.patient, "afraid of", "safeguarding"))


def test_only_the_discreet_screen_is_discreet() -> None:
    assert [s.id for s in CATALOGUE.screens.values() if s.discreet] == ["safeguarding"]


def test_the_note_keeps_it() -> None:
    assert said(note_text(note(knee(AFRAID), CATALOGUE, {P: FIGURES})))


def test_the_handout_and_the_card_never_say_it() -> None:
    for events in ((AFRAID,), (AFRAID, SENT)):
        text = handout_text(handout(knee(*events), CATALOGUE, P, FIGURES))
        assert not said(text)
        assert not any(said(s.name) for s in plan_card_of(knee(*events), CATALOGUE, P, FIGURES).screens)
    assert "in person" in text


def test_the_letter_says_it_only_where_it_is_what_the_letter_is_for() -> None:
    asked = letter(knee(AFRAID), CATALOGUE, P, FIGURES)
    assert asked.urgency == "same-day", "the haste stays"
    assert not said(letter_text(asked))
    assert said(letter_text(letter(knee(AFRAID, SENT), CATALOGUE, P, FIGURES)))
