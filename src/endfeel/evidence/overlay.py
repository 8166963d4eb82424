"""A clinic's own studies over the shipped tables: rows of its own, and studies that it has retired.

An Overlay is a value; `overlaid` lays it over an EvidenceBase and gives a new one. The rows are those of the tables
(rows.py) and go through the same checks: counts against printed rates, plausibility, references, doubles. Two more
hold here, since a clinic reads one paper at a time: a paper that stands in the tables already is not added under
another id, and a condition has to be one that the region knows.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

from pydantic import ValidationError

from endfeel.evidence.base import EvidenceBase
from endfeel.evidence.coherence import incoherent
from endfeel.evidence.faults import EvidenceError, Fault
from endfeel.evidence.rows import AccuracyRow, CombinationRow, PrevalenceRow, RatesRow, Row, StudyRow

Pair = tuple[str, str]
Reading = AccuracyRow | RatesRow


@dataclass(frozen=True)
class OwnStudy:
    """One study as a clinic entered it: its description and its lines.

    study: None where the lines belong to a study that the shipped tables describe.
    """

    study_id: str
    study: StudyRow | None
    accuracy: tuple[AccuracyRow, ...] = ()
    rates: tuple[RatesRow, ...] = ()

    def __post_init__(self) -> None:
        strange = {r.study_id for r in (*self.readings, *([self.study] if self.study else []))} - {self.study_id}
        if strange:
            raise ValueError(f"study {self.study_id} holds rows of {', '.join(sorted(strange))}")

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Its accuracy and rates lines."""
        return (*self.accuracy, *self.rates)


@dataclass(frozen=True)
class Overlay:
    """own: a clinic's studies by id, in the order in which they were added. retired: id -> why it is not used.

    Shipped and own studies can be retired; the rows stay, they only do not count.
    """

    own: Mapping[str, OwnStudy] = field(default_factory=lambda: MappingProxyType({}))
    retired: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def empty(self) -> bool:
        """Whether nothing would change."""
        return not self.own and not self.retired

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the content; what was only described differently in the history has the same one."""
        return hashlib.sha256(json.dumps(overlay_json(self), sort_keys=True).encode()).hexdigest()

    def with_study(self, study: OwnStudy) -> Overlay:
        """With a study added, or put in place of the clinic's earlier version of it."""
        return replace(self, own=MappingProxyType({**self.own, study.study_id: study}))

    def without_study(self, study_id: str) -> Overlay:
        """With one of the clinic's own studies taken out altogether."""
        own = {k: v for k, v in self.own.items() if k != study_id}
        retired = {k: v for k, v in self.retired.items() if k != study_id or k not in self.own}
        return Overlay(MappingProxyType(own), MappingProxyType(retired))

    def with_retired(self, study_id: str, why: str) -> Overlay:
        """With a study no longer used, for a stated reason. ValueError where no reason is given."""
        if not why.strip():
            raise ValueError(f"study {study_id}: say why it is no longer used")
        return replace(self, retired=MappingProxyType({**self.retired, study_id: why.strip()}))

    def with_restored(self, study_id: str) -> Overlay:
        """With a retired study in use again."""
        return replace(self, retired=MappingProxyType({k: v for k, v in self.retired.items() if k != study_id}))


