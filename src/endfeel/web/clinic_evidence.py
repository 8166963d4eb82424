"""The evidence as this clinic uses it: the shipped tables and edition with the clinic's own studies over them.

Public: ClinicEvidence, Standing.

What the clinic changed is kept as a history under one setting of the store; everything here follows from it. A visit
keeps the edition that it began with, so an earlier state can be had again by the id of its edition.
"""

from __future__ import annotations

import datetime as dt
import re
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from endfeel.catalogue import Catalogue
from endfeel.evidence import EvidenceBase, EvidenceError
from endfeel.evidence.overlay import Overlay, OwnStudy, overlaid
from endfeel.evidence.own_log import Act, OwnLog, log_json, read_log
from endfeel.pooling.edition import Edition
from endfeel.pooling.own import OwnEdition, OwnEditions
from endfeel.storage import SettingChanged, Store
from endfeel.web.refused import Refused

KEY = "own-studies"
LOOK_AGAIN = 1.0
"""Seconds after which another program's change to the store is noticed."""


@dataclass(frozen=True)
class Standing:
    """The evidence at one moment.

    log: the history up to then. overlay: what of it is used. pooled: the edition with the clinic's studies. unused: own
    studies that do not fit the shipped tables any more, with why. trouble: what of the clinic's is not used and why, in
    one line; empty where all is well.
    """

    log: OwnLog
    overlay: Overlay
    pooled: OwnEdition
    trouble: str = ""
    unused: frozenset[str] = frozenset()

    @property
    def wanted(self) -> Overlay:
        """What the history adds up to, with what of it does not fit any more."""
        return self.log.overlay()

    @property
    def evidence(self) -> EvidenceBase:
        """The tables with the clinic's studies."""
        return self.pooled.evidence

    @property
    def edition(self) -> Edition:
        """The edition with the clinic's studies."""
        return self.pooled.edition


@dataclass(frozen=True)
class Wanted:
    """One change that somebody asks for."""

    act: Act
    study_id: str
    study: OwnStudy | None = None
    why: str = ""


