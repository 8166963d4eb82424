"""What several findings would show together, for every pattern of results, at the price of the all-positive ones.

Public: Joints, Look.

With J(S; R) the probability of a state S and of results R, cells of one table add up:

    J(S; R, f negative) = J(S; R) - J(S; R, f positive)

so every pattern follows from those in which all is positive (inclusion and exclusion), and a set of n findings is
looked at once instead of 2^n times. Cells do not add up where a result changes what counts as evidence: a finding that
settles a validated rule, whose own accuracy then stands in, and coarse and fine readings of one finding. Each such
change is a table of its own, in which cells add up again, and whose weight beside the others is known. Results that go
against each other (the stronger grade of a sign without the milder one, two readings that exclude each other) may be
recorded, but nobody can look forward to them: they are never expected here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from endfeel.belief import Belief, Prediction, RegionModel, Result, believe, predict
from endfeel.belief.infer import suppose
from endfeel.belief.results import check_result, telling

Floats = NDArray[np.float64]
Results = frozenset[tuple[str, str]]
Evidence = frozenset[tuple[str, bool]]
# A pattern less likely than this tells nothing that could matter, and would be lost in rounding.
NEVER = 1e-13
SMALLEST = 1e-300


@dataclass(frozen=True)
class Look:
    """Findings looked at after some results. probability (K,): of a positive result. now (S,), if_positive (K, S),
    if_negative (K, S): state probabilities; they fit together as those of belief.Prediction do."""

    probability: Floats
    now: Floats
    if_positive: Floats
    if_negative: Floats

    def prediction(self, k: int, observable: str) -> Prediction:
        """The k-th finding by itself."""
        return Prediction(observable, float(self.probability[k]), self.now, self.if_positive[k], self.if_negative[k])


class Joints:
    """Looks ahead from one belief; what was worked out is kept. model: thinned, so that no draws are added to it."""

    def __init__(self, model: RegionModel, start: Belief) -> None:
        self._model = model
        self._plain = _without_rules(model)
        self._start = start
        self._evidence = telling(model, start.results)
        self._tables: dict[Evidence, tuple[float, _Table]] = {}
        if self._evidence == telling(self._plain, start.results):
            first = _Table(self._plain, start, start.state_probability)
            self._tables[frozenset(self._evidence.items())] = (1.0, first)
        self._values: dict[Results, Floats] = {}
        self._sums: dict[frozenset[str], bool] = {}

    def now(self, results: Iterable[tuple[str, str]]) -> Floats:
        """State probabilities (S,) after results ("positive" or "negative") since the start."""
        value = self._value(frozenset(results))
        return value / value.sum() if value.sum() > 0 else self._start.state_probability

    def look(self, results: Iterable[tuple[str, str]], observables: list[str]) -> Look:
        """What each of some findings, at least one, would do after results since the start."""
        since: Results = frozenset(results)
        taken = frozenset(o for o, _ in since)
        together = [o for o in observables if self._adds_up(taken | {o})]
        alone = {o: self._apart(since, o) for o in observables if o not in together}
        if not together:
            return _stacked([alone[o] for o in observables])
        _, first = self._table(frozenset(self._evidence.items()))
        found = _look(*first.cells(*_split(dict(since)), together))
        if not alone:
            return found
        alone.update({o: found.prediction(k, o) for k, o in enumerate(together)})
        return _stacked([alone[o] for o in observables], found.now)

    def _apart(self, since: Results, observable: str) -> Prediction:
        """What one finding would do where a result of it, or one since the start, changes what counts as evidence."""
        positive, negative = (self._value(since | {(observable, result)}) for result in ("positive", "negative"))
        return _look(positive + negative, positive[None]).prediction(0, observable)

    def _value(self, pattern: Results) -> Floats:
        """J (S,) of a whole pattern since the start."""
        if pattern not in self._values:
            told = telling(self._model, _recorded({**self._start.results, **dict(pattern)}))
            since = {o: result for o, result in pattern if o in told}
            weight, table = self._table(frozenset(e for e in told.items() if e[0] not in since))
            self._values[pattern] = weight * table.cells(*_split(since), [])[0]
        return self._values[pattern]

    def _table(self, evidence: Evidence) -> tuple[float, _Table]:
        """A table that starts from some evidence, and how likely that is beside the start's."""
        if evidence not in self._tables:
            rules = {o: positive for o, positive in evidence if self._model.observed(o).rule is not None}
            others = {o: "positive" if positive else "negative" for o, positive in sorted(evidence) if o not in rules}
            belief = believe(self._plain, _recorded(others))
            log_weight, now = belief.log_evidence - self._start.log_evidence, belief.state_probability
            for rule, positive in sorted(rules.items()):
                found = predict(self._plain, belief, [rule])[0]
                chance, now = (
                    (found.probability, found.if_positive) if positive else (1 - found.probability, found.if_negative)
                )
                log_weight += float(np.log(max(chance, SMALLEST)))
                belief = suppose(self._plain, belief, rule, "positive" if positive else "negative")
            self._tables[evidence] = (float(np.exp(log_weight)), _Table(self._plain, belief, now))
        return self._tables[evidence]

    def _adds_up(self, observables: frozenset[str]) -> bool:
        """Whether the first table holds these findings: whatever their results, the same counts as evidence."""
        if observables not in self._sums:
            self._sums[observables] = all(
                telling(self._model, _recorded({**self._start.results, **dict.fromkeys(observables, result)}))
                == {**self._evidence, **dict.fromkeys(observables, result == "positive")}
                for result in ("positive", "negative")
            )
        return self._sums[observables]


