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

from endfeel.planning.costs import Costs
from endfeel.planning.decide import ActionTable, smallest_loss
from endfeel.planning.effort import Candidate, Path, effort
from endfeel.planning.joints import Joints

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
    joints: Joints,
    table: ActionTable,
    candidates: tuple[Candidate, ...],
    start: Path,
    *,
    allowed: Allowed,
    costs: Costs,
    irritability: str,
    depth: int = 3,
    most_nodes: int = 150,
    since: int = 0,
) -> Search:
    """Search from the last moment of a path.

    allowed: whether a candidate may be done after a path. depth: findings in a row. since: how many results of the path
    came after the belief that joints starts from. Deterministic; at most `most_nodes` nodes are opened, each one look
    ahead over its candidates.
    """
    tree = _Tree(joints, table, candidates, allowed, costs, irritability, len(start.results) - since, start.manoeuvres)
    stop = float(smallest_loss(table, joints.now(start.results[len(start.results) - since :])))
    root = _Node(stop, start, depth, 1.0)
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
    first = sorted(root.branches, key=lambda b: (round(b.upper, 9), b.candidate.observable))
    without = _Without()
    found = tuple(
        Searched(b.candidate, b.upper, without(root, b.candidate.observable) - (b.upper - b.burden)) for b in first
    )
    return Search(root.stop, found, settled, nodes)


@dataclass(frozen=True)
class _Losses:
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


class _Without:
    """The upper bound of a node where one observable is never taken. Only where the best plan takes it is that another
    than the node's own; which plans take what is kept."""

    def __init__(self) -> None:
        self._taken: dict[int, frozenset[str]] = {}

    def __call__(self, node: _Node, observable: str) -> float:
        if observable not in self._takes(node):
            return node.upper
        values = [
            branch.burden + sum(c.weight * self(c, observable) for c in branch.children)
            for branch in node.branches
            if branch.candidate.observable != observable
        ]
        return min([node.stop, *values])

    def _takes(self, node: _Node) -> frozenset[str]:
        """Observables that the best plan from a node may take."""
        if id(node) not in self._taken:
            best = min(node.branches, key=lambda b: b.upper, default=None)
            if best is None or best.upper >= node.stop:
                self._taken[id(node)] = frozenset()
            else:
                after = [self._takes(child) for child in best.children]
                self._taken[id(node)] = frozenset({best.candidate.observable}).union(*after)
        return self._taken[id(node)]


@dataclass
class _Tree:
    """A search under way. given: results of every path that the start of joints knows.

    manoeuvres: done before the root.
    looks: by the set of results since, for two paths with the same results in another order know the same.
    """

    joints: Joints
    table: ActionTable
    candidates: tuple[Candidate, ...]
    allowed: Allowed
    costs: Costs
    irritability: str
    given: int
    manoeuvres: frozenset[str]
    looks: dict[frozenset[tuple[str, str]], dict[str, _Losses]] = field(default_factory=dict)

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

    def _look(self, path: Path, observables: list[str]) -> dict[str, _Losses]:
        since = frozenset(path.results[self.given :])
        known = self.looks.setdefault(since, {})
        new = [o for o in observables if o not in known]
        if new:
            look = self.joints.look(since, new)
            if_positive, if_negative = (
                smallest_loss(self.table, after) for after in (look.if_positive, look.if_negative)
            )
            for k, observable in enumerate(new):
                known[observable] = _Losses(float(look.probability[k]), float(if_positive[k]), float(if_negative[k]))
        return known
