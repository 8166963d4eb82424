"""What the pages work with: the store, the evidence, and per problem its belief and plan, worked out once per event.

Public: Desk.

A desk is today's, or stands `on` the basis of one visit: then evidence, edition, catalogue and costs are those that the
visit was opened with (bases.py), and safety alone is today's. Pages under a visit's path get the visit's own.

The only state is the store. States, beliefs and plans are values computed from a visit's events; they are kept here
for as long as they are wanted and can be thrown away at any time.
"""

from __future__ import annotations

import copy
import datetime as dt
import re
from collections.abc import Callable, Hashable, Mapping
from dataclasses import replace
from typing import Literal

from endfeel import __version__
from endfeel.belief.context import Context
from endfeel.belief.dependence import Dependence
from endfeel.belief.explain import Explanation, explain
from endfeel.belief.infer import Belief, believe, record, withdraw
from endfeel.belief.model import RegionModel, compile_region
from endfeel.catalogue import Catalogue
from endfeel.evidence.base import EvidenceBase
from endfeel.evidence.rows import FindingRow
from endfeel.planning.costs import Costs
from endfeel.planning.decide import Decision
from endfeel.planning.effort import manoeuvres_done, provocation_spent
from endfeel.planning.plan import Plan, decision_now, plan
from endfeel.planning.situation import Situation
from endfeel.planning.withhold import withheld
from endfeel.pooling.edition import Edition
from endfeel.pooling.summary import PooledAccuracy, pool
from endfeel.posture import DrawingError, draw, parse_drawing
from endfeel.storage import Store, StoreError
from endfeel.storage.audit import AuditTrail
from endfeel.storage.people import People
from endfeel.visits.events import Event, FindingRecorded, Result, StoredEvent
from endfeel.visits.irritability import Judged, irritability_of
from endfeel.visits.problem import ProblemState, Recorded
from endfeel.visits.release import shipped_release
from endfeel.visits.safety import ScreenView, chances_withheld, screen_views
from endfeel.visits.situation import context_of, situation_of
from endfeel.visits.state import VisitState, replay
from endfeel.web.bases import Bases, Basis
from endfeel.web.clinic_chances import ChancesSet, ClinicChances, own_chances
from endfeel.web.clinic_costs import ClinicCosts
from endfeel.web.clinic_evidence import ClinicEvidence, Standing
from endfeel.web.forms import Sent
from endfeel.web.kept import Kept
from endfeel.web.refused import Refused
from endfeel.web.settings import Settings

# With this many minutes left or more, time does not limit a plan that looks three findings ahead.
AMPLE_MINUTES = 15


