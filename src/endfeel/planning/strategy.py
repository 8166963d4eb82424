"""A strategy: for a typical patient of a setting, which finding comes next by each result, and where to stop.

Grown with the planner, one node at a time: at each node the finding that plan() puts first, looking no further ahead
than the strategy has room for. Beside it stand the same figures for every test, for the three most-published tests
and for no examination at all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import product
from types import MappingProxyType

import numpy as np

from endfeel.belief import Belief, Context, RegionModel, believe, predict, prior_belief, record
from endfeel.belief.results import Result
from endfeel.catalogue import Catalogue
from endfeel.evidence import EvidenceBase
from endfeel.planning.costs import Costs
from endfeel.planning.decide import ActionTable, Decision, action_table, smallest_loss
from endfeel.planning.effort import Candidate, Effort, Path, candidate_of, effort, manoeuvres_done
from endfeel.planning.plan import decision_now, decision_words, plan
from endfeel.planning.simulate import GENERATORS, Patients, patients_showing
from endfeel.planning.situation import Situation
from endfeel.planning.withhold import withheld

DEPTH = 4
LOOK_AHEAD = 3
MOST_PUBLISHED = 3
EVERY = "every test"
# Up to so many readings every pattern of results is added up; beyond, patients are simulated.
ADDED_UP = 8


@dataclass(frozen=True)
class End:
    """Where the examination stops. reach: share of patients who get here. words: all that is done. stopped: nothing
    left is worth its burden (else the strategy is as deep as was asked for)."""

    reach: float
    decision: Decision
    words: str
    stopped: bool


@dataclass(frozen=True)
class Step:
    """A finding to do. again: a further reading of a manoeuvre done on the way, of whose minutes and provocation (in
    grades) only a share is counted. moves: the patient changes position. burden: in routine imaging referrals.
    probability: of a positive result here."""

    reach: float
    observable: str
    finding_id: str
    name: str
    position: str
    moves: bool
    minutes: float
    provocation: float
    burden: float
    probability: float
    if_positive: Step | End
    if_negative: Step | End
    again: bool = False


@dataclass(frozen=True)
class Outcome:
    """What a way of examining costs on average. loss: of the decisions after it; total: loss and burden, both in
    routine imaging referrals. findings, minutes, moves: numbers; provocation: grades. error: standard error of the loss
    where patients were simulated, else 0."""

    name: str
    findings: float
    minutes: float
    provocation: float
    moves: float
    burden: float
    loss: float
    error: float

    @property
    def total(self) -> float:
        """Burden and loss together."""
        return self.burden + self.loss


@dataclass(frozen=True)
class Strategy:
    """A tree for a typical patient. outcome: its own; beside: every test, the most-published tests, none."""

    region: str
    context: Context
    edition: str
    depth: int
    root: Step | End
    outcome: Outcome
    beside: tuple[Outcome, ...]

    def steps(self) -> Iterator[Step]:
        """Every step, a step before those that follow it."""
        return (node for node in _walk(self.root) if isinstance(node, Step))

    def ends(self) -> Iterator[End]:
        """Every end, positive branches first."""
        return (node for node in _walk(self.root) if isinstance(node, End))


def strategy(
    evidence: EvidenceBase,
    model: RegionModel,
    catalogue: Catalogue,
    costs: Costs,
    situation: Situation | None = None,
    *,
    depth: int = DEPTH,
    patients: int = 100,
    rng: np.random.Generator,
    results: Mapping[str, Result] = MappingProxyType({}),
    grown: Callable[[float], None] = lambda reach: None,
) -> Strategy:
    """The strategy for the person whom the model was compiled for.

    depth: findings in a row, at least 1 (ValueError). patients: simulated for the figures of every test; fewer than 2
    leaves that comparison out. results: recorded already, by observable; the tree begins after them. grown: told the
    share of patients that each end takes in, as the ends are reached.
    """
    if depth < 1:
        raise ValueError(f"depth {depth!r}: give at least 1")
    start = situation or Situation()
    start = replace(start, done=start.done | set(results))
    grower = _Grower(evidence, model, catalogue, costs, grown)
    root = grower.grow(believe(model, results) if results else prior_belief(model), start, depth, 1.0)
    table = grower.table
    everything = every_finding(evidence, model, catalogue, costs, start)
    known = most_published(evidence, model.region, everything)
    batteries = {
        **({EVERY: everything} if patients > 1 else {}),
        "the most-published tests": known,
        "no examination": (),
    }
    beside = [
        battery_outcome(name, model, table, battery, costs, start, patients, rng, results)
        for name, battery in batteries.items()
    ]
    outcome = tree_outcome("this strategy", root)
    return Strategy(
        model.region, model.context, model.edition, depth, root, outcome, tuple(o for o in beside if o is not None)
    )


def follow(root: Step | End, positive: Mapping[str, bool]) -> tuple[tuple[Step, ...], End]:
    """The steps that one patient's results lead through, and the end. KeyError where a result is missing."""
    taken = []
    node = root
    while isinstance(node, Step):
        taken.append(node)
        node = node.if_positive if positive[node.observable] else node.if_negative
    return tuple(taken), node


