"""A visit as a FHIR R4 Bundle, and back. What each resource carries is written in docs/fhir.md.

The resources tell another system what it can understand. The whole record travels beside them, event by event, as a
Binary that a Provenance names as the source of the rest, so that importing a bundle gives back the very same events.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

from fhir.resources.R4B.binary import Binary
from fhir.resources.R4B.bundle import Bundle
from pydantic import ValidationError

from endfeel.catalogue import Catalogue
from endfeel.documents.fhir_codes import OWN
from endfeel.documents.fhir_resources import EVENTS_TYPE, Source, entries_of
from endfeel.documents.figures import ProblemFigures
from endfeel.documents.note import Note, note
from endfeel.documents.pdf import note_pdf
from endfeel.evidence import EvidenceBase, load_evidence
from endfeel.visits.events import StoredEvent
from endfeel.visits.state import ReplayError, VisitState, replay

LARGEST_IMPORT = 64_000_000  # characters


class FhirError(ValueError):
    """The bundle can't be made or read; the message is one line."""


def bundle_of(
    state: VisitState,
    catalogue: Catalogue,
    figures: Mapping[str, ProblemFigures] | None = None,
    *,
    evidence: EvidenceBase | None = None,
    now: dt.datetime | None = None,
    zone: dt.tzinfo = dt.UTC,
    with_pdf: bool = False,
) -> Bundle:
    """The bundle of a visit. figures: by problem id, for the chances. with_pdf: the note also as PDF.

    The same visit and figures give the same bundle. FhirError where the standard does not take what is in the record.
    """
    rows = evidence or load_evidence()
    told: Note = note(state, catalogue, figures, evidence=rows, now=now, zone=zone)
    source = Source(
        state=state,
        catalogue=catalogue,
        evidence=rows,
        figures=figures or {},
        now=now or state.last_at,
        note=told,
        pdf=note_pdf(told) if with_pdf else None,
    )
    try:
        return Bundle.model_validate(
            {
                "resourceType": "Bundle",
                "identifier": {"system": f"{OWN}:visit", "value": state.visit_id},
                "type": "collection",
                "timestamp": state.history[-1].stored.at.isoformat(),
                "entry": entries_of(source),
            }
        )
    except ValidationError as error:
        raise FhirError(f"visit {state.visit_id} does not fit the standard: {_line(error)}") from error


def bundle_json(bundle: Bundle) -> str:
    """The bundle as JSON text."""
    return str(bundle.model_dump_json(indent=1))


def events_of(bundle: Bundle | str | bytes) -> tuple[StoredEvent, ...]:
    """The events of a bundle that `bundle_of` made, in order and checked by replaying them.

    FhirError with one line where it is no bundle, carries no record of Endfeel's, or the record is damaged.
    """
    if not isinstance(bundle, Bundle):
        bundle = _parsed(bundle)
    found = [
        entry.resource
        for entry in bundle.entry or ()
        if isinstance(entry.resource, Binary) and entry.resource.contentType == EVENTS_TYPE
    ]
    if len(found) != 1:
        raise FhirError(
            f"the bundle has {len(found)} records of Endfeel's (Binary of type {EVENTS_TYPE}), not one: "
            "export it again with its record"
        )
    return _events(found[0].data or b"")


def _parsed(text: str | bytes) -> Bundle:
    if len(text) > LARGEST_IMPORT:
        raise FhirError(f"the bundle is longer than {LARGEST_IMPORT} characters: import one visit at a time")
    try:
        return Bundle.model_validate_json(text)
    except (ValidationError, ValueError) as error:
        raise FhirError(f"this is no FHIR R4 bundle: {_line(error)}") from error


def _events(data: bytes) -> tuple[StoredEvent, ...]:
    try:
        lines = [line for line in data.split(b"\n") if line]
        events = tuple(StoredEvent.model_validate_json(line) for line in lines)
        replay(events)
    except ValidationError as error:
        raise FhirError(f"the record in the bundle is damaged: {_line(error)}") from error
    except ReplayError as error:
        raise FhirError(f"the record in the bundle is no visit: {error}") from error
    except ValueError as error:
        raise FhirError(f"the record in the bundle can't be read: {_line(error)}") from error
    return events


def _line(error: Exception) -> str:
    if isinstance(error, ValidationError):
        first = error.errors(include_url=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"][-4:])
        return " ".join(f"{where}: {first['msg']}".split())[:300]
    return " ".join(str(error).split())[:300]
