"""The resources of a visit's bundle, as the plain dictionaries that the standard's models then check."""

from __future__ import annotations

import base64
import datetime as dt
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from endfeel import __version__
from endfeel.catalogue import Catalogue
from endfeel.catalogue.entries import HandsOn, HistoryItem
from endfeel.documents.fhir_codes import (
    ICD10,
    INTERPRETATIONS,
    OWN,
    PAIN,
    RANGE,
    STARTED,
    concept,
    own,
    quantity,
    standard,
    string,
)
from endfeel.documents.figures import ChanceFigure, ProblemFigures
from endfeel.documents.names import Names
from endfeel.documents.note import Note, note_text
from endfeel.documents.said_safety import no_chances
from endfeel.documents.wording import ACTIONS, RESULTS, day, name_of_id, side_and_region
from endfeel.evidence import EvidenceBase
from endfeel.visits.events import MeasureRecorded, Observed, Side, StoredEvent
from endfeel.visits.problem import BaseItem, ProblemState, Recorded
from endfeel.visits.safety import ScreenView, screen_views
from endfeel.visits.state import VisitState

EVENTS_TYPE = "application/vnd.endfeel.events+jsonl"
DIFFERENTIAL = 0.1  # ours: below it a condition stands among the chances only
_SPACE = uuid.UUID("6f0a3d3e-5a59-5c3a-9a3e-7d1f6a1c0e5d")
_GENDERS = {"female": "female", "male": "male", "other": "other", None: "unknown"}
Resource = dict[str, Any]


@dataclass(frozen=True)
class Source:
    """All that a bundle is made of."""

    state: VisitState
    catalogue: Catalogue
    evidence: EvidenceBase
    figures: Mapping[str, ProblemFigures]
    now: dt.datetime
    note: Note
    pdf: bytes | None

    def id(self, *parts: object) -> str:
        """A resource's id: always the same for the same thing of the same visit."""
        return str(uuid.uuid5(_SPACE, "|".join(map(str, (self.state.visit_id, *parts)))))

    def ref(self, kind: str, *parts: object) -> dict[str, str]:
        """A reference to another resource of the bundle."""
        return {"reference": f"urn:uuid:{self.id(kind, *parts)}", "type": kind}

    @property
    def subject(self) -> dict[str, str]:
        """The patient."""
        return self.ref("Patient")

    @property
    def encounter(self) -> dict[str, str]:
        """The visit."""
        return self.ref("Encounter")


def entries_of(source: Source) -> list[dict[str, Any]]:
    """All entries: patient, visit; per problem observations, conditions, chances and impression; note and record."""
    resources: list[Resource] = [_patient(source), _encounter(source)]
    for problem in source.state.problems.values():
        names = Names(source.catalogue, source.evidence, problem.region)
        observations = [
            *(_finding(source, problem, names, r) for r in problem.findings.values()),
            *(_base(source, problem, names, key[0], item) for key, item in problem.base.items()),
            *(_measure(source, problem, names, event) for event in problem.measures.values()),
        ]
        screens = list(_screens(source, problem))
        basis = [source.ref("Observation", problem.problem_id, "finding", *key) for key in problem.findings]
        resources += [*observations, *screens, *_conditions(source, problem, names)]
        risk = _risk(source, problem, names, basis)
        resources += [risk] if risk else []
        resources.append(_impression(source, problem, names, basis, risk is not None))
    resources += [_document(source), _binary(source), _provenance(source)]
    return [{"fullUrl": f"urn:uuid:{r['id']}", "resource": r} for r in resources]


def events_data(events: Sequence[StoredEvent]) -> str:
    """Events as they travel: one JSON object a line, UTF-8, base64."""
    lines = "".join(f"{event.model_dump_json()}\n" for event in events)
    return base64.b64encode(lines.encode("utf-8")).decode("ascii")