def overlaid(
    base: EvidenceBase,
    overlay: Overlay,
    conditions: Mapping[str, frozenset[str]] | None = None,
    *,
    kept: bool = False,
) -> EvidenceBase:
    """The evidence with the clinic's studies in and the retired ones out; `base` itself where the overlay is empty.

    conditions: the condition ids of each region; those of the tables where left out. kept: both are of an earlier time
    and passed the checks then. Raises EvidenceError with every fault of the studies in use; nothing is laid over half.
    """
    if overlay.empty:
        return base
    faults = [] if kept else _faults(base, overlay, conditions or conditions_of(base))
    if faults:
        raise EvidenceError(tuple(faults))
    own = [_numbered(s) for s in overlay.own.values() if s.study_id not in overlay.retired]
    gone = overlay.retired.keys()
    studies = {**base.studies, **{s.study_id: s.study for s in own if s.study is not None}}
    return EvidenceBase(
        studies=MappingProxyType(studies),
        accuracy=(*(r for r in base.accuracy if r.study_id not in gone), *(r for s in own for r in s.accuracy)),
        rates=(*(r for r in base.rates if r.study_id not in gone), *(r for s in own for r in s.rates)),
        findings=base.findings,
        prevalence=base.prevalence,
        combinations=base.combinations,
        fingerprint=hashlib.sha256(f"{base.fingerprint}\0{overlay.fingerprint}".encode()).hexdigest(),
    )


def conditions_of(base: EvidenceBase) -> Mapping[str, frozenset[str]]:
    """The condition ids that each region's tables name."""
    found: dict[str, set[str]] = {}
    rows: list[AccuracyRow | RatesRow | PrevalenceRow | CombinationRow]
    rows = [*base.accuracy, *base.rates, *base.prevalence, *base.combinations]
    for row in rows:
        found.setdefault(row.region, set()).add(row.condition_id)
    return MappingProxyType({region: frozenset(ids) for region, ids in found.items()})


def moved_pairs(base: EvidenceBase, other: EvidenceBase) -> tuple[Pair, ...]:
    """The (observable, condition) pairs whose lines differ between two states of the evidence, in table order.

    A pair also counts as moved where a study behind it is described anew.
    """
    before, after = _by_pair(base), _by_pair(other)
    described = {s for s in {**base.studies, **other.studies} if base.studies.get(s) != other.studies.get(s)}
    found = []
    for pair in {**before, **after}:
        old, new = before.get(pair, ()), after.get(pair, ())
        if old != new or any(r.study_id in described for r in new):
            found.append(pair)
    return tuple(found)


def doubtful(base: EvidenceBase, study: OwnStudy) -> tuple[str, ...]:
    """What is no fault but worth a second look before a study is kept, one line each."""
    found = []
    for row in study.accuracy:
        cells = (row.tp, row.fp, row.fn, row.tn)
        for other in base.accuracy_of(row.observable_id, row.condition_id):
            if other.study_id != row.study_id and (other.tp, other.fp, other.fn, other.tn) == cells:
                found.append(f"{row.observable_id}: {other.study_id} has the same four counts; is it the same cohort?")
        if row.tp * row.tn < row.fp * row.fn:
            what = f"a positive result is commoner without {row.condition_id}; are the columns swapped?"
            found.append(f"{row.observable_id}: {what}")
    return tuple(dict.fromkeys(found))


def overlay_json(overlay: Overlay) -> dict[str, Any]:
    """The overlay as JSON can hold it."""
    return {
        "own": [own_json(study) for study in overlay.own.values()],
        "retired": dict(sorted(overlay.retired.items())),
    }


def read_overlay(held: Mapping[str, Any]) -> Overlay:
    """An overlay from its JSON; EvidenceError with one line where it is none."""
    try:
        own = tuple(read_own(item) for item in held["own"])
        retired = {str(study): str(why) for study, why in held["retired"].items()}
    except (KeyError, TypeError, AttributeError) as error:
        fault = Fault(OWN, 0, "", f"kept studies can not be read ({error})", "restore a backup")
        raise EvidenceError((fault,)) from None
    return Overlay(MappingProxyType({s.study_id: s for s in own}), MappingProxyType(retired))


def own_json(study: OwnStudy) -> dict[str, Any]:
    """One study as JSON can hold it; which line of a file a row came from is not kept."""
    return {
        "study_id": study.study_id,
        "study": _row_json(study.study) if study.study else None,
        "accuracy": [_row_json(row) for row in study.accuracy],
        "rates": [_row_json(row) for row in study.rates],
    }


