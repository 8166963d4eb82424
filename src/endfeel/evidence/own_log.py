"""The history of a clinic's own studies: who changed what and when, kept whole; the overlay is what it adds up to.

A log is only ever lengthened. Every change says what stood before and what stands after, so that any earlier state
can be had again.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

from endfeel.evidence.faults import EvidenceError, Fault
from endfeel.evidence.overlay import OWN, Overlay, OwnStudy, own_json, read_own

Act = Literal["add", "edit", "retire", "restore"]


@dataclass(frozen=True)
class Change:
    """One change. at: aware time. study: what stands after an add or edit; before: what stood before an edit.

    why: in the words of who did it. edition: id of the pooled figures after it, empty until they are worked out.
    """

    number: int
    at: dt.datetime
    by: str
    act: Act
    study_id: str
    study: OwnStudy | None = None
    before: OwnStudy | None = None
    why: str = ""
    edition: str = ""


@dataclass(frozen=True)
class OwnLog:
    """All changes, the earliest first."""

    changes: tuple[Change, ...] = ()

    @property
    def number(self) -> int:
        """How many changes there are; the number of the last one."""
        return len(self.changes)

    def overlay(self, until: int | None = None) -> Overlay:
        """What the first `until` changes add up to (all where left out)."""
        found = Overlay()
        for change in self.changes[:until]:
            if change.act == "retire":
                found = found.with_retired(change.study_id, change.why)
            elif change.act == "restore":
                found = found.with_restored(change.study_id)
            elif change.study is not None:
                found = found.with_study(change.study)
        return found

    def with_change(
        self, at: dt.datetime, by: str, act: Act, study_id: str, study: OwnStudy | None = None, why: str = ""
    ) -> OwnLog:
        """One change longer. EvidenceError with one line where the change can not be made of what stands."""
        now = self.overlay()
        before = now.own.get(study_id)
        if act == "add" and before is not None:
            raise _refused(f"study {study_id} is already among your own", "edit it instead")
        if act == "edit" and before is None:
            raise _refused(f"study {study_id} is none of your own", "add it instead")
        if act == "restore" and study_id not in now.retired:
            raise _refused(f"study {study_id} is not retired", "nothing needs to be done")
        if act == "retire" and study_id in now.retired:
            raise _refused(f"study {study_id} is retired already", "nothing needs to be done")
        if act == "retire" and not why.strip():
            raise _refused(f"no reason to retire {study_id}", "say why it is no longer used")
        if act in ("add", "edit") and (study is None or study.study_id != study_id):
            raise _refused(f"study {study_id} came without its rows", "fill in the form and send it again")
        change = Change(self.number + 1, at, by, act, study_id, study, before, why.strip())
        return OwnLog((*self.changes, change))

    def with_edition(self, edition: str) -> OwnLog:
        """With the edition that the last change led to."""
        return OwnLog((*self.changes[:-1], replace(self.changes[-1], edition=edition))) if self.changes else self

    def number_of_edition(self, edition: str) -> int | None:
        """The number of the last change that led to an edition; None where none did."""
        return next((c.number for c in reversed(self.changes) if c.edition == edition), None)


def log_json(log: OwnLog) -> dict[str, Any]:
    """The log as JSON can hold it."""
    return {
        "format": 1,
        "changes": [
            {
                "number": c.number,
                "at": c.at.isoformat(),
                "by": c.by,
                "act": c.act,
                "study_id": c.study_id,
                "study": own_json(c.study) if c.study else None,
                "before": own_json(c.before) if c.before else None,
                "why": c.why,
                "edition": c.edition,
            }
            for c in log.changes
        ],
    }


def read_log(held: Mapping[str, Any] | None) -> OwnLog:
    """A log from its JSON; an empty one for None. EvidenceError with one line where it is none."""
    if held is None:
        return OwnLog()
    try:
        return OwnLog(tuple(_change(item) for item in held["changes"]))
    except EvidenceError:
        raise
    except (KeyError, TypeError, ValueError) as error:
        raise _refused(f"the kept history can not be read ({error})", "restore a backup") from None


def _change(item: Mapping[str, Any]) -> Change:
    if item["act"] not in get_args(Act):
        raise ValueError(f"no act {item['act']!r}")
    return Change(
        number=int(item["number"]),
        at=dt.datetime.fromisoformat(item["at"]),
        by=str(item["by"]),
        act=item["act"],
        study_id=str(item["study_id"]),
        study=read_own(item["study"]) if item["study"] else None,
        before=read_own(item["before"]) if item["before"] else None,
        why=str(item["why"]),
        edition=str(item["edition"]),
    )


def _refused(what: str, mend: str) -> EvidenceError:
    return EvidenceError((Fault(OWN, 0, "", what, mend),))