def _patient(source: Source) -> Resource:
    opened = source.state.opened
    made: Resource = {
        "resourceType": "Patient",
        "id": source.id("Patient"),
        "meta": {"security": standard("v3-ObservationValue", "PSEUDED", "pseudonymized")["coding"]},
        "identifier": [{"use": "secondary", "system": f"{OWN}:patient-code", "value": string(opened.patient_code)}],
        "gender": _GENDERS[opened.sex],
    }
    if opened.birth_year is not None:
        made["birthDate"] = f"{opened.birth_year:04d}"
    if opened.initials:
        made["name"] = [{"use": "anonymous", "text": string(opened.initials)}]
    return made


def _encounter(source: Source) -> Resource:
    state = source.state
    period = {"start": state.opened_at.isoformat()}
    if state.closed_at is not None and state.closed_at >= state.opened_at:
        period["end"] = state.closed_at.isoformat()
    made: Resource = {
        "resourceType": "Encounter",
        "id": source.id("Encounter"),
        "identifier": [{"system": f"{OWN}:visit", "value": state.visit_id}],
        "status": "finished" if state.closed else "in-progress",
        "class": standard("v3-ActCode", "AMB", "ambulatory")["coding"][0],
        "type": [concept(own("setting", state.opened.setting))],
        "subject": source.subject,
        "period": period,
        "participant": [{"individual": {"display": actor}} for actor in _actors(state)],
    }
    reasons = [
        concept(own("region", p.region), text=side_and_region(p.side, p.region)) for p in state.problems.values()
    ]
    if reasons:
        made["reasonCode"] = reasons
    return made


def _observation(source: Source, problem: ProblemState, key: tuple[object, ...], category: str, side: Side) -> Resource:
    return {
        "resourceType": "Observation",
        "id": source.id("Observation", problem.problem_id, *key),
        "status": "final",
        "category": [standard("observation-category", category)],
        "subject": source.subject,
        "encounter": source.encounter,
        "bodySite": concept(
            own("side", side), own("region", problem.region), text=side_and_region(side, problem.region)
        ),
    }


def _finding(source: Source, problem: ProblemState, names: Names, recorded: Recorded) -> Resource:
    event, observable = recorded.event, recorded.observable
    entry = names.entry(observable)
    asked = isinstance(entry, HistoryItem)
    category = "survey" if asked else "exam"
    made = _observation(source, problem, ("finding", observable, recorded.side), category, recorded.side)
    made |= {
        "code": concept(own("observable", observable, names.observable(observable)), text=names.observable(observable)),
        "effectiveDateTime": recorded.made.at.isoformat(),
        "performer": [{"display": string(event.rater or recorded.made.actor)}],
        "method": concept(
            own("finding", observable.split(":")[0], names.finding(observable)),
            text=entry.move if isinstance(entry, HandsOn) else entry.ask if isinstance(entry, HistoryItem) else "",
        ),
    }
    if recorded.result == "not-done":
        made["dataAbsentReason"] = standard("data-absent-reason", "not-performed")
        if event.not_done_because:
            made["note"] = [{"text": string(event.not_done_because)}]
    else:
        made["valueCodeableConcept"] = concept(own("result", recorded.result), text=RESULTS[recorded.result])
        code, display = INTERPRETATIONS[recorded.result]
        made["interpretation"] = [standard("v3-ObservationInterpretation", code, display)]
    if _was_corrected(source.state, recorded.made.seq):
        made["status"] = "corrected"
    components = list(_components(names, recorded))
    if components:
        made["component"] = components
    return made


def _components(names: Names, recorded: Recorded) -> Iterable[dict[str, Any]]:
    event, observable = recorded.event, recorded.observable
    grade = names.grade(observable)
    if grade:
        yield {
            "code": concept(own("part", "grade"), text="Reading or grade"),
            "valueCodeableConcept": concept(own("observable", observable), text=grade),
        }
    for name, value in event.observations.items():
        words = names.observation(observable, name)
        code = concept(own("observation", f"{observable.split(':')[0]}.{name}"), text=words)
        yield {"code": code, **_value(value, names.unit(observable, name))}
    numbers = (("pain", event.pain), ("symptoms-before", event.symptoms_before), ("confidence", event.confidence))
    for name, score in numbers:
        if score is not None:
            standing = (PAIN,) if name == "pain" else ()
            yield {"code": concept(*standing, own("part", name)), "valueQuantity": {"value": score}}
    for name, told in (("own-pain", event.own_pain), ("guarding", event.guarding)):
        if told is not None:
            yield {"code": concept(own("part", name)), "valueBoolean": told}
    for what in event.blind_to:
        yield {"code": concept(own("part", "blind-to")), "valueString": string(what)}
    if event.experience:
        yield {"code": concept(own("part", "experience")), "valueString": string(event.experience)}


