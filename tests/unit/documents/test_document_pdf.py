"""Documents on paper: any words are set as text, long ones on as many pages as they need, a plan card on one."""

from __future__ import annotations

import datetime as dt
import shutil
import subprocess

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from invented import DAY, FIGURES, P, bare, knee, stored

from endfeel.catalogue import load_catalogue
from endfeel.documents.comparison import comparison
from endfeel.documents.figures import ProblemFigures, RouteFigure
from endfeel.documents.handout import handout
from endfeel.documents.letter import letter
from endfeel.documents.note import note
from endfeel.documents.pdf import House, comparison_pdf, handout_pdf, letter_pdf, note_pdf, plan_card_pdf
from endfeel.documents.plan_card import MOST_FINDINGS, plan_card, plan_card_of
from endfeel.visits.events import AdviceGiven, ProblemAdded, ScreenAnswered, VisitOpened
from endfeel.visits.state import replay

CATALOGUE = load_catalogue()
HOUSE = House("Harbour Street Physiotherapy", ("12 Harbour Street",), "Urgent: 555 0199")
needs_poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
MARKUP = '#import "/etc/passwd" *bold* _it_ $x^2$ <label> @ref `raw` \\ " ] } ) // #panic("no") https://example.org'


def text_of(pdf: bytes) -> str:
    return subprocess.run(
        ["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True
    ).stdout.decode()


def pages_of(pdf: bytes) -> int:
    out = subprocess.run(["pdfinfo", "-"], input=pdf, capture_output=True, check=True).stdout.decode()
    return next(int(line.split()[1]) for line in out.splitlines() if line.startswith("Pages:"))


def fonts_of(pdf: bytes) -> str:
    return subprocess.run(["pdffonts", "-"], input=pdf, capture_output=True, check=True).stdout.decode()


def flat(text: str) -> str:
    return " ".join(text.split())


@needs_poppler
def test_the_note_on_paper_says_what_the_note_says() -> None:
    pdf = note_pdf(note(knee(), CATALOGUE, {P: FIGURES}), HOUSE)
    text = flat(text_of(pdf))
    for words in (
        "Right knee",
        "Harbour Street Physiotherapy",
        "not asked",
        "about 6 in 10 (3 to 8)",
        "Lachman test, right",
        "look again on 11 March 2026",
        "does not diagnose",
        "Edition of the pooled",
        "page 1 of",
    ):
        assert words in text
    assert "AtkinsonHyperlegible" in fonts_of(pdf)


@needs_poppler
def test_letter_handout_and_comparison_on_paper() -> None:
    flagged = knee(ScreenAnswered(problem_id=P, screen_id="knee-trauma-screen", item_id="four-steps", answer="yes"))
    told = flat(text_of(letter_pdf(letter(flagged, CATALOGUE, P, FIGURES, to=("Knee clinic",)), HOUSE)))
    assert "Urgency: Same day" in told
    assert "Knee clinic" in told
    plain = flat(text_of(handout_pdf(handout(flagged, CATALOGUE, P, FIGURES, with_chances=True), HOUSE)))
    assert "Come back sooner if" in plain
    assert "about 6 in 10" in plain
    assert "%" not in plain
    opened, added = VisitOpened(patient_code="HB-11"), ProblemAdded(problem_id="q", region="knee", side="right")
    now = replay(stored([opened, added], "v-2", DAY + dt.timedelta(days=7)))
    compared = flat(text_of(comparison_pdf(comparison(knee(), now, CATALOGUE, "q"), HOUSE)))
    assert "Active bending, right" in compared
    assert "not measured" in compared


@needs_poppler
def test_markup_that_was_typed_is_only_text() -> None:
    state = knee(AdviceGiven(problem_id=P, advice=MARKUP, come_back_if=MARKUP))
    for pdf in (
        note_pdf(note(state, CATALOGUE), House(MARKUP, (MARKUP,), MARKUP)),
        letter_pdf(letter(state, CATALOGUE, P, asked=MARKUP, to=(MARKUP,), signed=(MARKUP,))),
        handout_pdf(handout(state, CATALOGUE, P)),
    ):
        text = flat(text_of(pdf)).replace("\u200b", "")
        for part in ("*bold* _it_ $x^2$ <label> @ref `raw`", '#panic("no")'):
            assert part in text, part


@needs_poppler
def test_very_long_text_runs_over_pages_and_stays_whole() -> None:
    words = " ".join(f"word{i}" for i in range(9_000))
    pdf = note_pdf(note(bare(AdviceGiven(problem_id=P, advice=words + "\n" + "y" * 20_000)), CATALOGUE))
    text = text_of(pdf)
    assert pages_of(pdf) > 5
    assert all(f"word{i}" in text for i in (0, 4_500, 8_999))
    assert "".join(text.split()).replace("\u200b", "").count("y") >= 20_000


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.text(max_size=120))
@example("مرحبا עברית 漢字 🦵 e\u0301 \u202eabc\u202c")
@example("\x00\x07\u2028\ufffe\r\n\t")
@example("\\" * 40 + '"' * 40)
def test_any_words_can_be_set(words: str) -> None:
    state = knee(AdviceGiven(problem_id=P, advice=words, come_back_if=words))
    for pdf in (
        note_pdf(note(state, CATALOGUE, {P: FIGURES}), House(words, (words,), words)),
        letter_pdf(letter(state, CATALOGUE, P, FIGURES, to=(words,), asked=words, signed=(words,))),
        handout_pdf(handout(state, CATALOGUE, P, FIGURES)),
        plan_card_pdf(plan_card("knee", FIGURES.route, CATALOGUE, title=words, under=(words,), notes=(words,))),
    ):
        assert pdf.startswith(b"%PDF")


@needs_poppler
@pytest.mark.parametrize("region", sorted(CATALOGUE.regions))
def test_a_plan_card_is_one_page_whatever_the_route(region: str) -> None:
    entry = CATALOGUE.regions[region]
    wordy = sorted(
        entry.findings.values(), key=lambda f: -len(str(getattr(f, "move", "")) + str(getattr(f, "patient", "")))
    )
    longest = tuple(o for f in wordy[:12] for o in f.observables()[:1])
    card = plan_card(
        region, (RouteFigure("supine", longest[:6]), RouteFigure("prone", longest[6:])), CATALOGUE, side="left"
    )
    assert card.left_off == len(longest) - MOST_FINDINGS
    for paper in ("a4", "us-letter"):
        pdf = plan_card_pdf(card, House("House", ("line",), "foot", paper))  # type: ignore[arg-type]
        assert pages_of(pdf) == 1
        text = flat(text_of(pdf))
        assert f"{card.left_off} findings of the route not on this page" in text
        assert text.count("not done") >= MOST_FINDINGS


def test_a_plan_card_of_a_visit_says_how_its_screens_stand() -> None:
    card = plan_card_of(knee(), CATALOGUE, P, FIGURES)
    assert {screen.state for screen in card.screens} == {"not asked"}
    assert any("hypermobile" in words.lower() for words in card.notes)
    assert [f.name for stop in card.stops for f in stop.findings][:2] == ["Lachman test", "Pivot shift test"]


def test_a_route_without_findings_still_gives_a_card() -> None:
    assert plan_card_pdf(plan_card_of(knee(), CATALOGUE, P, ProblemFigures())).startswith(b"%PDF")
    with pytest.raises(KeyError, match="no region"):
        plan_card("elbow", (), CATALOGUE)


def test_the_same_note_gives_the_same_paper() -> None:
    made = note(knee(), CATALOGUE, {P: FIGURES})
    assert note_pdf(made) == note_pdf(made)
