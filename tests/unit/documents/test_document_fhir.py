"""The exchange format: valid by its models, honest about what was not asked, and the record comes back whole."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import FIGURES, KNEE, P, bare, knee, stored

from endfeel.catalogue import load_catalogue
from endfeel.documents.fhir import FhirError, bundle_json, bundle_of, events_of
from endfeel.documents.fhir_codes import ICD10, LOINC, OWN
from endfeel.documents.note import note, note_text
from endfeel.visits.events import (
    AdviceGiven,
    Closed,
    ContextSet,
    Corrected,
    FindingRecorded,
    MeasureRecorded,
    OutcomeRecorded,
    ScreenAnswered,
    StoryTold,
)
from endfeel.visits.state import VisitState, replay

CATALOGUE = load_catalogue()


def resources(state: VisitState, kind: str, **more: Any) -> list[dict[str, Any]]:
    made = json.loads(bundle_json(bundle_of(state, CATALOGUE, {P: FIGURES}, **more)))
    return [e["resource"] for e in made["entry"] if e["resource"]["resourceType"] == kind]


def codes(concept: dict[str, Any]) -> dict[str, str]:
    return {coding["system"]: coding["code"] for coding in concept["coding"]}


def finding(state: VisitState, observable: str) -> dict[str, Any]:
    return next(o for o in resources(state, "Observation") if codes(o["code"]).get(f"{OWN}:observable") == observable)


def test_the_record_comes_back_whole() -> None:
    events = tuple(stored(KNEE))
    assert events_of(bundle_json(bundle_of(replay(events), CATALOGUE, {P: FIGURES}))) == events
    assert events_of(bundle_of(replay(events), CATALOGUE)) == events


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=200), st.text(min_size=1, max_size=30))
def test_any_words_come_back_whole(words: str, name: str) -> None:
    events = tuple(stored([
        *KNEE,
        AdviceGiven(problem_id=P, advice=words, come_back_if=words),
        StoryTold(problem_id=P, how=words),
        FindingRecorded(problem_id=P, observable="lachman", side="left", result="positive", observations={name: words}),
        MeasureRecorded(problem_id=P, measure="girth", value=1.5, unit=words[:40]),
        Corrected(of=len(KNEE) + 1, reason=words),
    ]))  # fmt: skip
    assert events_of(bundle_json(bundle_of(replay(events), CATALOGUE, {P: FIGURES}))) == events


def test_a_finding_has_method_side_and_grade() -> None:
    made = finding(knee(), "mcmurray:medial")
    assert codes(made["bodySite"]) == {f"{OWN}:side": "right", f"{OWN}:region": "knee"}
    assert codes(made["method"]) == {f"{OWN}:finding": "mcmurray"}
    assert made["method"]["text"] == CATALOGUE.regions["knee"].findings["mcmurray"].move  # type: ignore[union-attr]
    grade = next(c for c in made["component"] if codes(c["code"]) == {f"{OWN}:part": "grade"})
    assert grade["valueCodeableConcept"]["text"] == "inner side"
    assert codes(made["valueCodeableConcept"]) == {f"{OWN}:result": "negative"}
    assert made["interpretation"][0]["coding"][0]["code"] == "NEG"


def test_corrected_unclear_and_not_done_are_said() -> None:
    state = knee()
    lachman = finding(state, "lachman")
    assert lachman["status"] == "corrected"
    pain = next(c for c in lachman["component"] if codes(c["code"]).get(LOINC))
    assert pain["valueQuantity"]["value"] == 3
    assert finding(state, "anterior-drawer")["interpretation"][0]["coding"][0]["code"] == "IND"
    left_out = finding(state, "pivot-shift")
    assert "valueCodeableConcept" not in left_out
    assert left_out["dataAbsentReason"]["coding"][0]["code"] == "not-performed"
    assert left_out["note"][0]["text"] == "would not let go"


def test_a_screen_that_was_not_asked_is_not_asked() -> None:
    answered = ScreenAnswered(problem_id=P, screen_id="knee-trauma-screen", item_id="four-steps", answer="no")
    items = {
        codes(o["code"])[f"{OWN}:screen-item"]: o
        for o in resources(knee(answered), "Observation")
        if f"{OWN}:screen-item" in codes(o["code"])
    }
    assert items.pop("knee-trauma-screen.four-steps")["valueCodeableConcept"]["text"] == "no"
    assert len(items) > 10
    assert {o["dataAbsentReason"]["coding"][0]["code"] for o in items.values()} == {"not-asked"}
    whole = [o for o in resources(knee(), "Observation") if f"{OWN}:screen" in codes(o["code"])]
    assert {codes(o["valueCodeableConcept"])[f"{OWN}:screen-state"] for o in whole} == {"not-asked"}


def test_chances_have_their_range_start_and_basis() -> None:
    state = knee()
    (risk,) = resources(state, "RiskAssessment")
    first = risk["prediction"][0]
    assert codes(first["outcome"]) == {f"{OWN}:condition": "acl-tear", ICD10: "S83.5"}
    assert first["probabilityDecimal"] == 0.62
    ranges = {e["url"]: {p["url"]: p for p in e["extension"]} for e in first["extension"]}
    assert ranges[f"{OWN}:extension:range"]["low"]["valueDecimal"] == 0.33
    assert ranges[f"{OWN}:extension:starting-chance"]["chance"]["valueDecimal"] == 0.15
    assert ranges[f"{OWN}:extension:starting-chance"]["assumed"]["valueBoolean"] is True
    assert "a1b2c3d4" in risk["method"]["text"]
    found = {f"urn:uuid:{o['id']}" for o in resources(state, "Observation")}
    assert len(risk["basis"]) == len(state.problems[P].findings)
    assert {b["reference"] for b in risk["basis"]} <= found


def test_only_what_is_likely_is_a_condition_and_what_turned_out_is_confirmed() -> None:
    state = knee(
        Closed(),
        OutcomeRecorded(problem_id=P, source="arthroscopy", on="2026-05-01", condition="pcl-tear", present=False),  # type: ignore[arg-type]
        OutcomeRecorded(problem_id=P, source="arthroscopy", on="2026-05-01", condition="acl-tear", present=True),  # type: ignore[arg-type]
    )
    told = [
        (codes(c["code"])[f"{OWN}:condition"], c["verificationStatus"]["coding"][0]["code"], "clinicalStatus" in c)
        for c in resources(state, "Condition")
    ]
    assert told == [
        ("acl-tear", "differential", False),
        ("meniscal-tear", "differential", False),
        ("pcl-tear", "refuted", False),
        ("acl-tear", "confirmed", True),
    ]


def test_under_sixteen_no_chances_leave_the_clinic() -> None:
    child = knee(ContextSet(problem_id=P, age=13))
    assert resources(child, "RiskAssessment") == []
    assert resources(child, "Condition") == []


def test_the_patient_is_a_pseudonym_and_the_note_goes_along() -> None:
    (patient,) = resources(bare(), "Patient")
    assert patient["meta"]["security"][0]["code"] == "PSEUDED"
    assert patient["identifier"][0]["value"] == "HB-11"
    assert patient["birthDate"] == "1999"
    import base64

    (document,) = resources(knee(), "DocumentReference", with_pdf=True)
    text, pdf = (base64.b64decode(c["attachment"]["data"]) for c in document["content"])
    assert text.decode() == note_text(note(knee(), CATALOGUE, {P: FIGURES}))
    assert pdf.startswith(b"%PDF")


def test_every_reference_leads_somewhere_and_the_bundle_is_reproducible() -> None:
    text = bundle_json(bundle_of(knee(), CATALOGUE, {P: FIGURES}))
    made = json.loads(text)
    urls = [entry["fullUrl"] for entry in made["entry"]]
    assert len(urls) == len(set(urls))

    def references(value: Any) -> list[str]:
        if isinstance(value, dict):
            own = [value["reference"]] if "reference" in value else []
            return own + [r for part in value.values() for r in references(part)]
        return [r for part in value for r in references(part)] if isinstance(value, list) else []

    found = references(made)
    assert len(found) > 50
    assert set(found) <= set(urls)
    assert text == bundle_json(bundle_of(knee(), CATALOGUE, {P: FIGURES}))


def _damaged(change: str) -> str:
    made = json.loads(bundle_json(bundle_of(knee(), CATALOGUE)))
    binary = next(e for e in made["entry"] if e["resource"]["resourceType"] == "Binary")
    if change == "gone":
        made["entry"].remove(binary)
    elif change == "twice":
        made["entry"].append(binary)
    elif change == "cut":
        binary["resource"]["data"] = binary["resource"]["data"][:400]
    elif change == "empty":
        del binary["resource"]["data"]
    return json.dumps(made)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "no FHIR R4 bundle"),
        ("{}x", "no FHIR R4 bundle"),
        ('{"resourceType": "Patient"}', "no FHIR R4 bundle"),
        (_damaged("gone"), "has 0 records"),
        (_damaged("twice"), "has 2 records"),
        (_damaged("cut"), "damaged"),
        (_damaged("empty"), "no visit"),
    ],
)
def test_what_cannot_be_imported_is_refused_in_one_line(text: str, why: str) -> None:
    with pytest.raises(FhirError, match=why) as caught:
        events_of(text)
    assert "\n" not in str(caught.value)


@pytest.mark.skipif("ENDFEEL_FHIR_SCHEMA" not in os.environ, reason="give the published R4 JSON schema's path to check")
def test_valid_by_the_published_schema() -> None:
    schema = json.loads(Path(os.environ["ENDFEEL_FHIR_SCHEMA"]).read_text(encoding="utf-8"))
    schema.pop("oneOf", None)
    made = json.loads(bundle_json(bundle_of(knee(Closed()), CATALOGUE, {P: FIGURES}, with_pdf=True)))
    for entry in made["entry"]:
        schema["$ref"] = f"#/definitions/{entry['resource']['resourceType']}"
        assert [e.message for e in jsonschema_rs.validator_for(schema).iter_errors(entry["resource"])] == []