class _Table:
    """Cells that add up: what findings would show together after one belief. now: its state probabilities (S,)."""

    def __init__(self, model: RegionModel, start: Belief, now: Floats) -> None:
        self._model = model
        self._beliefs: dict[frozenset[str], Belief] = {frozenset(): start}
        self._positive: dict[frozenset[str], Floats] = {frozenset(): now}
        self._shown = frozenset(o for o, result in start.results.items() if result == "positive")
        self._absent = frozenset(o for o, result in start.results.items() if result == "negative")

    def cells(
        self, positive: frozenset[str], negative: tuple[str, ...], observables: list[str]
    ) -> tuple[Floats, Floats]:
        """J of the results (S,), and with each of some findings positive too (K, S)."""
        total, joint = self._added_up(positive, negative, observables)
        for k, o in enumerate(observables):
            if not self._milder(o).isdisjoint(negative):
                joint[k] = 0.0
        if any(not self._milder(o).isdisjoint(negative) for o in positive):
            return np.zeros_like(total), np.zeros_like(joint)
        return total, joint

    def _added_up(
        self, positive: frozenset[str], negative: tuple[str, ...], observables: list[str]
    ) -> tuple[Floats, Floats]:
        if not negative:
            self._work_out(positive, observables)
            joint = [self._positive[positive | {o}] for o in observables]
            total = self._positive[positive]
            return total, np.stack(joint) if joint else np.zeros((0, len(total)))
        rest, last = negative[:-1], negative[-1]
        total, joint_total = self._added_up(positive, rest, observables)
        taken, taken_joint = self._added_up(positive | {last}, rest, observables)
        return np.maximum(total - taken, 0.0), np.maximum(joint_total - taken_joint, 0.0)

    def _work_out(self, positive: frozenset[str], observables: list[str]) -> None:
        """J with all of `positive`, and each of some findings, positive."""
        if positive not in self._positive:
            last = max(positive)
            self._work_out(positive - {last}, [last])
        new = [o for o in observables if positive | {o} not in self._positive]
        if not new:
            return
        held = self._positive[positive]
        scale = float(held.sum())
        for o in new:
            if scale < NEVER or self._can_not_be(o, positive):
                self._positive[positive | {o}] = np.zeros_like(held)
            elif self._must_be(o, positive):
                self._positive[positive | {o}] = held
        asked = [o for o in new if positive | {o} not in self._positive]
        for found in predict(self._model, self._belief(positive), asked) if asked else ():
            self._positive[positive | {found.observable}] = scale * found.probability * found.if_positive

    def _must_be(self, observable: str, positive: frozenset[str]) -> bool:
        """Whether a stronger grade of the same sign is positive."""
        grades = self._model.observed(observable).grades
        return (
            any(o in positive or o in self._shown for o in grades[grades.index(observable) + 1 :]) if grades else False
        )

    def _can_not_be(self, observable: str, positive: frozenset[str]) -> bool:
        """Whether a milder grade of the same sign is negative, or a reading that excludes it positive."""
        others = {o for o in self._model.observed(observable).exclusives if o != observable}
        return not self._milder(observable).isdisjoint(self._absent) or bool(others & (positive | self._shown))

    def _milder(self, observable: str) -> frozenset[str]:
        """The milder grades of the same sign."""
        grades = self._model.observed(observable).grades
        return frozenset(grades[: grades.index(observable)]) if grades else frozenset()

    def _belief(self, positive: frozenset[str]) -> Belief:
        if positive not in self._beliefs:
            last = max(positive)
            self._beliefs[positive] = suppose(self._model, self._belief(positive - {last}), last, "positive")
        return self._beliefs[positive]


def _without_rules(model: RegionModel) -> RegionModel:
    """The model in which no rule stands in for its findings: what is told is what counts. It shares all else."""
    plain = replace(model)
    vars(plain).update(vars(model), rules=())
    return plain


def _recorded(results: Mapping[str, str]) -> dict[str, Result]:
    return {o: check_result(result) for o, result in results.items()}


def _split(results: Mapping[str, str]) -> tuple[frozenset[str], tuple[str, ...]]:
    """Findings that are positive, and those that are negative."""
    positive = frozenset(o for o, result in results.items() if result == "positive")
    return positive, tuple(sorted(results.keys() - positive))


def _look(total: Floats, joint: Floats) -> Look:
    left = np.maximum(total - joint, 0.0)
    size = total.sum()
    now = total / size if size > 0 else np.full_like(total, 1.0 / len(total))
    chance = joint.sum(axis=1) / size if size > 0 else np.zeros(len(joint))
    return Look(np.minimum(chance, 1.0), now, _shares(joint, now), _shares(left, now))


def _shares(cells: Floats, otherwise: Floats) -> Floats:
    """Each row (K, S) to sum to 1; a row of a pattern that never comes is `otherwise` (S,)."""
    sums = cells.sum(axis=1, keepdims=True)
    shares: Floats = np.where(sums > NEVER, cells / np.where(sums > NEVER, sums, 1.0), otherwise)
    return shares


def _stacked(predictions: list[Prediction], now: Floats | None = None) -> Look:
    return Look(
        np.array([p.probability for p in predictions]),
        predictions[0].now if now is None else now,
        np.stack([p.if_positive for p in predictions]),
        np.stack([p.if_negative for p in predictions]),
    )
