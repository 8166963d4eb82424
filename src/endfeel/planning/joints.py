"""What several findings would show together, for every pattern of results, at the price of the all-positive ones.

Public: Joints, Look.

With J(S; R) the probability of a state S and of results R, cells of one table add up:

    J(S; R, f negative) = J(S; R) - J(S; R, f positive)

so every pattern follows from those in which all is positive (inclusion and exclusion), and a set of n findings is
looked at once instead of 2^n times. Cells do not add up where a result changes what counts as evidence: a finding that
may settle a validated rule, whose own accuracy then stands in, and coarse and fine readings of one finding. Patterns
that hold such a one are predicted by themselves.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endfeel.belief import Belief, Prediction, RegionModel, Result, predict
from endfeel.belief.infer import suppose
from endfeel.belief.results import DECISIVE

Floats = NDArray[np.float64]
Results = frozenset[tuple[str, str]]
# A pattern less likely than this tells nothing that could matter, and would be lost in rounding.
NEVER = 1e-13


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
    """Looks ahead from one belief; what was worked out is kept. model and start may be thinned."""

    def __init__(self, model: RegionModel, start: Belief) -> None:
        self._model = model
        self._start = start
        self._beliefs: dict[Results, Belief] = {frozenset(): start}
        self._positive: dict[frozenset[str], Floats] = {}
        self._alone: dict[tuple[Results, str], Prediction] = {}
        self._sums: dict[frozenset[str], bool] = {}

    def now(self, results: Iterable[tuple[str, str]]) -> Floats:
        """State probabilities (S,) after results ("positive" or "negative") since the start."""
        since: Results = frozenset(results)
        if not since:
            return self._start.state_probability
        taken = {o for o, _ in since}
        return self.look(since, [next(o for o in self._model.observables if o not in taken)]).now

    def look(self, results: Iterable[tuple[str, str]], observables: list[str]) -> Look:
        """What each of some findings, at least one, would do after results since the start."""
        since: Results = frozenset(results)
        taken = frozenset(o for o, _ in since)
        apart = [o for o in observables if not self._adds_up(taken | {o})]
        alone = self._by_itself(since, apart)
        together = [o for o in observables if o not in alone]
        if not together:
            return _stacked([alone[o] for o in observables])
        positive = frozenset(o for o, result in since if result == "positive")
        negative = tuple(sorted(o for o, result in since if result == "negative"))
        found = _look(*self._cells(positive, negative, together))
        if not alone:
            return found
        alone.update({o: found.prediction(k, o) for k, o in enumerate(together)})
        return _stacked([alone[o] for o in observables], found.now)

    def _cells(
        self, positive: frozenset[str], negative: tuple[str, ...], observables: list[str]
    ) -> tuple[Floats, Floats]:
        """J of the results (S,), and with each of some findings positive too (K, S)."""
        if not negative:
            self._work_out(positive, observables)
            joint = np.stack([self._positive[positive | {o}] for o in observables])
            return self._positive[positive], joint
        rest, last = negative[:-1], negative[-1]
        total, joint = self._cells(positive, rest, observables)
        taken, taken_joint = self._cells(positive | {last}, rest, observables)
        return np.maximum(total - taken, 0.0), np.maximum(joint - taken_joint, 0.0)

    def _work_out(self, positive: frozenset[str], observables: list[str]) -> None:
        """J with all of `positive`, and each of some findings, positive."""
        new = [o for o in observables if positive | {o} not in self._positive]
        if not positive and positive not in self._positive:
            found = predict(self._model, self._beliefs[frozenset()], new)
            self._positive[positive] = found[0].now
        else:
            if positive not in self._positive:
                last = max(positive)
                self._work_out(positive - {last}, [last])
            if not new:
                return
            if self._positive[positive].sum() < NEVER:
                self._positive.update({positive | {o}: np.zeros_like(self._positive[positive]) for o in new})
                return
            found = predict(self._model, self._belief(frozenset((o, "positive") for o in positive)), new)
        scale = float(self._positive[positive].sum())
        for prediction in found:
            self._positive[positive | {prediction.observable}] = scale * prediction.probability * prediction.if_positive

    def _by_itself(self, since: Results, observables: list[str]) -> dict[str, Prediction]:
        """Predictions after exactly these results, without adding cells up."""
        new = [o for o in observables if (since, o) not in self._alone]
        if new:
            for prediction in predict(self._model, self._belief(since), new):
                self._alone[since, prediction.observable] = prediction
        return {o: self._alone[since, o] for o in observables}

    def _belief(self, results: Results) -> Belief:
        if results not in self._beliefs:
            observable, told = max(results)
            result: Result = "positive" if told == "positive" else "negative"
            before = self._belief(results - {(observable, told)})
            self._beliefs[results] = suppose(self._model, before, observable, result)
        return self._beliefs[results]

    def _adds_up(self, observables: frozenset[str]) -> bool:
        """Whether cells of these findings add up: whatever their results, the same things count as evidence."""
        if observables not in self._sums:
            observed = self._model.observed
            started = {o: r == "positive" for o, r in self._start.results.items() if r in DECISIVE}
            self._sums[observables] = not any(
                observed(o).coarse_of or any(o in observed(before).coarse_of for before in started) for o in observables
            ) and not any(
                rule.settled({**started, **dict.fromkeys(filter(rule.has, observables), result)}) is not None
                for rule in self._model.rules
                if any(map(rule.has, observables))
                for result in (True, False)
            )
        return self._sums[observables]


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
