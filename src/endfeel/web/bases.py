"""What each visit's figures stand on: kept once when it opens, and had again whenever it is looked at.

Public: Bases, Basis, Ground.

A visit keeps its basis for good: the edition with the clinic's own studies, the tables, the catalogue, the dependence
of findings and the costs. A new visit takes today's. Safety is always today's (visits/release.py).
"""

from __future__ import annotations

import datetime as dt
import json
import threading
from collections import OrderedDict
from collections.abc import Hashable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from types import MappingProxyType

from endfeel.belief.refusal import BeliefError
from endfeel.catalogue import CatalogueError
from endfeel.evidence import EvidenceBase, EvidenceError
from endfeel.evidence.overlay import Overlay, overlaid, overlay_json, read_overlay
from endfeel.planning.costs import CostError, Costs
from endfeel.pooling.edition import Edition, EditionError
from endfeel.pooling.edition_parts import edition_of_parts, edition_parts
from endfeel.storage import Store, StoreError
from endfeel.storage.basis_archive import (
    BasisArchive,
    BasisError,
    How,
    KeptBasis,
    Placed,
    Unplaced,
    basis_id_of,
)
from endfeel.visits.release import EDITION_IN_BASIS, IN_BASIS, Release, kept_release, under
from endfeel.web.clinic_chances import ChancesSet, ClinicChances
from endfeel.web.clinic_costs import ClinicCosts, with_values
from endfeel.web.clinic_evidence import ClinicEvidence, Standing

STUDIES = "clinic/own-studies.json"
COSTS = "clinic/costs.json"
CHANCES = "clinic/starting-chances.json"
_READ = 6  # bases held ready
_PLACED = 5000  # visits whose basis is remembered

_Chances = Mapping[str, ChancesSet]

CostsSet = Mapping[str, Mapping[str, float]]
"""The clinic's own figures by region and name; a region that it left as shipped is not in it."""


@dataclass(frozen=True)
class Basis:
    """What figures stand on, as values.

    kept: when it was kept first, and by which version. release: with today's safety. costs: by region, the clinic's
    figures in them. chances_set: the clinic's own starting chances by region.
    """

    id: str
    kept: KeptBasis
    release: Release
    evidence: EvidenceBase
    edition: Edition
    own: Overlay
    costs: Mapping[str, Costs]
    costs_set: CostsSet
    chances_set: Mapping[str, ChancesSet] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True)
class Ground:
    """What one visit stands on.

    basis: its own; None where nothing of it differs from today's, or where it can not be had. how: kept when the visit
    was opened, adopted later, or unknown. trouble: why its own can not be had, in one line; empty where it can.
    """

    how: How
    basis: Basis | None = None
    trouble: str = ""


@dataclass(frozen=True)
class _Now:
    """Today's contents, worked out once for each state of the clinic's studies and costs."""

    mark: Hashable
    basis_id: str
    edition: str
    contents: Mapping[str, bytes] = field(repr=False)