class ClinicEvidence:
    """The clinic's evidence over a store. Safe to use from several threads."""

    def __init__(self, store: Store, base: EvidenceBase, edition: Edition, catalogue: Catalogue) -> None:
        self._store = store
        self._catalogue = catalogue
        self._editions = OwnEditions(edition, base)
        self._lock = threading.RLock()
        self._now: Standing | None = None
        self._mark: object = None
        self._held: object = None
        self._looked = 0.0
        self._earlier: dict[str, Standing | None] = {}
        self._conditions: Mapping[str, frozenset[str]] = {
            name: frozenset(c.id for c in region.conditions.values() if not c.none)
            for name, region in catalogue.regions.items()
        }

    @property
    def base(self) -> EvidenceBase:
        """The shipped tables."""
        return self._editions.base

    @property
    def shipped(self) -> Edition:
        """The shipped edition."""
        return self._editions.edition

    def now(self) -> Standing:
        """The evidence as it stands."""
        known = self._now
        if known is not None and time.monotonic() - self._looked < LOOK_AGAIN:
            return known
        with self._lock:
            held = self._store.setting(KEY)
            changes = held.get("changes", ()) if isinstance(held, dict) else ()
            mark = (len(changes), changes[-1] if changes else None)
            if self._now is None or mark != self._mark:
                self._now, self._mark = self._read(held), mark
            self._held = held
            self._looked = time.monotonic()
            return self._now

    def at(self, edition: str) -> Standing | None:
        """The evidence whose edition has this id; None where neither the shipped edition nor the history led to it."""
        now = self.now()
        if edition == now.edition.id:
            return now
        if edition == self.shipped.id:
            return Standing(OwnLog(), Overlay(), self._editions.of(self.base, ""))
        number = now.log.number_of_edition(edition)
        if number is None:
            return None
        if edition not in self._earlier:
            self._earlier[edition] = self._again(OwnLog(now.log.changes[:number]), edition)
        return self._earlier[edition]

    def before(self, number: int) -> Standing:
        """The evidence before the change of this number."""
        log = OwnLog(self.now().log.changes[: number - 1])
        return self._standing(log) if log.number else Standing(log, Overlay(), self._editions.of(self.base, ""))

    def after(self, number: int) -> Standing:
        """The evidence after the change of this number."""
        return self._standing(OwnLog(self.now().log.changes[:number]))

    def change(
        self, wanted: Sequence[Wanted], by: str, seen: int | None = None, at: dt.datetime | None = None
    ) -> Standing:
        """Make changes, all or none, and keep them. Refused with one line where they can not be made.

        seen: how many changes there were when the form was filled in; Refused(409) where others were made since.
        """
        with self._lock:
            self._looked = 0.0
            log = self.now().log
            if seen is not None and seen != log.number:
                raise Refused(409, "The studies were changed meanwhile; load the page again and repeat it.")
            standing = self.imagined(wanted, by, at)
            log = standing.log.with_edition(standing.edition.id)
            try:
                self._store.change_setting(KEY, self._held, log_json(log))
            except SettingChanged:
                raise Refused(
                    409, "The studies were changed meanwhile, perhaps by another server; load the page and repeat it."
                ) from None
            finally:
                self._looked = 0.0
            return self.now()

    def imagined(self, wanted: Sequence[Wanted], by: str = "", at: dt.datetime | None = None) -> Standing:
        """The evidence as it would stand after these changes; nothing is kept. Refused with one line."""
        log = self.now().log
        moment = at or dt.datetime.now(dt.UTC)
        try:
            for one in wanted:
                self._check_names(one.study)
                log = log.with_change(moment, by, one.act, one.study_id, one.study, one.why)
            unused = self.now().unused
            if not unused:
                return self._standing(log)
            # Studies that were out of use before need not be mended for another change to be made.
            standing = self._fitting(log)
            if standing.unused - unused or standing.unused & {one.study_id for one in wanted}:
                return self._standing(log)
            return standing
        except EvidenceError as error:
            raise Refused(400, _line(error)) from None
        except ValueError as error:
            raise Refused(400, f"Not kept: {error}.") from None

    def _standing(self, log: OwnLog) -> Standing:
        overlay = log.overlay()
        evidence = overlaid(self.base, overlay, self._conditions)
        return Standing(log, overlay, self._editions.of(evidence, overlay.fingerprint))

    def _read(self, held: object) -> Standing:
        """What is kept; where some of it does not fit the shipped tables any more, the rest, and what is left out."""
        log = OwnLog()
        try:
            log = read_log(held if isinstance(held, dict) else None)
            return self._standing(log)
        except ValueError as error:
            if log.number:
                return self._fitting(log)
            said = _line(error) if isinstance(error, EvidenceError) else f"{error}"
            shipped = self._editions.of(self.base, "")
            return Standing(log, Overlay(), shipped, f"Your own studies are not used: {said}")

    def _fitting(self, log: OwnLog) -> Standing:
        """What of a history fits the shipped tables: each study is tried by itself on top of those before it."""
        wanted = log.overlay()
        used, unused, said = Overlay(), set(), []
        known = {*self.base.studies, *(r.study_id for r in self.base.rates)}
        for study_id, why in wanted.retired.items():
            if study_id in known:
                used = used.with_retired(study_id, why)
        for study in wanted.own.values():
            tried = used.with_study(study)
            if study.study_id in wanted.retired:
                used = tried.with_retired(study.study_id, wanted.retired[study.study_id])
                continue
            try:
                self._editions.of(overlaid(self.base, tried, self._conditions), "tried")
                used = tried
            except EvidenceError as error:
                unused.add(study.study_id)
                said.append(f"{study.study_id} ({error.faults[0]!s})")
            except ValueError as error:
                unused.add(study.study_id)
                said.append(f"{study.study_id} ({error})")
        evidence = overlaid(self.base, used, self._conditions)
        trouble = f"Not used, since they do not fit the tables any more: {'; '.join(said)}." if said else ""
        return Standing(log, used, self._editions.of(evidence, used.fingerprint), trouble, frozenset(unused))

    def _again(self, log: OwnLog, edition: str) -> Standing | None:
        try:
            standing = self._standing(log)
        except ValueError:
            return None
        return standing if standing.edition.id == edition else None

    def _check_names(self, study: OwnStudy | None) -> None:
        """Readings are those of the catalogue, or the pages could not name them."""
        if study is not None and not re.fullmatch(r"[A-Za-z0-9._()<>:;,+-]{3,200}", study.study_id):
            raise Refused(
                400, f"“{study.study_id[:80]}” is no id; write the DOI in it with _ for each / and no blanks."
            )
        for row in study.readings if study else ():
            region = self._catalogue.regions.get(row.region)
            if region is None:
                there = ", ".join(self._catalogue.regions)
                raise Refused(400, f"There is no region “{row.region[:40]}”; there are {there}.")
            finding = region.findings.get(row.finding_id)
            if finding is None:
                what = f"There is no finding “{row.finding_id[:60]}” in {row.region}"
                raise Refused(400, f"{what}; choose one from the list.")
            known = (row.finding_id, *finding.observables())
            if row.observable_id not in known:
                raise Refused(
                    400, f"“{row.observable_id[:80]}” is no reading of {row.finding_id}; there are {', '.join(known)}."
                )


def _line(error: EvidenceError) -> str:
    more = len(error.faults) - 1
    return f"{error.faults[0]}" + (f" (and {more} more)" if more else "") + "."