def read_own(held: Mapping[str, Any]) -> OwnStudy:
    """One study from its JSON; EvidenceError with one line where it is none."""
    try:
        return OwnStudy(
            study_id=held["study_id"],
            study=StudyRow.model_validate(held["study"]) if held["study"] is not None else None,
            accuracy=tuple(AccuracyRow.model_validate(row) for row in held["accuracy"]),
            rates=tuple(RatesRow.model_validate(row) for row in held["rates"]),
        )
    except (KeyError, TypeError, ValueError, ValidationError) as error:
        what = " ".join(str(error).split())[:200]
        fault = Fault(OWN, 0, "", f"a kept study can not be read ({what})", "restore a backup")
        raise EvidenceError((fault,)) from None


OWN = "own studies"


def _numbered(study: OwnStudy) -> OwnStudy:
    """With its lines counted from 1, wherever they were typed or read: figures must not hang on that."""
    rows = [row.model_copy(update={"line": n}) for n, row in enumerate(study.readings, 1)]
    return OwnStudy(
        study.study_id,
        study.study.model_copy(update={"line": 0}) if study.study else None,
        tuple(row for row in rows if isinstance(row, AccuracyRow)),
        tuple(row for row in rows if isinstance(row, RatesRow)),
    )


def _row_json(row: Row) -> dict[str, Any]:
    return row.model_dump(mode="json", exclude={"line"})


def _by_pair(evidence: EvidenceBase) -> dict[Pair, tuple[Reading, ...]]:
    found: dict[Pair, list[Reading]] = {}
    rows: list[Reading] = [*evidence.accuracy, *evidence.rates]
    for row in rows:
        found.setdefault((row.observable_id, row.condition_id), []).append(row)
    return {pair: tuple(rows) for pair, rows in found.items()}


def _faults(base: EvidenceBase, overlay: Overlay, conditions: Mapping[str, frozenset[str]]) -> list[Fault]:
    own = tuple(s for s in overlay.own.values() if s.study_id not in overlay.retired)
    described = [s.study for s in own if s.study is not None]
    found = incoherent(
        (*base.studies.values(), *described),
        tuple(base.findings.values()),
        (*base.accuracy, *(r for s in own for r in s.accuracy)),
        (*base.rates, *(r for s in own for r in s.rates)),
    )
    # The shipped tables passed these checks when they were loaded: what is found now lies in the clinic's own rows.
    faults = [replace(fault, file=f"{OWN}, {fault.file}") for fault in found]
    papers = [s for s in (*base.studies.values(), *described) if s.study_id not in overlay.retired]
    for study in own:
        faults += _study_faults(papers, study)
        for row in study.readings:
            if row.condition_id not in conditions.get(row.region, frozenset()):
                what = f"{row.condition_id} is no condition of {row.region}"
                faults.append(Fault(OWN, row.line, "condition_id", what, "choose one of the region's conditions"))
    known = {*base.studies, *(r.study_id for r in base.rates), *(r.study_id for r in base.accuracy), *overlay.own}
    for study_id in overlay.retired:
        if study_id not in known:
            faults.append(Fault(OWN, 0, "study_id", f"there is no study {study_id} to retire", "mend the id"))
    return faults


def _study_faults(papers: list[StudyRow], own: OwnStudy) -> list[Fault]:
    faults = []
    if not own.readings:
        what = f"study {own.study_id} has no line"
        faults.append(Fault(OWN, 0, "", what, "add what it found: one line per finding and condition"))
    row = own.study
    if row is None:
        return faults
    for other in papers:
        for name, mine, theirs in (("pmid", row.pmid, other.pmid), ("doi", _plain(row.doi), _plain(other.doi))):
            if mine and mine == theirs and other.study_id != row.study_id:
                what = f"this paper stands there already, as {other.study_id}"
                faults.append(Fault(OWN, row.line, name, what, "add the line to that study, or retire it first"))
                break
    return faults


def _plain(doi: str | None) -> str:
    return (doi or "").strip().lower()