def _value(value: Observed, unit: str) -> dict[str, Any]:
    if isinstance(value, bool):
        return {"valueBoolean": value}
    if isinstance(value, (int, float)):
        return {"valueQuantity": quantity(value, unit)}
    return {"valueString": string(value)}


def _base(source: Source, problem: ProblemState, names: Names, item_id: str, item: BaseItem) -> Resource:
    made = _observation(source, problem, ("base", item_id, item.side), "exam", item.side)
    made |= {
        "code": concept(own("base-item", item_id, names.base_item(item_id)), text=names.base_item(item_id)),
        "effectiveDateTime": item.made.at.isoformat(),
        "performer": [{"display": string(item.made.actor)}],
        "valueCodeableConcept": concept(own("base-state", item.state), text=name_of_id(item.state)),
    }
    event = item.event
    if event is None:
        made["note"] = [{"text": "Looked at with the rest of a card, nothing found."}]
        return made
    components: list[dict[str, Any]] = []
    if event.value is not None:
        entry = names.region.item(item_id) if names.region else None
        unit = event.unit or (entry.measure if entry else "")
        components.append({"code": concept(own("part", "value")), "valueQuantity": quantity(event.value, unit)})
    for name, told in (("painful", event.painful), ("weak", event.weak)):
        if told is not None:
            components.append({"code": concept(own("part", name)), "valueBoolean": told})
    for name, words in (("end-feel", event.end_feel), ("limits", event.limits)):
        if words:
            components.append({"code": concept(own("part", name)), "valueString": string(words)})
    if components:
        made["component"] = components
    if event.text:
        made["note"] = [{"text": string(event.text)}]
    return made


def _measure(source: Source, problem: ProblemState, names: Names, event: MeasureRecorded) -> Resource:
    made = _observation(source, problem, ("measure", event.measure, event.side), "exam", event.side)
    name = names.base_item(event.measure)
    made |= {
        "code": concept(own("measure", event.measure, name), text=name),
        "valueQuantity": quantity(event.value, event.unit),
        "effectiveDateTime": source.state.opened_at.isoformat(),
    }
    return made


def _screens(source: Source, problem: ProblemState) -> Iterable[Resource]:
    for view in screen_views(problem, source.catalogue, source.now):
        yield from _screen(source, problem, view)


def _screen(source: Source, problem: ProblemState, view: ScreenView) -> Iterable[Resource]:
    members = []
    for item in view.items:
        answered = problem.answers.get((view.screen.id, item.item.id))
        made = _observation(source, problem, ("screen", view.screen.id, item.item.id), "survey", problem.side)
        made["code"] = concept(
            own("screen-item", f"{view.screen.id}.{item.item.id}"), text=item.item.ask or item.item.look
        )
        if answered is None:
            made["dataAbsentReason"] = standard("data-absent-reason", "not-asked")
        else:
            made["valueCodeableConcept"] = concept(own("answer", answered.answer), text=answered.answer)
            made["effectiveDateTime"] = answered.made.at.isoformat()
            made["performer"] = [{"display": string(answered.made.actor)}]
        if item.raised_by:
            made["note"] = [{"text": f"Raised by what was recorded: {', '.join(item.raised_by)}"}]
        members.append(made)
    whole = _observation(source, problem, ("screen", view.screen.id), "survey", problem.side)
    whole["code"] = concept(own("screen", view.screen.id, view.screen.name), text=view.screen.name)
    whole["valueCodeableConcept"] = concept(own("screen-state", view.state), text=view.words)
    whole["hasMember"] = [{"reference": f"urn:uuid:{m['id']}", "type": "Observation"} for m in members]
    if view.override is not None:
        whole["note"] = [{"text": string(f"Went on in spite of it: {view.override.reason}")}]
    return (whole, *members)


