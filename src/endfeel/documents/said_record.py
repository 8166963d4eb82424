"""The record behind a note: corrections with what stood before, consent, remarks, and what was taken back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from endfeel.documents.names import Names
from endfeel.documents.sections import Line
from endfeel.documents.wording import ACTIONS, RESULTS, clean, day, moment, name_of_id, side_and_region, side_words
from endfeel.visits.corrections import Standing
from endfeel.visits.events import Corrected, Event
from endfeel.visits.state import VisitState

CONSENT_TO = {"visit": "the visit", "intimate": "intimate tests", "provoking": "strongly provoking tests"}
CHAPERONES = {
    "offered-declined": "chaperone offered and declined",
    "present": "chaperone present",
    "not-offered": "chaperone not offered",
}
_LEFT_OUT = ("type", "problem_id")
_WHAT = {
    "visit-opened": "Opening of the visit",
    "problem-added": "Problem",
    "problem-moved": "Problem moved",
    "where-marked": "Marks on the figure",
    "story-told": "Story",
    "context-set": "Person and visit",
    "consent-given": "Consent",
    "consent-withdrawn": "Consent taken back",
    "screen-answered": "Safety screen",
    "screen-overridden": "Went on in spite of a screen",
    "base-recorded": "Base examination",
    "card-cleared": "Rest of a card",
    "finding-recorded": "Finding",
    "made-worse": "Made worse",
    "decided": "Decision",
    "advice-given": "Advice",
    "outcome-recorded": "Outcome",
    "treatment-recorded": "Treatment",
    "measure-recorded": "Measure",
    "closed": "Closing",
    "reopened": "Reopening",
    "corrected": "Correction",
}


def correction_lines(state: VisitState, names: Mapping[str, Names], zone: dt.tzinfo) -> tuple[Line, ...]:
    """Every event that was corrected or taken back: what was said first, what stands now, by whom, when and why."""
    by_seq = {entry.seq: entry for entry in state.history}
    lines = []
    for entry in state.history:
        if not entry.corrected_by or isinstance(entry.stored.event, Corrected):
            continue
        named = _names_for(entry, names)
        first = describe(entry.stored.event, named)
        now = "taken back" if entry.event is None else describe(entry.event, named)
        words = f"first: {first}\nnow: {now}"
        for seq in entry.corrected_by:
            correction = by_seq[seq]
            words += f"\n{_correction(correction, zone)}"
        what = _WHAT[entry.stored.event.type]
        value = "taken back" if entry.event is None else "corrected" if entry.changed else "correction taken back"
        lines.append(Line(words, f"{what}, entry {entry.seq}", value))
    return tuple(lines)


def record_lines(state: VisitState, names: Mapping[str, Names], zone: dt.tzinfo) -> tuple[Line, ...]:
    """Consent, moved and withdrawn problems, answers that contradict each other, notices, closing."""
    lines = [
        *_consents(state, zone),
        *(
            Line(
                f"from {side_words(m.before) or 'no side'} to {side_words(m.after) or 'no side'}: {clean(m.reason)} "
                f"({'recordings went with it' if m.recordings_moved else 'earlier recordings kept their side'}; "
                f"{m.made.actor}, {moment(m.made.at, zone)})",
                "Problem moved to another side",
            )
            for p in state.problems.values()
            for m in p.moved
        ),
        *(
            Line(f"{side_and_region(p.side, p.region)}; what was recorded for it is kept", "Problem taken back")
            for p in state.withdrawn_problems.values()
        ),
        *(
            Line(
                f"entry {c.seq_earlier}: {clean(c.earlier)}, entry {c.seq_later}: {clean(c.later)}; the later counts",
                f"Answers differ, {_what(c.what, names.get(c.problem_id))}",
            )
            for c in state.contradictions
        ),
        *(Line(n.words, f"Entry {n.seq}") for n in state.notices),
        *(Line(f"{clean(why)} ({m.actor}, {moment(m.at, zone)})", "Reopened") for m, why in state.reopenings),
    ]
    if state.summary:
        lines.append(Line(clean(state.summary), "Summary at closing"))
    return tuple(lines)


def describe(event: Event, names: Names | None) -> str:
    """An event in one line of words."""
    fields = {
        name: value
        for name, value in event
        if name not in _LEFT_OUT and value is not None and value != () and value != {} and value != ""
    }
    told = [f"{_label(name)}: {_value(name, value, fields, names)}" for name, value in fields.items()]
    return "; ".join(told) or "nothing"


def _consents(state: VisitState, zone: dt.tzinfo) -> list[Line]:
    lines = []
    for consent in (*state.consents.values(), *state.finding_consents.values()):
        event = consent.event
        to = CONSENT_TO[event.scope] if event.finding_id is None else name_of_id(event.finding_id)
        lines.append(Line(f"given, {moment(consent.made.at, zone)}; {CHAPERONES[event.chaperone]}", f"Consent to {to}"))
    for scope in sorted(state.withdrawn_scopes):
        lines.append(Line("taken back", f"Consent to {CONSENT_TO[scope]}", weight="strong"))
    for finding in sorted(state.withdrawn_findings):
        lines.append(Line("taken back", f"Consent to {name_of_id(finding)}", weight="strong"))
    if "visit" not in state.consents and "visit" not in state.withdrawn_scopes:
        lines.append(Line("not recorded", "Consent to the visit", weight="dashed"))
    return lines


def _correction(entry: Standing, zone: dt.tzinfo) -> str:
    made = entry.stored
    event = made.event if isinstance(made.event, Corrected) else None
    reason = f": {clean(event.reason)}" if event and event.reason else ", no reason given"
    undone = " (this correction was itself taken back)" if entry.event is None else ""
    return f"entry {made.seq}, {made.actor}, {moment(made.at, zone)}{reason}{undone}"


def _names_for(entry: Standing, names: Mapping[str, Names]) -> Names | None:
    problem = getattr(entry.event or entry.stored.event, "problem_id", None)
    return names.get(problem or "") or next(iter(names.values()), None)


def _what(what: str, names: Names | None) -> str:
    kind, _, rest = what.partition(": ")
    if names is None:
        return what
    if kind == "finding":
        observable, _, side = rest.rpartition(", ")
        return f"{names.observable(observable)}, {side}".removesuffix(", none")
    if kind == "base":
        item, _, side = rest.rpartition(", ")
        return f"{names.base_item(item)}, {side}".removesuffix(", none")
    if kind == "screen":
        screen, _, item = rest.partition(": ")
        return f"{names.screen(screen)}: {names.screen_item(screen, item)}"
    return f"{kind}: {names.precaution(rest) if kind == 'precaution' else name_of_id(rest)}"


def _label(name: str) -> str:
    return _LABELS.get(name, name_of_id(name))


def _value(name: str, value: Any, fields: Mapping[str, Any], names: Names | None) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dt.date):
        return day(value)
    if isinstance(value, tuple):
        return ", ".join(_value(name, v, fields, names) for v in value)
    if isinstance(value, BaseModel):
        return " ".join(_value(k, v, fields, names) for k, v in value if v is not None and v is not False)
    if isinstance(value, Mapping):
        return ", ".join(f"{_key(name, k, fields, names)} {_value('', v, {}, None)}" for k, v in value.items())
    if isinstance(value, float):
        return f"{value:g}"
    return clean(_named(name, str(value), fields, names))


def _key(name: str, key: str, fields: Mapping[str, Any], names: Names | None) -> str:
    if names is not None and name == "observations":
        return names.observation(fields.get("observable", ""), key)
    if names is not None and name == "precautions":
        return names.precaution(key)
    if names is not None and name == "chances":
        return names.condition(key)
    return name_of_id(key)


def _named(name: str, value: str, fields: Mapping[str, Any], names: Names | None) -> str:
    if name == "result":
        return RESULTS[value]  # type: ignore[index]
    if name == "action":
        return ACTIONS[value]  # type: ignore[index]
    if name == "side":
        return side_words(value) or "no side"  # type: ignore[arg-type]
    if names is None:
        return value
    by_name = {
        "observable": names.observable,
        "finding_id": names.finding,
        "condition": names.condition,
        "care_group": names.care,
        "modality": names.modality,
        "screen_id": names.screen,
        "measure": names.base_item,
        "items": names.base_item,
    }
    if name == "item_id":
        screen = fields.get("screen_id")
        return names.screen_item(screen, value) if screen else names.base_item(value)
    return by_name[name](value) if name in by_name else value


_LABELS = {"observable": "finding", "item_id": "item", "screen_id": "screen", "finding_id": "finding"}