def every_finding(
    evidence: EvidenceBase, model: RegionModel, catalogue: Catalogue, costs: Costs, situation: Situation
) -> tuple[Candidate, ...]:
    """Every reading that could be taken, whatever the time: none that is withheld, no coarse reading beside its finer
    ones."""
    unhurried = replace(situation, minutes_left=None)
    found = []
    for observable in model.observables:
        row = evidence.finding(observable, model.region)
        coarse = any(part != observable and part in model.place for part in model.observed(observable).coarse_of)
        because = withheld(row, catalogue.region(model.region), catalogue, costs, unhurried, {}, 0.0)
        if because is None and not coarse and observable not in situation.done:
            found.append(candidate_of(observable, row))
    return tuple(found)


def most_published(
    evidence: EvidenceBase, region: str, candidates: tuple[Candidate, ...], count: int = MOST_PUBLISHED
) -> tuple[Candidate, ...]:
    """The readings of the `count` findings with the most published studies; among equals, table order."""
    studies: dict[str, set[str]] = {c.finding_id: set() for c in candidates}
    for row in (*evidence.accuracy, *evidence.rates):
        if row.region == region and row.finding_id in studies:
            studies[row.finding_id].add(row.study_id)
    chosen = sorted(studies, key=lambda f: -len(studies[f]))[:count]
    return tuple(c for c in candidates if c.finding_id in chosen)


def published_names(evidence: EvidenceBase, region: str, candidates: tuple[Candidate, ...]) -> tuple[str, ...]:
    """Names of the findings of most_published, in the order of the candidates."""
    chosen = most_published(evidence, region, candidates)
    return tuple(dict.fromkeys(evidence.finding(c.observable, region).name for c in chosen))


def tree_outcome(name: str, root: Step | End) -> Outcome:
    """What a tree costs on average, exact under the model."""
    steps = [node for node in _walk(root) if isinstance(node, Step)]
    seen = np.array([s.reach for s in steps])
    return Outcome(
        name,
        findings=_findings(root, frozenset()),
        minutes=float(seen @ [s.minutes for s in steps]) if steps else 0.0,
        provocation=float(seen @ [s.provocation for s in steps]) if steps else 0.0,
        moves=float(seen @ [s.moves for s in steps]) if steps else 0.0,
        burden=float(seen @ [s.burden for s in steps]) if steps else 0.0,
        loss=float(sum(e.reach * e.decision.loss for e in _walk(root) if isinstance(e, End))),
        error=0.0,
    )


