"""What to do next: the few findings that are worth their burden, a whole route, what is withheld and why, or a stop.

worth of a finding = smallest loss now - (its burden + smallest loss expected after it and the best ones that follow).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from endfeel.belief import Belief, Prediction, RegionModel, believe, predict
from endfeel.belief.observed import Observed
from endfeel.belief.results import DECISIVE
from endfeel.catalogue import Catalogue, RegionCatalogue
from endfeel.catalogue.entries import HandsOn
from endfeel.evidence.base import EvidenceBase
from endfeel.planning.costs import Costs
from endfeel.planning.decide import (
    ACTION_WORDS,
    Action,
    ActionTable,
    Decision,
    action_table,
    decide,
    smallest_loss,
)
from endfeel.planning.effort import (
    Candidate,
    Effort,
    Path,
    candidate_of,
    effort,
    manoeuvres_done,
    provocation_spent,
)
from endfeel.planning.joints import Joints, Look
from endfeel.planning.lookahead import Search, Searched, search
from endfeel.planning.situation import Situation
from endfeel.planning.withhold import Withheld, withheld

Floats = NDArray[np.float64]

DRAWS_LOOKING_AHEAD = 32
PROMISING = 12
# Twelve findings three deep have at most 1 + 24 + 24 * 22 nodes, so the search settles (bench/planning_speed.py).
MOST_NODES = 600
ROUTE_LENGTH = 10
NOTHING = 1e-9  # nats
ROUTE_NODES = 25
# A finding whose own result changes nothing yet prepares for others; one that can change what is done goes before it
# unless it is worth less than this share.
PREPARING = 0.5
# A finding is offered where what it tells is worth at least this share of its burden beside the best plan without it:
# one of several that replace each other is worth less than its burden then, yet it is a fair choice.
LEAST_GAIN = 0.25
POSITIONS = ("any", "standing", "walking", "sitting", "supine", "side-lying", "prone")


@dataclass(frozen=True)
class Offer:
    """A finding that could be done next.

    worth, burden: in routine imaging referrals (planning/costs.py). worth: what the best examination that begins with
    it saves, after all burdens; below zero for a finding that tells nothing new. if_positive, if_negative: what you
    would do, in words. changes: whether its result alone could change what you do. first: finding ids that the
    catalogue wants done before and that are not. again: a further reading of a manoeuvre that was done before it, whose
    minutes and burden are only its share; provocation stays the grade of the manoeuvre.
    """

    observable: str
    finding_id: str
    name: str
    worth: float
    burden: float
    minutes: float
    provocation: int
    position: str
    probability: float
    if_positive: str
    if_negative: str
    changes: bool
    worth_words: str
    first: tuple[str, ...] = ()
    again: bool = False


@dataclass(frozen=True)
class Stop:
    """One position of the route and the findings done in it, the provoking ones last."""

    position: str
    offers: tuple[Offer, ...]

    @property
    def minutes(self) -> float:
        """Minutes that the findings of this position take."""
        return sum(o.minutes for o in self.offers)


@dataclass(frozen=True)
class Plan:
    """next: worth their burden, best first. others: allowed, but not worth it now.

    route: the best finding and those after it if each result comes out as expected, by position. stop: nothing is worth
    its burden; why says so in words. nodes, settled: see lookahead.Search.
    """

    next: tuple[Offer, ...]
    others: tuple[Offer, ...]
    route: tuple[Stop, ...]
    withheld: tuple[Withheld, ...]
    decision: Decision
    stop: bool
    why: str
    nodes: int
    settled: bool


def plan(
    evidence: EvidenceBase,
    model: RegionModel,
    belief: Belief,
    catalogue: Catalogue,
    costs: Costs,
    situation: Situation,
    *,
    depth: int = 3,
    most_nodes: int = MOST_NODES,
    with_route: bool = True,
) -> Plan:
    """Plan from a belief. Every figure is on chances averaged over draws; 32 draws serve the looking ahead."""
    planner = _Planner(evidence, model, belief, catalogue, costs, situation)
    return planner.plan(depth, most_nodes, with_route)


def decision_now(model: RegionModel, belief: Belief, region: RegionCatalogue, costs: Costs) -> Decision:
    """The cheapest actions on a belief."""
    table = action_table(model.conditions, model.none_id, model.states, region, costs)
    return decide(table, belief.state_probability, region, model.states, model.conditions, costs)


def decision_words(decision: Decision, region: RegionCatalogue, most: int | None = 2) -> str:
    """A decision in one line: what is done and for which care, the `most` likeliest at most (None for all)."""
    done = [a for a in decision.by_group if a.action != "set-aside"][:most]
    if not done:
        return ACTION_WORDS["set-aside"]
    by_action: dict[Action, list[str]] = {}
    for advice in done:
        by_action.setdefault(advice.action, []).append(_lower(region.care[advice.care_group].name))
    return "; ".join(f"{ACTION_WORDS[action]}: {_listed(groups)}" for action, groups in by_action.items())


class _Planner:
    """One planning moment: the thinned model and belief, the action table, and what may be done."""

    def __init__(
        self,
        evidence: EvidenceBase,
        model: RegionModel,
        belief: Belief,
        catalogue: Catalogue,
        costs: Costs,
        situation: Situation,
    ) -> None:
        self.evidence, self.catalogue, self.costs, self.situation = evidence, catalogue, costs, situation
        self.region = catalogue.region(model.region)
        self.belief = belief
        self.full = model
        self.model = model.thin(DRAWS_LOOKING_AHEAD)
        self.thin = believe(self.model, belief.results)
        self.joints = Joints(self.model, self.thin)
        self.table: ActionTable = action_table(model.conditions, model.none_id, model.states, self.region, costs)
        self.decision = decide(self.table, belief.state_probability, self.region, model.states, model.conditions, costs)
        rows = {r.finding_id: r for r in evidence.findings_of(model.region)}
        self.rows = {o: rows[o.split(":")[0]] for o in model.observables}
        self.results: dict[str, str] = {}
        for observable, result in belief.results.items():
            self.results[observable] = result
            self.results.setdefault(observable.split(":")[0], result)
        told: dict[str, str] = {**dict.fromkeys(sorted(situation.done), "recorded"), **belief.results}
        self.spent = provocation_spent(told, {f: row.provocation for f, row in rows.items()}, costs)
        self.here = Path((), situation.position, 0.0, 0.0, manoeuvres_done(told, costs))

    def plan(self, depth: int, most_nodes: int, with_route: bool) -> Plan:
        withheld_now, candidates = self._sorted_out()
        loss = float(smallest_loss(self.table, self.thin.state_probability))
        here = self.here
        chosen = self._promising(candidates, here, self.joints)
        found = search(
            self.joints, self.table, chosen, here,
            allowed=self._allowed, costs=self.costs, irritability=self.situation.irritability,
            depth=depth, most_nodes=most_nodes,
        )  # fmt: skip
        # The few that could come next say what all draws say; those that are not searched, what the few draws say.
        wholly = predict(self.full, self.belief, [s.candidate.observable for s in found.first])
        offers = [
            self._offer(s.candidate, self._worth_of(found, s, here), p, here)
            for s, p in zip(found.first, wholly, strict=True)
        ]
        searched = {o.observable for o in offers}
        rest = [c for c in candidates if c.observable not in searched and self._allowed(c, here)]
        if rest:
            look = self.joints.look((), [c.observable for c in rest])
            for k, (candidate, worth) in enumerate(zip(rest, self._worths(look, rest, here), strict=True)):
                offers.append(self._offer(candidate, float(worth), look.prediction(k, candidate.observable), here))
        offers.sort(key=lambda o: (-_even(o.worth * (1.0 if o.changes or o.worth < 0 else PREPARING)), o.observable))
        worth_it = tuple(o for o in offers if o.worth > 0)
        others = tuple(o for o in offers if o.worth <= 0)
        return Plan(
            next=worth_it,
            others=others,
            route=self._route(candidates, worth_it) if with_route else (),
            withheld=withheld_now,
            decision=self.decision,
            stop=not worth_it,
            why=self._why(worth_it, offers, loss, withheld_now),
            nodes=found.nodes,
            settled=found.settled,
        )

    def _worth_of(self, found: Search, searched: Searched, path: Path) -> float:
        """What beginning with it saves; a finding whose knowledge adds nothing only costs."""
        burden = self._effort(searched.candidate, path).burden
        return found.loss - searched.loss if searched.gain > LEAST_GAIN * burden else min(searched.gain - burden, 0.0)

    def _sorted_out(self) -> tuple[tuple[Withheld, ...], tuple[Candidate, ...]]:
        kept_back: dict[str, Withheld] = {}
        candidates = []
        for observable in self.model.observables:
            row = self.rows[observable]
            if observable in self.situation.done or observable in self.belief.results or self._superseded(observable):
                continue
            again = self.costs.manoeuvre(row.finding_id) in self.here.manoeuvres
            because = withheld(
                row, self.region, self.catalogue, self.costs, self.situation, self.results, self.spent,
                self.costs.repeat if again else 1.0,
            )  # fmt: skip
            if because is None:
                candidates.append(candidate_of(observable, row))
            elif row.kind not in ("imaging", "laboratory"):
                kept_back.setdefault(row.finding_id, Withheld(observable, because))
        return tuple(kept_back.values()), tuple(candidates)

    def _superseded(self, observable: str) -> bool:
        """A coarse reading is not offered beside the finer ones, for taking those gives it; nor is a grade of a sign
        that follows from another one, recorded already."""
        item: Observed = self.model.observed(observable)
        if any(part != observable and part in self.model.place for part in item.coarse_of):
            return True
        at = item.grades.index(observable) if item.grades else 0
        told = self.belief.results
        return any(told.get(o) == "negative" for o in item.grades[:at]) or any(
            told.get(o) == "positive" for o in item.grades[at + 1 :]
        )

    def _lighter_open(self, candidate: Candidate, path: Path) -> bool:
        """Whether a lighter finding that could still be done comes first."""
        return any(
            f in self._available and f not in self._recorded and not path.has(f)
            for f in self._lighter.get(candidate.finding_id, ())
        )

    def _decided_by_lighter(self, candidate: Candidate, path: Path) -> bool:
        results = {o.split(":")[0]: r for o, r in path.results}
        lighter = self._lighter.get(candidate.finding_id, {})
        return any(decides and results.get(f) == decides for f, decides in lighter.items())

    @cached_property
    def _lighter(self) -> dict[str, dict[str, str]]:
        """For a finding, those that come before it because it is the stronger, and which result of them spares it."""
        found: dict[str, dict[str, str]] = {}
        for entry in self.region.findings.values():
            if isinstance(entry, HandsOn):
                for stronger in entry.relatives.stronger:
                    found.setdefault(stronger, {})[entry.id] = entry.relatives.skip_stronger_if
        return found

    @cached_property
    def _recorded(self) -> frozenset[str]:
        return frozenset(o.split(":")[0] for o in (*self.belief.results, *self.situation.done))

    @cached_property
    def _available(self) -> frozenset[str]:
        _, candidates = self._sorted_out()
        return frozenset(c.finding_id for c in candidates)

    def _allowed(self, candidate: Candidate, path: Path) -> bool:
        taken = self._effort(candidate, path)
        left = self.situation.minutes_left
        if left is not None and path.minutes + taken.minutes > left:
            return False
        budget = self.costs.provocation_budget[self.situation.irritability]
        if candidate.provocation and self.spent + path.provocation + taken.provocation > budget:
            return False
        if self._lighter_open(candidate, path):
            return False
        return not self._decided_by_lighter(candidate, path)

    def _effort(self, candidate: Candidate, path: Path) -> Effort:
        return effort(candidate, path, self.costs, self.situation.irritability)

    def _worths(self, look: Look, candidates: list[Candidate], path: Path) -> Floats:
        """What each finding would save if nothing followed it, its burden off; (K,)."""
        if_positive, if_negative = (smallest_loss(self.table, p) for p in (look.if_positive, look.if_negative))
        expected = look.probability * if_positive + (1 - look.probability) * if_negative
        burdens = np.array([self._effort(c, path).burden for c in candidates])
        worths: Floats = smallest_loss(self.table, look.now) - expected - burdens
        return worths

    def _promising(
        self, candidates: tuple[Candidate, ...], path: Path, joints: Joints, since: int = 0
    ) -> tuple[Candidate, ...]:
        """The findings worth most by themselves, then those that tell most about care.

        The second kind may be worthless alone and worth something together. since: as in search.
        """
        pool = list(candidates)
        if not pool:
            return ()
        look = joints.look(path.results[len(path.results) - since :], [c.observable for c in pool])
        information = _information(self.table, look)
        # What tells nothing, like the rest of a rule that is settled, would only cost time in the search.
        telling = np.flatnonzero(information > NOTHING)
        if len(telling) <= PROMISING:
            return tuple(pool[i] for i in telling)
        worth = self._worths(look, pool, path).tolist()
        told = (information - np.array([self._effort(c, path).burden for c in pool])).tolist()
        by_worth = sorted(telling.tolist(), key=lambda i: (-_even(worth[i]), pool[i].observable))
        by_told = sorted(telling.tolist(), key=lambda i: (-_even(told[i]), pool[i].observable))
        chosen = dict.fromkeys([i for i in by_worth[: PROMISING // 2] if worth[i] > 0])
        for i in by_told:
            if len(chosen) >= PROMISING:
                break
            chosen.setdefault(i)
        return tuple(pool[i] for i in chosen)

    def _offer(self, candidate: Candidate, worth: float, prediction: Prediction, path: Path) -> Offer:
        row = self.rows[candidate.observable]
        now = self._decided(prediction.now)
        positive, negative = self._decided(prediction.if_positive), self._decided(prediction.if_negative)
        changes = not (positive.signature == negative.signature == now.signature)
        if_positive, if_negative = _told_apart(positive, negative, self.region)
        entry = self.region.findings[candidate.finding_id]
        wanted = entry.first if isinstance(entry, HandsOn) else ()
        done = {o.split(":")[0] for o in (*self.situation.done, *self.belief.results)}
        taken = self._effort(candidate, path)
        return Offer(
            observable=candidate.observable,
            finding_id=candidate.finding_id,
            name=self.region.observable_name(candidate.observable, row.name),
            worth=worth,
            burden=taken.burden,
            minutes=taken.minutes,
            provocation=candidate.provocation,
            position=candidate.position,
            probability=prediction.probability,
            if_positive=if_positive,
            if_negative=if_negative,
            changes=changes,
            worth_words=_worth_words(worth, changes),
            first=tuple(f for f in wanted if f in self.region.findings and f not in done),
            again=taken.again,
        )

    def _decided(self, state_probability: Floats) -> Decision:
        return decide(self.table, state_probability, self.region, self.full.states, self.full.conditions, self.costs)

    def _route(self, candidates: tuple[Candidate, ...], worth_it: tuple[Offer, ...]) -> tuple[Stop, ...]:
        """The best finding, then the best one if that came out as expected, and so on, each looking two ahead."""
        if not worth_it:
            return ()
        by_id = {c.observable: c for c in candidates}
        taken: list[Offer] = [worth_it[0]]
        results = dict(self.belief.results)
        path = self.here
        while len(taken) < ROUTE_LENGTH:
            last = taken[-1]
            results[last.observable] = "positive" if last.probability > 0.5 else "negative"
            candidate = by_id[last.observable]
            path = path.after(candidate, results[last.observable], self._effort(candidate, path), self.costs)
            left = tuple(c for c in candidates if c.observable not in results and self._allowed(c, path))
            if not left:
                break
            # What follows the first finding was mostly looked at in planning it.
            first = len(taken) == 1
            joints = self.joints if first else Joints(self.model, believe(self.model, results))
            since = int(first)
            found = search(
                joints, self.table, self._promising(left, path, joints, since), path,
                allowed=self._allowed, costs=self.costs, irritability=self.situation.irritability,
                depth=2, most_nodes=ROUTE_NODES, since=since,
            )  # fmt: skip
            worths = [(self._worth_of(found, s, path), s) for s in found.first]
            best = max(worths, key=lambda w: (_even(w[0]), w[1].candidate.observable), default=None)
            if best is None or best[0] <= 0:
                break
            candidate = best[1].candidate
            look = joints.look(path.results[len(path.results) - since :], [candidate.observable])
            taken.append(self._offer(candidate, best[0], look.prediction(0, candidate.observable), path))
        return self._as_walked(_by_position(taken, self.situation.position, self._lighter), by_id)

    def _as_walked(self, stops: tuple[Stop, ...], by_id: Mapping[str, Candidate]) -> tuple[Stop, ...]:
        """The route with what each finding takes in the order of the route: which reading of a manoeuvre comes first
        there, and where the patient moves."""
        path = self.here
        walked = []
        for stop in stops:
            offers = []
            for offer in stop.offers:
                taken = self._effort(by_id[offer.observable], path)
                offers.append(replace(offer, burden=taken.burden, minutes=taken.minutes, again=taken.again))
                path = path.after(by_id[offer.observable], "expected", taken, self.costs)
            walked.append(Stop(stop.position, tuple(offers)))
        return tuple(walked)

    def _why(
        self, worth_it: tuple[Offer, ...], offers: list[Offer], loss: float, kept_back: tuple[Withheld, ...]
    ) -> str:
        if worth_it:
            best = worth_it[0]
            return (
                f"{best.name} could change what you do"
                if best.changes
                else f"{best.name}, together with what comes after it, could change what you do"
            )
        if not offers:
            return (
                "every finding that could tell more is withheld; see why below"
                if kept_back
                else "every finding that could tell more has been recorded" + self._untold()
            )
        if loss < min(o.burden for o in offers):
            return "even knowing everything would be worth less than the lightest finding left"
        return "no finding left could change what you do by enough to be worth its minutes and its provocation"

    def _untold(self) -> str:
        """How much of what was recorded tells nothing either way, in words."""
        results = list(self.belief.results.values())
        silent = sum(result not in DECISIVE for result in results)
        if not silent:
            return ""
        which = "all of them" if silent == len(results) else f"{silent} of {len(results)}"
        return f", {which} as unclear or not done, which tells nothing either way"


def _by_position(offers: list[Offer], now: str | None, lighter: Mapping[str, Mapping[str, str]]) -> tuple[Stop, ...]:
    """Findings by position, the present one first and provoking ones last, but none before one that is lighter.

    lighter: for a finding id, the ids of those that come before it. A position is left and taken again only where
    nothing else keeps that order.
    """
    order = list(dict.fromkeys(["any", *([now] if now else []), *POSITIONS]))
    left = list(offers)
    stops: list[Stop] = []
    while left:
        most: list[Offer] = []
        for position in order:
            here = _in_turn([o for o in left if o.position == position], left, lighter)
            if here and len(here) == sum(o.position == position for o in left):
                most = here
                break
            most = most or here
        # Findings that would each wait for another are done as they come.
        most = most or left[:1]
        stops.append(Stop(most[0].position, tuple(most)))
        left = [o for o in left if o not in most]
    return tuple(stops)


def _in_turn(here: list[Offer], left: list[Offer], lighter: Mapping[str, Mapping[str, str]]) -> list[Offer]:
    """As many of `here` as need not wait for others of `left`, each after its lighter ones, provoking ones last."""
    waiting = sorted(here, key=lambda o: (o.provocation, -o.worth))
    taken: list[Offer] = []
    while True:
        open_ = {o.finding_id for o in left if o not in taken}
        free = next((o for o in waiting if not open_ & lighter.get(o.finding_id, {}).keys()), None)
        if free is None:
            return taken
        waiting.remove(free)
        taken.append(free)


def _told_apart(one: Decision, other: Decision, region: RegionCatalogue) -> tuple[str, str]:
    """Two decisions in words, as short as usual unless they would read the same and are not."""
    for most in (2, 3, None):
        told = decision_words(one, region, most), decision_words(other, region, most)
        if told[0] != told[1] or one.signature == other.signature:
            break
    return told


def _worth_words(worth: float, changes: bool) -> str:
    if worth <= 0:
        return "would not change what you do" if not changes else "tells too little for its burden"
    return "could change what you do" if changes else "adds to what comes after it"


def _even(worth: float) -> float:
    """A worth without its last digits, so that findings worth the same stay in the order of their names."""
    return round(float(worth), 9)


def _information(table: ActionTable, look: Look) -> Floats:
    """Mutual information between each result and which care is called for, summed over care groups, in nats; (K,)."""
    p = look.probability
    if_positive, if_negative = (_entropy(table, after) for after in (look.if_positive, look.if_negative))
    told: Floats = _entropy(table, look.now) - p * if_positive - (1 - p) * if_negative
    return told


def _entropy(table: ActionTable, state_probability: Floats) -> Floats:
    """Entropy of whether each care group is called for, summed over groups, for beliefs (..., S); (...)."""
    chance = np.clip(state_probability @ table.membership, 1e-12, 1 - 1e-12)
    entropy: Floats = -(chance * np.log(chance) + (1 - chance) * np.log(1 - chance)).sum(axis=-1)
    return entropy


def _listed(words: list[str]) -> str:
    return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else words[0]


def _lower(name: str) -> str:
    return name[:1].lower() + name[1:] if name[1:2].islower() else name