class Bases:
    """The bases of a store's visits. Safe to use from several threads."""

    def __init__(
        self,
        store: Store,
        release: Release,
        own: ClinicEvidence,
        own_costs: ClinicCosts,
        own_chances: ClinicChances,
        software: str,
    ) -> None:
        self._release, self._own, self._own_costs, self._software = release, own, own_costs, software
        self._own_chances = own_chances
        self._store, self.archive = store, BasisArchive(store)
        self._lock, self._reading, self._adopting = threading.RLock(), threading.RLock(), threading.RLock()
        self._now: _Now | None = None
        self._kept: set[str] = set()
        self._placed: OrderedDict[str, Placed] = OrderedDict()
        self._read: OrderedDict[str, Basis | str] = OrderedDict()

    def keep_today(self) -> str:
        """Keep what figures stand on now, if that was not done yet; its id. For a visit that is about to be opened."""
        now = self._today()
        if now.basis_id not in self._kept:
            self._keep(now.contents, now.edition)  # two at once do no harm: it is kept once
            self._kept.add(now.basis_id)
        return now.basis_id

    def of_visit(self, visit_id: str) -> Ground:
        """What a visit stands on. Never raises for a basis that is missing or damaged: that is said in `trouble`."""
        placed = self._place(visit_id)
        if placed.basis_id is None:
            return Ground("unknown", trouble="What this visit's figures stood on was not kept by the version of then.")
        if placed.basis_id == self._today().basis_id:
            return Ground(placed.how)
        found = self._basis(placed.basis_id)
        return Ground(placed.how, trouble=found) if isinstance(found, str) else Ground(placed.how, found)

    def adopt_earlier(self) -> int:
        """Give visits of earlier versions what they stand on, as far as it can be told; how many there were.

        It can be told where today's tables lead to the edition that the visit names: as shipped, or with the clinic's
        studies as they stood at some time. Costs are those that the clinic had set by then.
        """
        with self._adopting:
            return self._adopt(self.archive.unplaced())

    def _adopt(self, waiting: Sequence[Unplaced]) -> int:
        groups: dict[tuple[str, str], list[str]] = {}
        moments: dict[tuple[str, str], tuple[Standing | None, CostsSet, _Chances]] = {}
        for visit in waiting:
            costs, chances = self._own_costs.set_by(visit.opened_at), self._own_chances.set_by(visit.opened_at)
            key = (visit.edition, json.dumps([costs, chances], sort_keys=True))
            if key not in moments:
                moments[key] = (self._own.at(visit.edition) if visit.edition else None, costs, chances)
            groups.setdefault(key, []).append(visit.visit_id)
        for key, visits in groups.items():
            standing, costs, chances = moments[key]
            basis_id = None
            if standing is not None:
                contents = _contents(self._release, standing, costs, chances)
                basis_id = self._keep(contents, standing.edition.id)
            self.archive.adopt(visits, basis_id)
        return len(waiting)

    def _today(self) -> _Now:
        with self._lock:
            standing, costs, chances = self._own.now(), self._own_costs.set_now(), self._own_chances.set_now()
            mark = (standing.edition.id, standing.evidence.fingerprint, json.dumps([costs, chances], sort_keys=True))
            if self._now is None or self._now.mark != mark:
                contents = _contents(self._release, standing, costs, chances)
                self._now = _Now(mark, basis_id_of(contents), standing.edition.id, contents)
            return self._now

    def _keep(self, contents: Mapping[str, bytes], edition: str) -> str:
        moment = dt.datetime.now(dt.UTC)
        return self.archive.keep(contents, edition=edition, software=self._software, at=moment)

    def _place(self, visit_id: str) -> Placed:
        found = self._placed.get(visit_id) or self.archive.of_visit(visit_id)
        if found is None and self._store.line(visit_id) is not None:
            with suppress(StoreError):  # a store that can only be read is read all the same
                self.adopt_earlier()
            found = self.archive.of_visit(visit_id)
        if found is None:
            return Placed(None, "unknown")  # not even looked into; or there is no such visit
        with self._lock:
            self._placed[visit_id] = found
            while len(self._placed) > _PLACED:
                self._placed.popitem(last=False)
            return found

    def _basis(self, basis_id: str) -> Basis | str:
        """The basis, or why it can not be had."""
        with self._reading:
            found = self._read.get(basis_id)
            if found is None:
                found = self._read[basis_id] = self._had_again(basis_id)
                while len(self._read) > _READ:
                    self._read.popitem(last=False)
            self._read.move_to_end(basis_id)
            return found

    def _had_again(self, basis_id: str) -> Basis | str:
        try:
            contents, kept = self.archive.read(basis_id), self.archive.entry(basis_id)
            if kept is None:
                raise BasisError(f"basis {basis_id[:12]} is not in the store")
            return _basis(kept, contents, self._release)
        except BasisError as error:
            return f"What this visit's figures stood on can not be had: {error}."
        except (BeliefError, CatalogueError, CostError, EditionError, EvidenceError, OSError, ValueError) as error:
            line = " ".join(str(error).split())[:300]
            return f"This version can not read what this visit's figures stood on ({line})."


def _contents(release: Release, standing: Standing, costs: CostsSet, chances: _Chances) -> dict[str, bytes]:
    contents = {IN_BASIS + name: content for name, content in release.files.items()}
    contents |= {EDITION_IN_BASIS + name: content for name, content in edition_parts(standing.edition).items()}
    if not standing.overlay.empty:
        contents[STUDIES] = json.dumps(overlay_json(standing.overlay), sort_keys=True).encode()
    if costs:
        contents[COSTS] = json.dumps(costs, sort_keys=True).encode()
    if chances:
        contents[CHANCES] = json.dumps(chances, sort_keys=True).encode()
    return contents


def _basis(kept: KeptBasis, contents: Mapping[str, bytes], today: Release) -> Basis:
    edition = edition_of_parts(under(contents, EDITION_IN_BASIS))
    release = kept_release(under(contents, IN_BASIS), edition, today)
    own = read_overlay(json.loads(contents[STUDIES])) if STUDIES in contents else Overlay()
    held: CostsSet = json.loads(contents[COSTS]) if COSTS in contents else {}
    costs = {
        region: with_values(shipped, held[region]) if region in held else shipped
        for region, shipped in release.costs.items()
    }
    evidence = overlaid(release.evidence, own, kept=True)
    chances: _Chances = json.loads(contents[CHANCES]) if CHANCES in contents else {}
    return Basis(kept.basis_id, kept, release, evidence, edition, own, MappingProxyType(costs), held, chances)
