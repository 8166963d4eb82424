"""Chances and typed words as a reader sees them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from endfeel.documents.sections import Line, Section, text_of
from endfeel.documents.wording import chance_line, chance_words, clean, lower, percent, side_and_region


@pytest.mark.parametrize(
    ("p", "said"),
    [
        (0.0, "less than 1 in 1000"),
        (0.02, "about 1 in 50"),
        (0.3, "about 3 in 10"),
        (0.62, "about 6 in 10"),
        (0.98, "about 49 in 50"),
        (1.0, "more than 999 in 1000"),
    ],
)
def test_chances_are_counts(p: float, said: str) -> None:
    assert chance_words(p) == said


def test_range_stands_behind_the_chance() -> None:
    assert chance_line(0.6, 0.3, 0.8) == "about 6 in 10 (3 to 8)"
    assert chance_line(0.02, 0.01, 0.05) == "about 1 in 50 (1 to 5 in 100)"
    assert chance_line(0.1, 0.09, 0.11) == "about 1 in 10 (9 to 11 in 100)"
    assert chance_line(0.01, 0.01, 0.01) == "about 1 in 100 (1 in 100)"


def test_what_is_no_chance_is_refused() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        chance_words(1.2)


@given(st.floats(0, 1))
def test_a_larger_chance_is_never_said_smaller(p: float) -> None:
    def size(words: str) -> float:
        numbers = [int(w) for w in words.split() if w.isdigit()]
        return numbers[0] / numbers[1]

    q = min(1.0, p + 0.11)
    assert size(chance_words(q)) >= size(chance_words(p))


@given(st.text(alphabet=st.characters(codec=None)))
def test_cleaned_text_can_be_written_anywhere(text: str) -> None:
    said = clean(text)
    said.encode("utf-8")
    assert all(ch == "\n" or ord(ch) >= 32 for ch in said)
    assert clean(said) == said


@given(st.text())
def test_typed_words_cannot_pose_as_a_heading(text: str) -> None:
    out = text_of((Section("a", "Real", (Line(text, "Label"), Line(text, text, text, "flag"))),))
    at_margin = [line for line in out.split("\n") if line and not line.startswith(" ")]
    assert at_margin == ["Real", "----"]


def test_sides_and_initials() -> None:
    assert side_and_region("right", "knee") == "Right knee"
    assert side_and_region("both", "hip") == "Hip, both sides"
    assert lower("MRI scan") == "MRI scan"
    assert lower("Ultrasound scan") == "ultrasound scan"
    assert percent(0.004) == "0.4 %"
