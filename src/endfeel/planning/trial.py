"""Ways of examining tried out on simulated patients: a strategy, every test, the most-published tests, none.

Public: Way, Trial, Trying, by_tree, by_battery.

Each way ends in the cheapest decision by its own belief; what that costs is then read off the patient's true state:
harm of a miss, of wrong care, price of looking further. Burden is minutes, provocation and moving the patient in the
same unit, routine imaging referrals. Patients come from the model and from generators that are wrong about it in a
stated way (simulate.py): this shows how far the figures bend when the world differs, not what happens to real patients.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from endfeel.belief import RegionModel, believe
from endfeel.belief.results import Result
from endfeel.planning.costs import Costs
from endfeel.planning.decide import ActionTable, loss_when_known
from endfeel.planning.effort import Candidate
from endfeel.planning.simulate import GENERATORS, Patients, patients_showing
from endfeel.planning.situation import Situation
from endfeel.planning.strategy import End, Step, battery_efforts, follow

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Way:
    """One way of examining, for each patient (N,): number of findings, minutes, grades of provocation, burden, loss."""

    name: str
    findings: Floats
    minutes: Floats
    provocation: Floats
    burden: Floats
    loss: Floats

    @property
    def total(self) -> Floats:
        """Burden and loss of each patient."""
        return self.burden + self.loss

    def more_than(self, other: Way) -> tuple[float, float]:
        """How much more it costs all told than another way on the same patients, and the standard error (0 for one
        patient)."""
        n = min(len(self.loss), len(other.loss))
        gap = self.total[:n] - other.total[:n]
        return float(gap.mean()), float(gap.std(ddof=1) / np.sqrt(n)) if n > 1 else 0.0


@dataclass(frozen=True)
class Trial:
    """One generator's patients, examined each way. generator: its name; words: what it does. The first way is the
    strategy's; every test is tried on fewer patients."""

    generator: str
    words: str
    ways: tuple[Way, ...]


@dataclass
class Trying:
    """What trials share: a model, its costs, what was recorded before (results), and the beliefs worked out so far."""

    model: RegionModel
    table: ActionTable
    costs: Costs
    situation: Situation
    results: Mapping[str, Result] = field(default_factory=dict)
    _beliefs: dict[tuple[tuple[str, bool], ...], Floats] = field(default_factory=dict)

    def trial(
        self,
        generator: str,
        root: Step | End,
        batteries: Mapping[str, tuple[Candidate, ...]],
        patients: Mapping[str, int],
        rng: np.random.Generator,
        done: Callable[[int], None] = lambda count: None,
    ) -> Trial | None:
        """Try a strategy and some batteries on patients of a generator; None where none of those drawn fits what was
        recorded.

        patients: how many for the strategy ("strategy") and for each battery, at least 1. done: told after each patient
        of each way. KeyError for an unknown generator.
        """
        people = patients_showing(self.model, GENERATORS[generator], self.results, max(patients.values()), rng)
        if not len(people.state):
            return None
        ways = [by_tree(self, "this strategy", root, people, patients["strategy"], done)]
        ways += [by_battery(self, name, battery, people, patients[name], done) for name, battery in batteries.items()]
        return Trial(generator, GENERATORS[generator].words, tuple(ways))

    def believed(self, found: tuple[tuple[str, bool], ...]) -> Floats:
        """State probabilities (S,) after what was recorded and some results more."""
        if found not in self._beliefs:
            told: dict[str, Result] = {o: "positive" if r else "negative" for o, r in found}
            self._beliefs[found] = believe(self.model, {**self.results, **told}).state_probability
        return self._beliefs[found]


def by_tree(
    trying: Trying,
    name: str,
    root: Step | End,
    patients: Patients,
    count: int,
    done: Callable[[int], None] = lambda count: None,
) -> Way:
    """The first `count` patients led through a tree."""
    model = trying.model
    figures, after = [], []
    for i in range(min(count, len(patients.state))):
        positive = dict(zip(model.observables, patients.positive[i].tolist(), strict=True))
        steps, _ = follow(root, positive)
        after.append(trying.believed(tuple((s.observable, positive[s.observable]) for s in steps)))
        figures.append(
            (
                len({s.finding_id for s in steps}),
                sum(s.minutes for s in steps),
                sum(s.provocation for s in steps),
                sum(s.burden for s in steps),
            )
        )
        done(1)
    findings, minutes, provocation, burden = np.array(figures, dtype=float).T
    loss = loss_when_known(trying.table, np.stack(after), patients.state[: len(after)])
    return Way(name, findings, minutes, provocation, burden, loss)


def by_battery(
    trying: Trying,
    name: str,
    battery: tuple[Candidate, ...],
    patients: Patients,
    count: int,
    done: Callable[[int], None] = lambda count: None,
) -> Way:
    """The same findings for each of the first `count` patients."""
    observables = tuple(c.observable for c in battery)
    after = []
    for i in range(min(count, len(patients.state))):
        after.append(trying.believed(tuple(patients.results(i, trying.model, observables).items())))
        done(1)
    taken = battery_efforts(battery, trying.costs, trying.situation)
    alike = np.ones(len(after))
    return Way(
        name,
        findings=alike * len({c.finding_id for c in battery}),
        minutes=alike * sum(t.minutes for t in taken),
        provocation=alike * sum(t.provocation for t in taken),
        burden=alike * sum(t.burden for t in taken),
        loss=loss_when_known(trying.table, np.stack(after), patients.state[: len(after)]),
    )
