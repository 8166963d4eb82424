"""Best-first search over adaptive examinations: what doing a finding now, and the best ones after it, would save.

A node is a belief with the findings done on the way to it. Doing a finding costs its burden and leads, by its result,
to one of two nodes; stopping costs the smallest loss there. The value of a node is the cheapest of stopping and of each
finding (an AND/OR tree: Nilsson NJ, Artif Intell 1971;2:189-208, AO*). The upper bound of an unopened node is stopping
now; its lower bound is the least that any finding left could cost, since even perfect knowledge can not bring the loss
below zero. The node opened next is the one through which the most optimistic plan could improve most. Beliefs are
averaged over draws before the loss is taken: averaging worth over draws would credit tests with knowledge that nobody
will have.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from endfeel.belief import Belief, Prediction, RegionModel, Result, predict
from endfeel.belief.infer import suppose
from endfeel.planning.costs import Costs
from endfeel.planning.decide import ActionTable, smallest_loss
from endfeel.planning.effort import Candidate, Path, effort

Floats = NDArray[np.float64]
TINY = 1e-9


Allowed = Callable[[Candidate, Path], bool]


@dataclass(frozen=True)
class Searched:
    """What the search found for one first finding.

    loss: when it is done now and the best is done after it, burdens included. gain: how far knowing its result brings
    the loss below that of the best plan without it, before its own burden; about zero where it tells nothing.
    """

    candidate: Candidate
    loss: float
    gain: float
    prediction: Prediction


@dataclass(frozen=True)
class Search:
    """loss: of stopping now. first: every finding that may come first, cheapest loss first.

    settled: whether no unopened node could change which is best. nodes: nodes opened.
    """

    loss: float
    first: tuple[Searched, ...]
    settled: bool
    nodes: int


def search(
    model: RegionModel,
    belief: Belief,
    table: ActionTable,
    candidates: tuple[Candidate, ...],
    start: Path,
    *,
    allowed: Allowed,
    costs: Costs,
    irritability: str,
    depth: int = 3,
    most_nodes: int = 150,
) -> Search:
    """Search from a belief.

    allowed: whether a candidate may be done after a path. depth: findings in a row. model and belief may be thinned.
    Deterministic; at most `most_nodes` nodes are opened, each one look ahead over its candidates.
    """
    tree = _Tree(model, table, candidates, allowed, costs, irritability, belief, len(start.results), start.manoeuvres)
    root = _Node(float(smallest_loss(table, belief.state_probability)), start, depth, 1.0)
    tree.open(root)
    nodes = 1
    settled = False
    while nodes < most_nodes:
        leaf = tree.most_promising(root)
        if leaf is None:
            settled = True
            break
        tree.open(leaf)
        tree.refresh_above(leaf)
        nodes += 1
    first = sorted(root.branches, key=lambda b: (b.upper, b.candidate.observable))
    found = tuple(
        Searched(
            b.candidate,
            b.upper,
            _without(root, b.candidate.observable) - (b.upper - b.burden),
            tree.predictions[b.candidate.observable],
        )
        for b in first
    )
    return Search(root.stop, found, settled, nodes)


@dataclass(frozen=True)
class _Look:
    """One finding looked at after some results: P(positive), and the loss of stopping after either result."""

    probability: float
    if_positive: float
    if_negative: float


@dataclass
class _Branch:
    candidate: Candidate
    burden: float
    children: tuple[_Node, _Node]
    upper: float = 0.0
    lower: float = 0.0


@dataclass
class _Node:
    stop: float
    path: Path
    depth: int
    weight: float
    parent: _Node | None = None
    opened: bool = False
    branches: list[_Branch] = field(default_factory=list)
    upper: float = 0.0
    lower: float = 0.0

    def __post_init__(self) -> None:
        self.upper = self.stop
        self.lower = self.stop if self.depth == 0 else 0.0


def _without(node: _Node, observable: str) -> float:
    """The upper bound of a node where one observable is never taken."""
    values = [
        branch.burden + sum(c.weight * _without(c, observable) for c in branch.children)
        for branch in node.branches
        if branch.candidate.observable != observable
    ]
    return min([node.stop, *values])


@dataclass
class _Tree:
    """A search under way. start: the belief at the root, after the first `given` results of every path.

    manoeuvres: done before the root.
    beliefs, looks: by the set of results since, for two paths with the same results in another order know the same.
    predictions: at the root.
    """

    model: RegionModel
    table: ActionTable
    candidates: tuple[Candidate, ...]
    allowed: Allowed
    costs: Costs
    irritability: str
    start: Belief
    given: int
    manoeuvres: frozenset[str]
    beliefs: dict[frozenset[tuple[str, str]], Belief] = field(default_factory=dict)
    looks: dict[frozenset[tuple[str, str]], dict[str, _Look]] = field(default_factory=dict)
    predictions: dict[str, Prediction] = field(default_factory=dict)

    def open(self, node: _Node) -> None:
        """Look ahead from a node over every finding allowed there."""
        node.opened = True
        done = {o for o, _ in node.path.results}
        open_here = [
            (c, effort(c, node.path, self.costs, self.irritability))
            for c in self.candidates
            if c.observable not in done and self.allowed(c, node.path)
        ]
        cheapest = min((taken.burden for _, taken in open_here), default=np.inf)
        if node.depth == 0 or node.stop <= cheapest:
            node.lower = node.upper = node.stop
            return
        looks = self._look(node.path, [c.observable for c, _ in open_here])
        for candidate, taken in open_here:
            look = looks[candidate.observable]
            later = next((least for least, o in self._least if o != candidate.observable and o not in done), np.inf)
            children = []
            for result, chance, stop in (
                ("positive", look.probability, look.if_positive),
                ("negative", 1.0 - look.probability, look.if_negative),
            ):
                path = node.path.after(candidate, result, taken, self.costs)
                child = _Node(stop, path, node.depth - 1, chance, parent=node)
                child.lower = stop if child.depth == 0 else min(stop, later)
                children.append(child)
            node.branches.append(_Branch(candidate, taken.burden, (children[0], children[1])))
        self._bounds(node)

    @cached_property
    def _least(self) -> list[tuple[float, str]]:
        """What each candidate costs at least, wherever it stands on a path: in the position where the patient is, and
        after another reading of its manoeuvre where there may be one. Cheapest first."""
        reads = Counter(self.costs.manoeuvre(c.finding_id) for c in self.candidates)
        reads.update(self.manoeuvres)
        return sorted(
            (
                self.costs.burden(
                    c.minutes, c.provocation, False, self.irritability,
                    self.costs.repeat if reads[self.costs.manoeuvre(c.finding_id)] > 1 else 1.0,
                ),
                c.observable,
            )
            for c in self.candidates
        )  # fmt: skip

    def most_promising(self, root: _Node) -> _Node | None:
        """The unopened node through which the most optimistic plan could improve most; None where none could."""
        node = root
        while True:
            if node.upper - node.lower <= TINY:
                return None
            if not node.opened:
                return node
            branch = min(node.branches, key=lambda b: (b.lower, b.candidate.observable))
            if branch.lower >= node.upper - TINY:
                return None
            gaps = [child.weight * (child.upper - child.lower) for child in branch.children]
            if max(gaps) <= TINY:
                return None
            node = branch.children[int(np.argmax(gaps))]

    def refresh_above(self, node: _Node) -> None:
        """Bounds of the nodes on the way to one that was opened: no other has changed."""
        while node.parent is not None:
            node = node.parent
            self._bounds(node)

    def _bounds(self, node: _Node) -> None:
        for branch in node.branches:
            branch.upper = branch.burden + sum(c.weight * c.upper for c in branch.children)
            branch.lower = branch.burden + sum(c.weight * c.lower for c in branch.children)
        node.upper = min([node.stop, *(b.upper for b in node.branches)])
        node.lower = min([node.stop, *(b.lower for b in node.branches)])

    def _look(self, path: Path, observables: list[str]) -> dict[str, _Look]:
        since = path.results[self.given :]
        known = self.looks.setdefault(frozenset(since), {})
        new = [o for o in observables if o not in known]
        if new:
            found = predict(self.model, self._belief(since), new)
            if not since:
                self.predictions.update({p.observable: p for p in found})
            losses = smallest_loss(self.table, np.stack([p for f in found for p in (f.if_positive, f.if_negative)]))
            for i, prediction in enumerate(found):
                known[prediction.observable] = _Look(
                    prediction.probability, float(losses[2 * i]), float(losses[2 * i + 1])
                )
        return known

    def _belief(self, results: tuple[tuple[str, str], ...]) -> Belief:
        """The belief after some results since the root."""
        if not results:
            return self.start
        key = frozenset(results)
        if key not in self.beliefs:
            observable, result = results[-1]
            before = self._belief(results[:-1])
            told: Result = "positive" if result == "positive" else "negative"
            self.beliefs[key] = suppose(self.model, before, observable, told)
        return self.beliefs[key]