def _conditions(source: Source, problem: ProblemState, names: Names) -> Iterable[Resource]:
    """What the chances are about, as differential; what turned out later, as confirmed or refuted."""
    for chance in _differential(source, problem, names):
        yield _condition(source, problem, names, chance.condition, "differential")
    for place, outcome in enumerate(problem.outcomes):
        status = {True: "confirmed", False: "refuted", None: "unconfirmed"}[outcome.present]
        made = _condition(source, problem, names, outcome.condition, status, place)
        made["recordedDate"] = outcome.on.isoformat()
        made["note"] = [{"text": string(f"Known from: {outcome.source}")}]
        yield made


def _condition(
    source: Source, problem: ProblemState, names: Names, condition: str, status: str, place: int | None = None
) -> Resource:
    key = ("chance", condition) if place is None else ("outcome", place, condition)
    made: Resource = {
        "resourceType": "Condition",
        "id": source.id("Condition", problem.problem_id, *key),
        "verificationStatus": standard("condition-ver-status", status),
        "category": [standard("condition-category", "encounter-diagnosis")],
        "code": _condition_code(names, condition),
        "bodySite": [concept(own("side", problem.side), text=side_and_region(problem.side, problem.region))],
        "subject": source.subject,
        "encounter": source.encounter,
    }
    if status == "confirmed":
        made["clinicalStatus"] = standard("condition-clinical", "active")
    return made


def _condition_code(names: Names, condition: str) -> dict[str, Any]:
    entry = names.condition_entry(condition)
    codings = [own("condition", condition, names.condition(condition))]
    if entry is not None and entry.icd10:
        codings.insert(0, {"system": ICD10, "code": entry.icd10})
    return concept(*codings, text=names.condition(condition))


def _told_chances(source: Source, problem: ProblemState, names: Names) -> tuple[ChanceFigure, ...]:
    figures = source.figures.get(problem.problem_id)
    if figures is None or figures.no_chances or no_chances(problem, source.now.date()):
        return ()
    return tuple(
        c for c in figures.chances if (entry := names.condition_entry(c.condition)) is None or entry.rail != "never"
    )


def _differential(source: Source, problem: ProblemState, names: Names) -> tuple[ChanceFigure, ...]:
    """What is likely enough to be named as a condition: another system may read any Condition as a diagnosis."""
    return tuple(c for c in _told_chances(source, problem, names) if c.chance >= DIFFERENTIAL)


def _risk(source: Source, problem: ProblemState, names: Names, basis: list[dict[str, str]]) -> Resource | None:
    chances = _told_chances(source, problem, names)
    if not chances:
        return None
    figures = source.figures[problem.problem_id]
    made: Resource = {
        "resourceType": "RiskAssessment",
        "id": source.id("RiskAssessment", problem.problem_id),
        "status": "final" if source.state.closed else "preliminary",
        "method": concept(
            own("method", "pooled-findings"),
            text=string(
                f"Pooled published accuracy of findings; edition {figures.edition or 'not recorded'}; "
                f"endfeel {__version__}"
            ),
        ),
        "subject": source.subject,
        "encounter": source.encounter,
        "occurrenceDateTime": source.state.last_at.isoformat(),
        "prediction": [_prediction(names, c) for c in chances],
    }
    if basis:
        made["basis"] = basis
    return made


def _prediction(names: Names, chance: ChanceFigure) -> dict[str, Any]:
    extensions = [_range(RANGE, chance.low, chance.high)]
    if chance.start is not None:
        low, high = chance.start_low, chance.start_high
        parts = _range(STARTED, chance.start if low is None else low, chance.start if high is None else high)
        parts["extension"].append({"url": "chance", "valueDecimal": round(chance.start, 6)})
        if chance.source_words:
            parts["extension"].append({"url": "source", "valueString": string(chance.source_words)})
        parts["extension"].append({"url": "assumed", "valueBoolean": chance.assumed})
        extensions.append(parts)
    return {
        "extension": extensions,
        "outcome": _condition_code(names, chance.condition),
        "probabilityDecimal": round(chance.chance, 6),
    }


