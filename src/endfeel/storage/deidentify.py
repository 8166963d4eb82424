"""Visits that can leave the clinic: new ids, shifted days, free text left out.

Left out or replaced: every typed word, initials, the patient's code, names of examiners, ids of visits and recordings,
the year of birth (given as an age in years, at most 90, on the shifted day). Days are moved by one number for all
visits of a patient, so intervals stay true; the time of day stays. What remains is what was found, on which side, in
which order. Whether that may be shared is for local law and the clinic to say.
"""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Iterable, Mapping
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from endfeel.catalogue import Catalogue
from endfeel.catalogue.entries import HandsOn, HistoryItem
from endfeel.visits.events import (
    FIRST_DAY,
    FIRST_MOMENT,
    LAST_DAY,
    LAST_MOMENT,
    ContextSet,
    Event,
    FindingRecorded,
    FreeText,
    StoredEvent,
    VisitOpened,
    parse_event,
)

LEFT_OUT = "left out"
OLDEST = 90
_MOST_DAYS = 182
_UNITS = frozenset(
    {"degrees", "grade 0-5", "0-10", "centimetres", "millimetres", "kilograms", "newtons", "newton metres", "seconds",
     "percent", "cm", "mm", "kg", "N", "Nm", "s", "%", "lb"}
)  # fmt: skip


class Pseudonyms:
    """New names and shifts for one export, drawn at random and kept nowhere else."""

    def __init__(self, rng: random.Random | None = None) -> None:
        """rng: for tests; the system's own randomness where left out."""
        self._rng = rng or random.SystemRandom()
        self._names: dict[tuple[str, str], str] = {}
        self._days: dict[str, int] = {}

    def name(self, kind: str, real: str) -> str:
        """The same new name for the same real one of a kind."""
        key = (kind, real)
        if key not in self._names:
            self._names[key] = f"{kind}{self._rng.getrandbits(48):012x}"
        return self._names[key]

    def shift(self, patient_code: str) -> dt.timedelta:
        """Days by which everything about a patient moves; never zero."""
        if patient_code not in self._days:
            days = self._rng.randint(1, _MOST_DAYS)
            self._days[patient_code] = days if self._rng.random() < 0.5 else -days
        return dt.timedelta(days=self._days[patient_code])


def vocabulary(catalogue: Catalogue) -> frozenset[str]:
    """The words that observations may hold by the catalogue: they were chosen, not typed."""
    words: set[str] = set()
    for region in catalogue.regions.values():
        for finding in region.findings.values():
            if isinstance(finding, HandsOn):
                words.update(word for item in finding.observe for word in item.choose)
            elif isinstance(finding, HistoryItem):
                words.update(finding.answers)
    return frozenset(words)


def deidentify(
    events: Iterable[StoredEvent], patient_code: str, pseudonyms: Pseudonyms, words: frozenset[str]
) -> list[StoredEvent]:
    """The events of one visit, fit to replay, without what names the patient or the examiner.

    patient_code: the one that decides the shift (as it stands, where it was corrected). words: see vocabulary.
    """
    change = _Change(pseudonyms, pseudonyms.shift(patient_code), words)
    return [
        StoredEvent(
            seq=stored.seq,
            visit_id=pseudonyms.name("v", stored.visit_id),
            at=min(LAST_MOMENT, max(FIRST_MOMENT, stored.at + change.shift)),
            actor=pseudonyms.name("e", stored.actor),
            client_id=pseudonyms.name("c", stored.client_id),
            event=change.event(stored.event, stored.at),
        )
        for stored in events
    ]


class _Change:
    def __init__(self, pseudonyms: Pseudonyms, shift: dt.timedelta, words: frozenset[str]) -> None:
        self.pseudonyms, self.shift, self.words = pseudonyms, shift, words
        self.problems: dict[str, str] = {}

    def event(self, event: Event, at: dt.datetime) -> Event:
        return parse_event({k: v for k, v in self.part(event, at).items() if v is not None})

    def part(self, part: BaseModel, at: dt.datetime) -> dict[str, Any]:
        changed = {}
        for name, field in type(part).model_fields.items():
            value = getattr(part, name)
            changed[name] = self.named(name, value, at) if name in _NAMED else self.value(value, field, at)
        if isinstance(part, VisitOpened):
            changed["initials"] = None
            if part.birth_year is not None:
                changed["birth_year"] = (at + self.shift).year - min(OLDEST, max(0, at.year - part.birth_year))
        if isinstance(part, ContextSet) and part.age is not None:
            changed["age"] = min(OLDEST, part.age)
        if isinstance(part, FindingRecorded):
            changed["observations"] = {k: self.observed(v) for k, v in part.observations.items()}
        return changed

    def value(self, value: Any, field: FieldInfo, at: dt.datetime) -> Any:
        if isinstance(value, BaseModel):
            return {k: v for k, v in self.part(value, at).items() if v is not None}
        if isinstance(value, tuple) and value and isinstance(value[0], BaseModel):
            return [{k: v for k, v in self.part(item, at).items() if v is not None} for item in value]
        if _is_free(field):
            if isinstance(value, tuple):
                return [LEFT_OUT for _ in value]
            return LEFT_OUT if value else value
        if isinstance(value, dt.date):
            return min(LAST_DAY, max(FIRST_DAY, value + self.shift))
        return value

    def named(self, name: str, value: Any, at: dt.datetime) -> Any:
        if value is None:
            return None
        if name == "problem_id":
            return self.problems.setdefault(value, f"p{len(self.problems) + 1}")
        if name == "unit":
            return value if value in _UNITS else ""
        return self.pseudonyms.name(_NAMED[name], value)

    def observed(self, value: object) -> object:
        return value if not isinstance(value, str) or value in self.words else LEFT_OUT


_NAMED: Mapping[str, str] = {
    "patient_code": "k", "previous_visit_id": "v", "rater": "e", "problem_id": "", "unit": "",
}  # fmt: skip


def _is_free(field: FieldInfo) -> bool:
    return any(isinstance(mark, FreeText) for mark in field.metadata) or _holds_free(field.annotation)


def _holds_free(annotation: Any) -> bool:
    if any(isinstance(mark, FreeText) for mark in getattr(annotation, "__metadata__", ())):
        return True
    return any(_holds_free(part) for part in get_args(annotation) if not isinstance(part, (str, FreeText)))
