"""What came of a treatment: said plainly that it moves no chance, and which studied finding would."""

from __future__ import annotations

import pytest
from invented import P, knee

from endfeel.belief import Context, believe, compile_region, prior_belief
from endfeel.catalogue import load_catalogue
from endfeel.documents.note import note, note_text
from endfeel.documents.responses import RESPONSES, response_words, studied_responses
from endfeel.evidence import load_evidence
from endfeel.pooling.edition import load_edition
from endfeel.visits.events import TreatmentRecorded

CATALOGUE, EVIDENCE = load_catalogue(), load_evidence()


def said(*events: object) -> str:
    return " ".join(note_text(note(knee(*events), CATALOGUE)).split())  # type: ignore[arg-type]


def test_the_note_says_that_a_response_moves_no_chance_and_only_where_one_was_recorded() -> None:
    words = response_words(EVIDENCE, "knee")
    assert "moves no chance" in words
    assert words in said(TreatmentRecorded(problem_id=P, what="Paracetamol", response="better"))
    assert words not in said(TreatmentRecorded(problem_id=P, what="Paracetamol"))
    assert words not in said()


@pytest.mark.parametrize(("region", "finding"), [(r, f) for r, found in RESPONSES.items() for f in found])
def test_a_studied_response_is_a_finding_that_does_move_chances(region: str, finding: str) -> None:
    assert finding in studied_responses(EVIDENCE, region)
    assert finding in CATALOGUE.region(region).findings
    assert EVIDENCE.findings[region, finding].name[1:] in response_words(EVIDENCE, region)
    model = compile_region(EVIDENCE, load_edition(), CATALOGUE, Context(region), draws=32)
    before, after = prior_belief(model).chances, believe(model, {finding: "positive"}).chances
    assert max(abs(after[c].mean - before[c].mean) for c in after) > 0.01


@pytest.mark.parametrize("region", sorted(set(CATALOGUE.regions) - set(RESPONSES)))
def test_elsewhere_no_study_of_the_tables_measured_one(region: str) -> None:
    assert studied_responses(EVIDENCE, region) == ()
    assert "no published accuracy" in response_words(EVIDENCE, region)
