"""Code systems of the exchange format (docs/fhir.md), and small builders of coded values. Plain dictionaries."""

from __future__ import annotations

from typing import Any

from endfeel.documents.wording import clean
from endfeel.visits.events import Result

OWN = "urn:endfeel"
ICD10 = "http://hl7.org/fhir/sid/icd-10"
LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
V3 = "http://terminology.hl7.org/CodeSystem"
RANGE = f"{OWN}:extension:range"
STARTED = f"{OWN}:extension:starting-chance"
FHIR_VERSION = "4.0"

INTERPRETATIONS: dict[Result, tuple[str, str]] = {
    "positive": ("POS", "Positive"),
    "negative": ("NEG", "Negative"),
    "unclear": ("IND", "Indeterminate"),
}
UCUM_UNITS = {"degrees": "deg", "centimetres": "cm", "kg": "kg", "N": "N", "minutes": "min"}
# The one code here that stands in LOINC for exactly what is recorded: a number from 0 to 10 that the patient says.
PAIN = {"system": LOINC, "code": "72514-3", "display": "Pain severity - 0-10 verbal numeric rating [Score] - Reported"}


def own(system: str, code: str, display: str = "") -> dict[str, Any]:
    """A coding of one of the own code systems. A code holds no white space: names that a page made up may."""
    made = {"system": f"{OWN}:{system}", "code": "_".join(clean(code).split()) or "(empty)"}
    return {**made, "display": string(display)} if display.strip() else made


def concept(*codings: dict[str, Any], text: str = "") -> dict[str, Any]:
    """A codeable concept; its text only where there is one."""
    made: dict[str, Any] = {"coding": list(codings)} if codings else {}
    return {**made, "text": string(text)} if text.strip() else made


def standard(system: str, code: str, display: str = "") -> dict[str, Any]:
    """A concept of one of the standard's own small code systems."""
    coding = {"system": f"{V3}/{system}", "code": code}
    return {"coding": [{**coding, "display": display} if display else coding]}


def quantity(value: float, unit: str) -> dict[str, Any]:
    """A number with its unit, coded where the unit is one of UCUM."""
    made: dict[str, Any] = {"value": value}
    if unit.strip():
        made["unit"] = string(unit)
    if unit in UCUM_UNITS:
        made |= {"system": UCUM, "code": UCUM_UNITS[unit]}
    return made


def string(text: str) -> str:
    """Text as the standard takes it: never empty, no control characters."""
    return clean(text).strip() or "(empty)"