def battery_outcome(
    name: str,
    model: RegionModel,
    table: ActionTable,
    battery: tuple[Candidate, ...],
    costs: Costs,
    situation: Situation,
    patients: int,
    rng: np.random.Generator,
    results: Mapping[str, Result] = MappingProxyType({}),
) -> Outcome | None:
    """What always doing the same findings costs, position by position: exact for a few readings, else on simulated
    patients of the model; None where hardly any of those shows the results recorded before."""
    taken = battery_efforts(battery, costs, situation)
    observables = tuple(c.observable for c in battery)
    if len(battery) <= ADDED_UP:
        loss, error = _added_up(model, table, observables, results), 0.0
    else:
        drawn = patients_showing(model, GENERATORS["model"], results, max(patients, 2), rng)
        if len(drawn.state) < 2:
            return None
        loss, error = _simulated(model, table, observables, drawn, results)
    return Outcome(
        name,
        findings=len({c.finding_id for c in battery}),
        minutes=sum(t.minutes for t in taken),
        provocation=sum(t.provocation for t in taken),
        moves=sum(t.moves for t in taken),
        burden=sum(t.burden for t in taken),
        loss=loss,
        error=error,
    )


def battery_efforts(battery: tuple[Candidate, ...], costs: Costs, situation: Situation) -> tuple[Effort, ...]:
    """What each reading takes when all are done position by position: asked first, then where the patient is."""
    turns = list(dict.fromkeys(["any", situation.position or "any", *(c.position for c in battery)]))
    done = manoeuvres_done(dict.fromkeys(situation.done, "recorded"), costs)
    path = Path((), situation.position, 0.0, 0.0, done)
    found = []
    for candidate in sorted(battery, key=lambda c: turns.index(c.position)):
        taken = effort(candidate, path, costs, situation.irritability)
        path = path.after(candidate, "any", taken, costs)
        found.append(taken)
    return tuple(found)


def strategy_text(found: Strategy) -> str:
    """The strategy as lines for a terminal, with the figures beside it."""
    lines = [
        f"{found.region}, {found.context.onset} onset, {found.context.setting} setting; edition {found.edition}",
        "",
        *_lines(found.root, ""),
        "",
        f"{'':26}{'findings':>9}{'minutes':>9}{'provocation':>12}{'moves':>7}{'burden':>8}{'loss':>7}{'together':>10}",
    ]
    for outcome in (found.outcome, *found.beside):
        about = f" ±{1.96 * outcome.error:.2f}" if outcome.error else ""
        lines.append(
            f"{outcome.name:<26}{outcome.findings:>9.1f}{outcome.minutes:>9.1f}{outcome.provocation:>12.1f}"
            f"{outcome.moves:>7.1f}{outcome.burden:>8.2f}{outcome.loss:>7.2f}{outcome.total:>10.2f}{about}"
        )
    lines.append("Averages per patient. Burden and loss in routine imaging referrals, by the table of costs in use.")
    return "\n".join(lines)


class _Grower:
    """Grows a tree node by node with the planner."""

    def __init__(
        self,
        evidence: EvidenceBase,
        model: RegionModel,
        catalogue: Catalogue,
        costs: Costs,
        grown: Callable[[float], None],
    ) -> None:
        self.grown = grown
        self.evidence, self.model, self.catalogue, self.costs = evidence, model, catalogue, costs
        self.region = catalogue.region(model.region)
        self.table = action_table(model.conditions, model.none_id, model.states, self.region, costs)

    def grow(self, belief: Belief, situation: Situation, depth: int, reach: float) -> Step | End:
        if depth == 0:
            return self._end(belief, reach, stopped=False)
        planned = plan(
            self.evidence, self.model, belief, self.catalogue, self.costs, situation,
            depth=min(LOOK_AHEAD, depth), with_route=False,
        )  # fmt: skip
        if planned.stop:
            return self._end(belief, reach, stopped=True)
        offer = planned.next[0]
        moves = not offer.again and offer.position != "any" and situation.position not in (None, offer.position)
        after = replace(
            situation,
            position=situation.position if offer.again or offer.position == "any" else offer.position,
            minutes_left=None if situation.minutes_left is None else situation.minutes_left - offer.minutes,
        )
        probability = predict(self.model, belief, [offer.observable])[0].probability
        outcomes: tuple[tuple[Result, float], ...] = (("positive", probability), ("negative", 1 - probability))
        branches = [
            self.grow(record(self.model, belief, offer.observable, result), after, depth - 1, reach * chance)
            for result, chance in outcomes
        ]
        if _same_end(*branches):
            # The planner looks ahead on fewer draws; on all of them this finding would not change what is done.
            return self._end(belief, reach, stopped=True, told=True)
        return Step(
            reach=reach,
            observable=offer.observable,
            finding_id=offer.finding_id,
            name=offer.name,
            position=offer.position,
            moves=moves,
            minutes=offer.minutes,
            provocation=offer.provocation * (self.costs.repeat if offer.again else 1.0),
            burden=offer.burden,
            probability=probability,
            if_positive=branches[0],
            if_negative=branches[1],
            again=offer.again,
        )

    def _end(self, belief: Belief, reach: float, *, stopped: bool, told: bool = False) -> End:
        """told: whether the ends that this one stands for were told of before."""
        decision = decision_now(self.model, belief, self.region, self.costs)
        if not told:
            self.grown(reach)
        return End(reach, decision, decision_words(decision, self.region, most=None), stopped)


