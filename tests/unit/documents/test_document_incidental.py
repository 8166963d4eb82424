"""What a scan shows by chance, in one line, and where letter and handout say it."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from invented import P, knee

from endfeel.catalogue import load_catalogue
from endfeel.documents.handout import handout, handout_text
from endfeel.documents.incidental import chanced, chanced_for
from endfeel.documents.letter import letter, letter_text
from endfeel.evidence.incidental import IncidentalRow, load_incidental
from endfeel.visits.events import ContextSet, Decided

ROWS, CATALOGUE = load_incidental(), load_catalogue()
DAY = dt.date(2026, 3, 4)


def said(region: str, modality: str, condition: str, age: int | None, sex: str | None = None) -> list[str]:
    return [found.words for found in chanced(ROWS, region, modality, [condition], age, sex) or ()]


@pytest.mark.parametrize(
    ("region", "modality", "condition", "age", "words"),
    [
        ("shoulder", "ultrasound", "full-thickness-rotator-cuff-tear", 55,
         "About 1 in 50 people aged 50 to 59 without shoulder symptoms have a full-thickness cuff tear on ultrasound."),
        ("shoulder", "ultrasound", "full-thickness-rotator-cuff-tear", 30,
         "In people aged 20 to 49 without shoulder symptoms, a full-thickness cuff tear was not seen on ultrasound."),
        ("lumbar-pelvis", "mri", "lumbar-disc-herniation", 45,
         "About 3 in 10 people aged 40 to 49 without back pain have a disc protrusion on MRI or CT."),
        ("lumbar-pelvis", "mri", "lumbar-disc-herniation", 68,
         "Between 36 and 43 in 100 people aged 50 to 59 or 80 to 89 (for 68 nothing was read) without back pain have "
         "a disc protrusion on MRI or CT."),
        ("knee", "mri", "meniscal-tear", 25,
         "About 1 in 30 knees of people under 40 without symptoms or injury have a meniscal tear on MRI."),
        ("knee", "mri", "meniscal-tear", 55,
         "Between 19 and 23 in 100 knees of people of that age without symptoms or injury have a meniscal tear on "
         "MRI."),
        ("knee", "mri", "meniscal-tear", None,
         "Between 4 and 23 in 100 knees of people of different ages without symptoms or injury have a meniscal tear on "
         "MRI."),
        ("ankle-foot", "mri", "osteochondral-lesion-talus", 40,
         "About 1 in 10 ankles without symptoms on the outer side (ages not given) have an osteochondral lesion of the "
         "talus on MRI."),
        ("shoulder", "mri", "superior-labral-tear", 25,
         "About 1 in 10 people aged 18 to 29 without shoulder symptoms have an abnormal labrum on MRI."),
        ("shoulder", "mri", "superior-labral-tear", 68,
         "Between 55 and 72 in 100 people aged 45 to 60 (for 68 nothing was read) without shoulder symptoms have a "
         "superior labral tear on MRI."),
    ],
)  # fmt: skip
def test_one_plain_line_for_the_patients_age(
    region: str, modality: str, condition: str, age: int | None, words: str
) -> None:
    assert said(region, modality, condition, age)[0] == words


def test_every_line_that_can_come_is_a_sentence_with_its_sources_and_no_figure_of_its_own() -> None:
    printed = {round(100 * row.share) for row in ROWS}
    for name, region in CATALOGUE.regions.items():
        for modality in CATALOGUE.modalities:
            for condition in region.conditions:
                for age in (None, 16, 29, 40, 50, 60, 71, 95):
                    for found in chanced(ROWS, name, modality, [condition], age) or ():
                        assert re.fullmatch(r"[A-Z].*[^ ]\.", found.words) and "  " not in found.words, found.words
                        assert found.sources and all(s.url.startswith("http") for s in found.sources)
                        for low, high in re.findall(r"Between (\d+) and (\d+) in 100", found.words):
                            assert {int(low), int(high)} <= printed
                        assert found.sources[0].citation in found.cited


def test_what_is_no_scan_has_none_and_what_nobody_counted_is_empty() -> None:
    assert chanced(ROWS, "knee", "specialist-opinion", ["meniscal-tear"], 40) is None
    assert chanced(ROWS, "knee", None, ["meniscal-tear"], 40) is None
    assert chanced(ROWS, "hip", "radiograph", ["hip-osteoarthritis"], 40) == ()
    assert chanced(ROWS, "knee", "mri", ["meniscal-tear"], 15) == (), "those who were counted are adults"
    thumb = "thumb-carpometacarpal-osteoarthritis"
    assert chanced(ROWS, "elbow-wrist-hand", "radiograph", [thumb], 40) == (), "read of much older people only"


def test_a_women_only_line_is_not_told_of_a_man() -> None:
    men = [row for row in ROWS if row.region == "shoulder" and row.sex == "male"]
    assert men and said("shoulder", "ultrasound", "subacromial-pain", 50, "male")
    assert said("shoulder", "ultrasound", "subacromial-pain", 50, "female") == []


def looking(*events: object, modality: str = "mri"):  # type: ignore[no-untyped-def]
    decided = Decided(problem_id=P, action="look-further", care_group="knee-meniscus", modality=modality)
    return knee(*events, decided)  # type: ignore[arg-type]


def test_the_letter_names_it_with_its_source_where_a_scan_was_asked_for() -> None:
    state = looking(ContextSet(problem_id=P, age=55))
    text = " ".join(letter_text(letter(state, CATALOGUE, P)).split())
    assert "Seen by chance too" in text and "Between 19 and 23 in 100 knees" in text
    assert "Culvenor AG et al., Br J Sports Med 2019;53:1268-1278; Englund M et al." in text
    started = Decided(problem_id=P, action="start-care", care_group="knee-meniscus", review_on=DAY)
    assert "by chance" not in letter_text(letter(knee(started), CATALOGUE, P))
    assert "by chance" not in letter_text(letter(looking(modality="specialist-opinion"), CATALOGUE, P))


def test_the_handout_says_it_plainly_and_a_child_gets_no_figure() -> None:
    text = " ".join(handout_text(handout(looking(ContextSet(problem_id=P, age=30)), CATALOGUE, P)).split())
    assert "A scan also shows things that are no trouble. About 1 in 30 knees of people under 40" in text
    assert "have a torn meniscus. We look at it together" in text
    assert "Culvenor" not in text
    assert "no trouble" not in handout_text(handout(looking(ContextSet(problem_id=P, age=12)), CATALOGUE, P))
    assert "no trouble" not in handout_text(handout(looking(modality="specialist-opinion"), CATALOGUE, P))


def test_it_is_told_of_the_care_that_the_scan_is_for() -> None:
    problem = looking(ContextSet(problem_id=P, age=55)).problems[P]
    region = CATALOGUE.region("knee")
    (cruciate,) = chanced_for(problem, region, "knee-cruciate", "mri", DAY) or ()
    assert "anterior cruciate" in cruciate.words
    anything = chanced_for(problem, region, None, "mri", DAY) or ()
    assert {f.words.partition(" have ")[2] for f in anything} == {"something abnormal anywhere in the knee on MRI."}


def test_counts_are_used_where_no_share_was_printed() -> None:
    row = IncidentalRow.model_validate(
        {
            "region": "hip", "modality": "mri", "seen": "a sight", "plain": "a sight", "n_with": 3, "n_total": 10,
            "population": "men without symptoms", "counted": "10", "citation": "X", "source_url": "https://example.org",
            "source_kind": "abstract", "read_at": "Abstract",
        }
    )  # fmt: skip
    (found,) = chanced([row], "hip", "mri", [], None) or ()
    assert found.words == "About 3 in 10 men without symptoms (ages not given) have a sight on MRI."