def _range(url: str, low: float, high: float) -> dict[str, Any]:
    return {
        "url": url,
        "extension": [
            {"url": "low", "valueDecimal": round(low, 6)},
            {"url": "high", "valueDecimal": round(high, 6)},
        ],
    }


def _impression(
    source: Source, problem: ProblemState, names: Names, basis: list[dict[str, str]], with_risk: bool
) -> Resource:
    state, decision = source.state, problem.decision
    made: Resource = {
        "resourceType": "ClinicalImpression",
        "id": source.id("ClinicalImpression", problem.problem_id),
        "status": "completed" if state.closed else "in-progress",
        "description": side_and_region(problem.side, problem.region),
        "subject": source.subject,
        "encounter": source.encounter,
        "date": state.last_at.isoformat(),
    }
    if decision is not None:
        event = decision.event
        parts = [ACTIONS[event.action], names.care(event.care_group), names.modality(event.modality)]
        parts += [names.screen(event.screen_id), f"look again on {day(event.review_on)}" if event.review_on else ""]
        made["summary"] = string("; ".join(p for p in (*parts, event.words) if p))
        made["effectiveDateTime"] = decision.made.at.isoformat()
        made["assessor"] = {"display": string(decision.made.actor)}
    advice = [f"Advice: {a.advice}\nCome back if: {a.come_back_if or 'not told'}" for a in problem.advice]
    if advice:
        made["note"] = [{"text": string(words)} for words in advice]
    if basis:
        made["supportingInfo"] = basis
    if with_risk:
        made["prognosisReference"] = [source.ref("RiskAssessment", problem.problem_id)]
    conditions = _differential(source, problem, names)
    if conditions:
        made["finding"] = [
            {"itemReference": source.ref("Condition", problem.problem_id, "chance", c.condition)} for c in conditions
        ]
    return made


def _document(source: Source) -> Resource:
    text = note_text(source.note).encode("utf-8")
    title = f"Note: {source.note.title}"
    content = [_attachment("text/plain; charset=utf-8", text, title)]
    if source.pdf is not None:
        content.append(_attachment("application/pdf", source.pdf, title))
    return {
        "resourceType": "DocumentReference",
        "id": source.id("DocumentReference"),
        "status": "current",
        "docStatus": "final" if source.state.closed else "preliminary",
        "type": concept(own("document", "note"), text="Note of a visit"),
        "subject": source.subject,
        "date": source.state.last_at.isoformat(),
        "author": [{"display": actor} for actor in _actors(source.state)],
        "content": content,
        "context": {"encounter": [source.encounter]},
    }


def _attachment(kind: str, data: bytes, title: str) -> dict[str, Any]:
    return {
        "attachment": {
            "contentType": kind,
            "language": "en",
            "data": base64.b64encode(data).decode("ascii"),
            "title": string(title),
        }
    }


def _binary(source: Source) -> Resource:
    return {
        "resourceType": "Binary",
        "id": source.id("Binary"),
        "contentType": EVENTS_TYPE,
        "data": events_data([entry.stored for entry in source.state.history]),
    }


def _provenance(source: Source) -> Resource:
    return {
        "resourceType": "Provenance",
        "id": source.id("Provenance"),
        "target": [source.encounter, source.ref("DocumentReference")],
        "recorded": source.state.last_at.isoformat(),
        "activity": concept(own("activity", "record"), text="Record of the visit, event by event"),
        "agent": [{"who": {"display": actor}} for actor in _actors(source.state)],
        "entity": [{"role": "source", "what": source.ref("Binary")}],
    }


def _actors(state: VisitState) -> list[str]:
    return list(dict.fromkeys(string(entry.stored.actor) for entry in state.history))


def _was_corrected(state: VisitState, seq: int) -> bool:
    return any(entry.seq == seq and entry.changed for entry in state.history)
