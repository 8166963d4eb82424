"""Strategies worked out in the background, each once: first the tree, then what every test would cost beside it.

Public: StrategyWork, Wanted, Standing.
"""

from __future__ import annotations

import queue
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from dataclasses import dataclass, field, replace

import numpy as np

from endfeel.belief.context import Context
from endfeel.documents.strategy_tree import StrategySheet, strategy_sheet
from endfeel.planning.costs import Costs
from endfeel.planning.decide import action_table
from endfeel.planning.situation import Situation
from endfeel.planning.strategy import EVERY, Strategy, battery_outcome, every_finding, published_names, strategy
from endfeel.web.desk import Desk
from endfeel.web.refused import Refused

ROOM = 60  # strategies kept
MOST_WAITING = 6
PATIENTS = 100  # simulated for the figures of every test
SEED = 1


@dataclass(frozen=True)
class Wanted:
    """A strategy that somebody asked for. under: whom it is for, in words."""

    context: Context
    under: tuple[str, ...]


@dataclass(frozen=True)
class Standing:
    """How far it is. stage: "waiting", "growing", "comparing" or "done". sheet: None before the tree is grown.
    seconds: since it was asked for."""

    stage: str
    sheet: StrategySheet | None
    seconds: float


@dataclass
class _Job:
    asked: float
    done: Future[StrategySheet]
    stage: str = "waiting"
    sheet: StrategySheet | None = None
    lock: threading.Lock = field(default_factory=threading.Lock)


class StrategyWork:
    """One background worker over a desk. Safe to use from several threads."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._jobs: OrderedDict[Hashable, _Job] = OrderedDict()
        self._lock = threading.Lock()
        self._queue: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._worker: threading.Thread | None = None

    def look(self, wanted: Wanted) -> Standing:
        """How far a strategy is; begun now where nobody has asked for it. Refused(429) where too many wait already."""
        job = self._job(wanted)
        if job.done.done():
            self._result(job)
        with job.lock:
            return Standing(job.stage, job.sheet, time.monotonic() - job.asked)

    def finished(self, wanted: Wanted) -> StrategySheet:
        """The strategy with all its figures, waited for."""
        return self._result(self._job(wanted))

    def _result(self, job: _Job) -> StrategySheet:
        """The job's sheet; a job that failed is told of once and forgotten, so that it can be asked for again."""
        try:
            return job.done.result()
        except BaseException:
            with self._lock:
                for key in [k for k, held in self._jobs.items() if held is job]:
                    del self._jobs[key]
            raise

    def _job(self, wanted: Wanted) -> _Job:
        desk = self._desk
        context = wanted.context
        key = (
            desk.edition.id, desk.own_costs.number(context.region), context.region, context.setting, context.age,
            context.onset, tuple(sorted(context.clinic.items())),
        )  # fmt: skip
        with self._lock:
            job = self._jobs.get(key)
            if job is not None:
                self._jobs.move_to_end(key)
                return job
            if sum(not j.done.done() for j in self._jobs.values()) >= MOST_WAITING:
                raise Refused(429, "Other strategies are being worked out; wait a minute and load the page again.")
            job = _Job(time.monotonic(), Future())
            self._jobs[key] = job
            while len(self._jobs) > ROOM:
                self._jobs.popitem(last=False)
            if self._worker is None:
                # A daemon: a server that is told to stop does not wait for a strategy.
                self._worker = threading.Thread(target=self._serve, name="strategy", daemon=True)
                self._worker.start()
        costs = desk.costs(context.region)
        self._queue.put(lambda: self._work(job, wanted, costs))
        return job

    def _serve(self) -> None:
        while True:
            self._queue.get()()

    def _work(self, job: _Job, wanted: Wanted, costs: Costs) -> None:
        try:
            job.done.set_result(self._grown(job, wanted, costs))
        except BaseException as error:
            job.done.set_exception(error)

    def _grown(self, job: _Job, wanted: Wanted, costs: Costs) -> StrategySheet:
        desk, context = self._desk, wanted.context
        now = desk.own.now()
        with job.lock:
            job.stage = "growing"
        model = desk.model_with(now, context)
        start = Situation(trauma_recent=context.onset == "injury", age=context.age)
        rng = np.random.default_rng(SEED)
        found = strategy(now.evidence, model, desk.catalogue, costs, start, patients=0, rng=rng)
        everything = every_finding(now.evidence, model, desk.catalogue, costs, start)
        known = published_names(now.evidence, context.region, everything)

        def sheet(of: Strategy) -> StrategySheet:
            return strategy_sheet(of, desk.catalogue, under=wanted.under, known=known)

        with job.lock:
            job.stage, job.sheet = "comparing", sheet(found)
        region = desk.catalogue.region(context.region)
        table = action_table(model.conditions, model.none_id, model.states, region, costs)
        every = battery_outcome(EVERY, model, table, everything, costs, start, PATIENTS, rng)
        whole = sheet(found if every is None else replace(found, beside=(every, *found.beside)))
        with job.lock:
            job.stage, job.sheet = "done", whole
        return whole