def _findings(node: Step | End, read: frozenset[str]) -> float:
    """How many findings are done from a node on, of those who get there, each times their share of all patients; a
    further reading of one is none more."""
    if isinstance(node, End):
        return 0.0
    after = read | {node.finding_id}
    return (
        node.reach * (node.finding_id not in read)
        + _findings(node.if_positive, after)
        + _findings(node.if_negative, after)
    )


def _same_end(one: Step | End, other: Step | End) -> bool:
    return isinstance(one, End) and isinstance(other, End) and one.decision.signature == other.decision.signature


def _walk(node: Step | End) -> Iterator[Step | End]:
    yield node
    if isinstance(node, Step):
        yield from _walk(node.if_positive)
        yield from _walk(node.if_negative)


def _added_up(
    model: RegionModel, table: ActionTable, observables: tuple[str, ...], before: Mapping[str, Result]
) -> float:
    """Expected loss over every pattern of results, each weighted by its own probability."""
    given = believe(model, before).log_evidence if before else 0.0
    expected = total = 0.0
    for pattern in product(("positive", "negative"), repeat=len(observables)):
        belief = believe(model, {**before, **_results(observables, [r == "positive" for r in pattern])})
        chance = float(np.exp(belief.log_evidence - given))
        expected += chance * float(smallest_loss(table, belief.state_probability))
        total += chance
    # Draws added for an unlikely pattern make the chances add up to 1 only nearly.
    return expected / total


def _simulated(
    model: RegionModel,
    table: ActionTable,
    observables: tuple[str, ...],
    patients: Patients,
    before: Mapping[str, Result],
) -> tuple[float, float]:
    """Mean of the loss expected after all results, and its standard error."""
    places = [model.place[o] for o in observables]
    beliefs = (
        believe(model, {**before, **_results(observables, row)}) for row in patients.positive[:, places].tolist()
    )
    losses = np.array([float(smallest_loss(table, belief.state_probability)) for belief in beliefs])
    return float(losses.mean()), float(losses.std(ddof=1) / np.sqrt(len(losses)))


def _results(observables: tuple[str, ...], positive: list[bool]) -> dict[str, Result]:
    return {o: "positive" if p else "negative" for o, p in zip(observables, positive, strict=True)}


def _lines(node: Step | End, indent: str) -> Iterator[str]:
    if isinstance(node, End):
        yield f"{indent}→ {node.words}"
        return
    where = "in any position" if node.position == "any" else node.position
    where = "a further reading" if node.again else where
    yield f"{indent}{node.name} ({where}, {node.minutes:g} min)"
    for word, share, branch in (
        ("positive", node.probability, node.if_positive),
        ("negative", 1 - node.probability, node.if_negative),
    ):
        yield f"{indent}  {word}, {_share(share)}:"
        yield from _lines(branch, indent + "    ")


def _share(p: float) -> str:
    if p < 0.01:
        return "less than 1 in 100"
    if p > 0.99:
        return "more than 99 in 100"
    return f"{round(p * 100)} in 100" if p < 0.1 or p > 0.9 else f"{round(p * 10)} in 10"