class Desk:
    """An open store and the evidence beside it. Safe to use from several threads."""

    def __init__(self, settings: Settings) -> None:
        """Open the store (made where there is none); StoreError, EvidenceError, CatalogueError with one line."""
        self.settings = settings
        settings.data_dir.mkdir(parents=True, exist_ok=True)
        self.store = Store(settings.url)
        self.people = People(self.store)
        self.trail = AuditTrail(settings.url)
        self.release = settings.release or shipped_release()
        self.own = ClinicEvidence(self.store, self.release.evidence, self.release.edition, self.release.catalogue)
        self.own_costs = ClinicCosts(self.store, self.release.catalogue, self.release.costs)
        self.own_chances = ClinicChances(self.store, self.release.catalogue)
        self.bases = Bases(self.store, self.release, self.own, self.own_costs, self.own_chances, self.software)
        self.kept = Kept()
        self.basis: Basis | None = None
        self._today = self

    def on(self, visit_id: str) -> Desk:
        """The desk of a visit: on the visit's own basis where that differs from today's and can be had. StoreError."""
        basis = self.bases.of_visit(visit_id).basis
        if basis is None:
            return self._today
        found = copy.copy(self._today)
        found.basis = basis
        return found

    def today(self) -> Desk:
        """The desk on today's figures."""
        return self._today

    @property
    def catalogue(self) -> Catalogue:
        """The catalogue; of an earlier visit its own, with today's safety."""
        return self.basis.release.catalogue if self.basis else self.release.catalogue

    @property
    def evidence(self) -> EvidenceBase:
        """The tables, with the clinic's own studies."""
        return self.basis.evidence if self.basis else self.own.now().evidence

    @property
    def edition(self) -> Edition:
        """The pooled evidence, with the clinic's own studies."""
        return self.basis.edition if self.basis else self.own.now().edition

    @property
    def software(self) -> str:
        """Name and version of this program."""
        return f"endfeel {__version__}"

    def close(self) -> None:
        """Let go of the store."""
        self.kept.close()
        self.trail.close()
        self.store.close()

    # the record

    def visit(self, visit_id: str) -> VisitState:
        """The visit as it stands; Refused(404) where there is none."""
        try:
            events = self.store.events(visit_id)
        except StoreError as error:
            if error.kind == "no-such-visit":
                raise Refused(404, f"There is no visit {visit_id[:60]}; look for it in the list of visits.") from None
            raise
        return self.kept.once(("state", visit_id, events[-1].seq), lambda: replay(events))

    def problem(self, state: VisitState, problem_id: str) -> ProblemState:
        """One problem of a visit; Refused(404) where the visit has no such problem."""
        found = state.problems.get(problem_id)
        if found is None:
            raise Refused(
                404, f"This visit has no problem {problem_id[:60]}; its first page lists the problems it has."
            )
        return found

    def keep(
        self, visit_id: str, sent: Sent, event: Callable[[VisitState], Event | None], part: str = ""
    ) -> VisitState:
        """Store what was sent, once, and return the visit as it then stands.

        ``event`` makes the event from the visit as it stood; None stores nothing. A client id that this visit already
        holds was stored before (the answer got lost on its way), so nothing is made of it again. ``part`` tells several
        events of one post apart.
        """
        state = self.visit(visit_id)
        client_id = f"{sent.client_id}.{part}"[:120] if part else sent.client_id
        if client_id in self.client_ids(visit_id):
            return state
        made = event(state)
        if made is None:
            return state
        self.store.append(visit_id, made, sent.actor, client_id, sent.at)
        return self.visit(visit_id)

    def client_ids(self, visit_id: str) -> frozenset[str]:
        """Ids of everything that this visit holds."""
        return frozenset(stored.client_id for stored in self.store.events(visit_id))

    def stored(self, visit_id: str, seq: int) -> StoredEvent:
        """One event of a visit; Refused(404) where there is none of that number."""
        events = self.store.events(visit_id)
        if not 1 <= seq <= len(events):
            raise Refused(404, f"This visit has no entry number {seq}.")
        return events[seq - 1]

    # the person and the time

    def irritability(self, problem: ProblemState, now: dt.datetime) -> Judged:
        """Low, moderate or high, and why."""
        return irritability_of(problem, now.date())

    def screens(self, state: VisitState, problem: ProblemState, now: dt.datetime) -> tuple[ScreenView, ...]:
        """The safety screens of a problem as they stand."""
        key = ("screens", self._of_basis, state.visit_id, state.seq, problem.problem_id, now.date())
        return self.kept.once(key, lambda: screen_views(problem, self.catalogue, now))

    def minutes_left(self, problem: ProblemState, now: dt.datetime) -> float | None:
        """Minutes of the planned time that are left; None where none was planned."""
        if problem.context.minutes is None or problem.minutes_set_at is None:
            return None
        return problem.context.minutes - (now - problem.minutes_set_at).total_seconds() / 60

    # what it could be and what comes next

    def model(self, problem: ProblemState, now: dt.datetime) -> RegionModel | None:
        """The model of one problem; None under 16, since the studies are of adults."""
        if chances_withheld(problem, now.date()) is not None:
            return None
        context = self.with_clinic(context_of(problem, now.date()))
        if self.basis is None:
            return self.model_with(self.own.now(), context)
        return self._compiled(self.basis.evidence, self.basis.edition, self.basis.release.dependence, context)

    def model_with(self, standing: Standing, context: Context) -> RegionModel:
        """The model of a context with today's tables and the clinic's studies of one moment."""
        return self._compiled(standing.evidence, standing.edition, self.release.dependence, context)

    def _compiled(
        self, evidence: EvidenceBase, edition: Edition, dependence: Dependence, context: Context
    ) -> RegionModel:
        return self.kept.once(
            ("model", self._of_basis, edition.id, *_context_key(context)),
            lambda: compile_region(evidence, edition, self.catalogue, context, dependence=dependence),
        )

    @property
    def _of_basis(self) -> str:
        """Tells what was worked out on one basis from what was on another; empty for today's."""
        return self.basis.id if self.basis else ""

    def _model_key(self, model: RegionModel) -> tuple[Hashable, ...]:
        return (self._of_basis, model.edition, *_context_key(model.context))

    def costs_mark(self, region: str) -> Hashable:
        """Two moments with the same mark have the same costs."""
        return self.basis.id if self.basis else self.own_costs.number(region)

    def clinic_set(self, region: str) -> bool:
        """Whether the costs of a region are, in part, the clinic's own."""
        return region in self.basis.costs_set if self.basis else bool(self.own_costs.number(region))

    def chances_set(self, region: str) -> ChancesSet:
        """The clinic's own starting chances of a region; of an earlier visit, as they were set then."""
        return self.basis.chances_set.get(region, {}) if self.basis else self.own_chances.of(region)

    def with_clinic(self, context: Context) -> Context:
        """A context with the clinic's own starting chances for such a person in it."""
        held = self.chances_set(context.region)
        return replace(context, clinic=own_chances(held, context.setting, context.onset, context.age))

    def belief(self, problem: ProblemState, model: RegionModel) -> Belief:
        """The belief after all that stands recorded."""
        return self.believed(model, {o: r for o, r in problem.results().items() if o in model.place})

    def believed(self, model: RegionModel, results: Mapping[str, str]) -> Belief:
        """The belief after given results, from the last belief where few results differ."""
        key = ("belief", self._model_key(model), tuple(results.items()))
        return self.kept.once(key, lambda: self._nearest(model, results))

    def explained(self, model: RegionModel, belief: Belief) -> Explanation:
        """What each finding moved, what was discounted, what sits badly together."""
        return self.kept.once(("explained", self._model_key(model), belief.recorded), lambda: explain(model, belief))

    def decision(self, problem: ProblemState, model: RegionModel, belief: Belief) -> Decision:
        """The cheapest actions for a belief."""
        return self.kept.once(
            ("decision", self._model_key(model), belief.recorded, self.costs_mark(problem.region)),
            lambda: decision_now(model, belief, self.catalogue.region(problem.region), self.costs(problem.region)),
        )

    def _nearest(self, model: RegionModel, wanted: Mapping[str, str]) -> Belief:
        last_key = ("last belief", self._model_key(model))
        last: Belief | None = self.kept.known(last_key)
        if last is None or len(_differing(last.results, wanted)) > 3:
            found = believe(model, wanted)  # type: ignore[arg-type]
        else:
            found = last
            for observable in _differing(last.results, wanted):
                if observable in wanted:
                    found = record(model, found, observable, wanted[observable])  # type: ignore[arg-type]
                else:
                    found = withdraw(model, found, observable)
        self.kept.put(last_key, found)
        return found

    def costs(self, region: str) -> Costs:
        """The cost table of a region, as the clinic set it; of an earlier visit, as it was set then."""
        return self.basis.costs[region] if self.basis else self.own_costs.of(region)

    def situation(self, problem: ProblemState, now: dt.datetime) -> Situation:
        """What may be done now, for planning; minutes in whole ones, and None where they do not limit anything."""
        found = situation_of(problem, self.catalogue, now, self.evidence)
        left = found.minutes_left
        return replace(found, minutes_left=None if left is None or left >= AMPLE_MINUTES else float(round(left)))

    def plan(self, problem: ProblemState, model: RegionModel, belief: Belief, situation: Situation) -> Plan:
        """What to do next; may take a second where it was not foreseen."""
        costs = self.costs(problem.region)
        return self.kept.once(
            self._plan_key(model, belief, situation),
            lambda: plan(self.evidence, model, belief, self.catalogue, costs, situation, with_route=False),
        )

    def plan_with_route(self, problem: ProblemState, model: RegionModel, belief: Belief, situation: Situation) -> Plan:
        """What to do next with the whole route, for paper."""
        costs = self.costs(problem.region)
        return self.kept.once(
            ("route", *self._plan_key(model, belief, situation)),
            lambda: plan(self.evidence, model, belief, self.catalogue, costs, situation),
        )

    def plan_if_known(self, model: RegionModel, belief: Belief, situation: Situation) -> Plan | None:
        """What to do next, if it was worked out already."""
        found: Plan | None = self.kept.known(self._plan_key(model, belief, situation))
        return found

    def warm(self, visit_id: str, problem_id: str) -> None:
        """Work out in the background what the bench page of a problem will need."""

        def work() -> None:
            problem = self.visit(visit_id).problems.get(problem_id)
            now = dt.datetime.now(dt.UTC)
            model = self.model(problem, now) if problem else None
            if problem is not None and model is not None:
                self.plan(problem, model, self.belief(problem, model), self.situation(problem, now))

        self.kept.ahead(work)

    def foresee(self, visit_id: str, problem_id: str, observable: str) -> None:
        """Work out in the background what follows each result of a finding, so that the next tap need not wait."""
        events = self.store.events(visit_id)

        def work(result: Result) -> None:
            if len(self.store.events(visit_id)) != len(events):
                return  # something was recorded meanwhile: this is no longer ahead
            now = dt.datetime.now(dt.UTC)
            problem = replay(events).problems[problem_id]
            event = FindingRecorded(problem_id=problem_id, observable=observable, side=problem.side, result=result)
            last = events[-1]
            imagined = last.model_copy(update={"seq": last.seq + 1, "at": now, "event": event, "client_id": "imagined"})
            after = replay((*events, imagined)).problems[problem_id]
            model = self.model(after, now)
            if model is not None:
                belief = self.belief(after, model)
                self.explained(model, belief)
                self.plan(after, model, belief, self.situation(after, now))

        for result in ("negative", "positive", "unclear", "not-done"):
            self.kept.ahead(lambda result=result: work(result))  # type: ignore[misc]

    def meant(self, problem: ProblemState) -> frozenset[str]:
        """Observables of the problem's region for which a study says something."""
        evidence = self.evidence
        key = ("meant", self._of_basis, evidence.fingerprint, problem.region)
        return self.kept.once(key, lambda: frozenset(evidence.observables(problem.region)))

    # names

    def recorded(self, problem: ProblemState, observable: str) -> Recorded | None:
        """What stands recorded of an observable on the problem's own side."""
        for side in (problem.side, "none", "both"):
            found = problem.findings.get((observable, side))
            if found is not None:
                return found
        return None

    def row(self, region: str, observable: str) -> FindingRow:
        """The table's line of an observable's finding; Refused(404) where the region has none."""
        row = self.evidence.findings.get((region, observable.partition(":")[0]))
        if row is None:
            raise Refused(404, f"There is no finding “{observable[:60]}” in this region.")
        return row

    def name(self, region: str, observable: str) -> str:
        """What a person reads for an observable."""
        return self.catalogue.region(region).observable_name(observable, self.row(region, observable).name)

    def citation(self, study_id: str) -> str:
        """A study for a reader; its id where the tables do not describe it."""
        study = self.evidence.studies.get(study_id)
        return study.citation if study else study_id

    def drawing(self, region: str, observable: str) -> str | None:
        """Inline SVG of how a finding is done; None where the catalogue has no drawing of it.

        Without its style attribute, which the pages' policy does not allow: the style sheet gives it its colours.
        """
        entry = self.catalogue.region(region).drawings.get(observable.partition(":")[0])
        if entry is None:
            return None
        name = self.row(region, observable).name

        def make() -> str:
            try:
                return re.sub(r' style="[^"]*"', "", draw(parse_drawing(entry), title=f"How it is done: {name}"))
            except DrawingError:
                return ""  # the words remain; tests of the catalogue name the entry that can not be drawn

        return self.kept.once(("drawing", self._of_basis, region, observable.partition(":")[0]), make) or None

    def pooled(self, observable: str, condition: str) -> PooledAccuracy | None:
        """The pooled accuracy of a pair; None where this edition does not hold it."""

        def make() -> PooledAccuracy | Literal["none"]:
            try:
                return pool(self.edition, self.evidence, observable, condition)
            except KeyError:
                return "none"

        found = self.kept.once(("pooled", self._of_basis, self.edition.id, observable, condition), make)
        return None if found == "none" else found

    def _plan_key(self, model: RegionModel, belief: Belief, situation: Situation) -> tuple[Hashable, ...]:
        return ("plan", self._model_key(model), belief.recorded, situation, self.costs_mark(model.region))

    def why_withheld(self, problem: ProblemState, observable: str, situation: Situation) -> str | None:
        """Why a finding is not offered now; None where nothing speaks against it."""
        results = {o.partition(":")[0]: r for o, r in problem.results().items()}
        region, costs = self.catalogue.region(problem.region), self.costs(problem.region)
        grades = {r.finding_id: r.provocation for r in self.evidence.findings_of(problem.region)}
        spent = provocation_spent(problem.results(), grades, costs)
        row = self.row(problem.region, observable)
        again = costs.manoeuvre(row.finding_id) in manoeuvres_done(problem.results(), costs)
        share = costs.repeat if again else 1.0
        return withheld(row, region, self.catalogue, costs, situation, results, spent, share)


def _context_key(context: Context) -> tuple[Hashable, ...]:
    return (
        context.region, context.setting, context.age, context.sex, context.onset, context.days_since_injury,
        tuple(sorted(context.chances.items())), tuple(sorted(context.clinic.items())),
    )  # fmt: skip


def _differing(held: Mapping[str, str], wanted: Mapping[str, str]) -> list[str]:
    return [o for o in dict.fromkeys([*held, *wanted]) if held.get(o) != wanted.get(o)]
