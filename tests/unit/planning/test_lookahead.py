"""Best-first search against going through every adaptive examination, on trees small enough for that."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pytest

from endfeel.belief import Belief, Context, RegionModel, believe, compile_region, predict
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.planning import Costs, default_costs
from endfeel.planning.decide import ActionTable, action_table, smallest_loss
from endfeel.planning.effort import Candidate, Effort, Path, candidate_of, effort
from endfeel.planning.joints import Joints
from endfeel.planning.lookahead import Search, search
from endfeel.pooling import load_edition

EVIDENCE, CATALOGUE = load_evidence(), load_catalogue()
HERE = Path((), "sitting", 0.0, 0.0)
KNEE = ("lachman", "giving-way", "joint-line-fullness", "valgus-stress-laxity-30")
# Two readings of one finding, two findings of one structure, one of another, a question.
MENISCUS = ("joint-line-tenderness:medial", "joint-line-tenderness:lateral", "mcmurray:medial", "locking-or-catching")


@dataclass(frozen=True)
class Setting:
    """A thinned region, its costs and a few candidates."""

    model: RegionModel
    costs: Costs
    observables: tuple[str, ...]
    most_minutes: float = 99.0

    @cached_property
    def table(self) -> ActionTable:
        region = CATALOGUE.region(self.model.region)
        return action_table(self.model.conditions, self.model.none_id, self.model.states, region, self.costs)

    @cached_property
    def candidates(self) -> tuple[Candidate, ...]:
        return tuple(candidate_of(o, EVIDENCE.finding(o, self.model.region)) for o in self.observables)

    def effort(self, candidate: Candidate, path: Path) -> Effort:
        return effort(candidate, path, self.costs, "moderate")

    def allowed(self, candidate: Candidate, path: Path) -> bool:
        return path.minutes + self.effort(candidate, path).minutes <= self.most_minutes

    def believed(self, path: Path) -> Belief:
        told = {o: "positive" if r == "positive" else "negative" for o, r in path.results}
        return believe(self.model, told)

    def search(self, depth: int, most_nodes: int = 10_000, path: Path = HERE) -> Search:
        return search(
            Joints(self.model, self.believed(path)), self.table, self.candidates, path,
            allowed=self.allowed, costs=self.costs, irritability="moderate", depth=depth, most_nodes=most_nodes,
        )  # fmt: skip

    def by_trying_all(self, path: Path, depth: int) -> tuple[float, dict[str, float]]:
        """Loss of the best adaptive examination of at most `depth` findings, and of the best beginning with each."""
        belief = self.believed(path)
        stop = float(smallest_loss(self.table, belief.state_probability))
        first: dict[str, float] = {}
        done = {o for o, _ in path.results}
        for c in self.candidates if depth else ():
            if c.observable in done or not self.allowed(c, path):
                continue
            taken = self.effort(c, path)
            total = taken.burden
            found = predict(self.model, belief, [c.observable])[0]
            for result, chance in (("positive", found.probability), ("negative", 1 - found.probability)):
                after = path.after(c, result, taken, self.costs)
                total += chance * self.by_trying_all(after, depth - 1)[0]
            first[c.observable] = total
        return min([stop, *first.values()]), first


def best(found: Search) -> float:
    """Loss of the best plan, stopping now among them."""
    return min([found.loss, *(s.loss for s in found.first)])


def knee(**changes: float) -> Costs:
    costs = default_costs(CATALOGUE.region("knee"), CATALOGUE.modalities)
    return replace(costs, **changes) if changes else costs


@pytest.fixture(scope="module")
def model() -> RegionModel:
    return compile_region(EVIDENCE, load_edition(), CATALOGUE, Context("knee", onset="injury")).thin(8)


@pytest.mark.parametrize("observables", [KNEE, MENISCUS])
@pytest.mark.parametrize("depth", [1, 2, 3])
def test_the_best_beginning_is_that_of_trying_everything(
    model: RegionModel, observables: tuple[str, ...], depth: int
) -> None:
    setting = Setting(model, knee(), observables)
    found = setting.search(depth)
    exact, first = setting.by_trying_all(HERE, depth)
    assert found.settled
    assert best(found) == pytest.approx(exact, abs=1e-7)
    for s in found.first:
        # What was left unopened can only look dearer than it is, never cheaper.
        assert s.loss >= first[s.candidate.observable] - 1e-7
    if found.first[0].loss < found.loss:
        assert first[found.first[0].candidate.observable] == pytest.approx(exact, abs=1e-7)


def test_a_search_may_begin_after_some_results(model: RegionModel) -> None:
    setting = Setting(model, knee(), (*KNEE, *MENISCUS[:2]))
    path = Path((("giving-way", "positive"), (MENISCUS[0], "negative")), "supine", 2.0, 1.0)
    found = setting.search(2, path=path)
    exact, first = setting.by_trying_all(path, 2)
    assert found.settled and best(found) == pytest.approx(exact, abs=1e-7)
    assert {s.candidate.observable for s in found.first} == set(first)
    joints = Joints(model, setting.believed(replace(path, results=path.results[:1])))
    part = search(
        joints, setting.table, setting.candidates, path,
        allowed=setting.allowed, costs=setting.costs, irritability="moderate", depth=2, most_nodes=10_000, since=1,
    )  # fmt: skip
    assert part.loss == pytest.approx(found.loss)
    assert [s.candidate for s in part.first] == [s.candidate for s in found.first]
    assert [s.loss for s in part.first] == pytest.approx([s.loss for s in found.first])
    assert [s.gain for s in part.first] == pytest.approx([s.gain for s in found.first])


@pytest.mark.parametrize("minute", [0.0, 0.05, 0.3])
def test_dearer_minutes_are_searched_right_too(model: RegionModel, minute: float) -> None:
    setting = Setting(model, knee(minute=minute), KNEE)
    found = setting.search(3)
    exact, _ = setting.by_trying_all(HERE, 3)
    assert found.settled
    assert best(found) == pytest.approx(exact, abs=1e-7)


def test_what_is_not_allowed_is_in_no_tree(model: RegionModel) -> None:
    shortest = min(EVIDENCE.finding(o, "knee").minutes for o in KNEE)
    setting = Setting(model, knee(), KNEE, most_minutes=shortest * 1.01)
    found = setting.search(3)
    exact, first = setting.by_trying_all(HERE, 3)
    assert {s.candidate.observable for s in found.first} == set(first) < set(KNEE)
    assert best(found) == pytest.approx(exact, abs=1e-7)
    nothing = Setting(model, knee(), KNEE, most_minutes=0.0).search(3)
    assert nothing.first == () and nothing.settled


def test_looking_further_ahead_never_costs_more(model: RegionModel) -> None:
    setting = Setting(model, knee(), KNEE)
    losses = [best(setting.search(depth)) for depth in (1, 2, 3)]
    assert losses[0] >= losses[1] - 1e-9 >= losses[2] - 2e-9


def test_more_nodes_never_make_the_best_plan_dearer_and_the_count_is_kept(model: RegionModel) -> None:
    setting = Setting(model, knee(), (*KNEE, *MENISCUS))
    before = np.inf
    for most in (1, 5, 20, 80):
        found = setting.search(3, most)
        assert found.nodes <= most
        assert best(found) <= before + 1e-12
        before = best(found)
    assert not setting.search(3, 5).settled


def test_one_node_is_one_look_ahead(model: RegionModel) -> None:
    setting = Setting(model, knee(), KNEE)
    found = setting.search(3, most_nodes=1)
    for s in found.first:
        p = predict(model, setting.believed(HERE), [s.candidate.observable])[0]
        after = smallest_loss(setting.table, np.stack([p.if_positive, p.if_negative]))
        expected = setting.effort(s.candidate, HERE).burden + p.probability * after[0] + (1 - p.probability) * after[1]
        assert s.loss == pytest.approx(float(expected))


def test_a_certain_patient_needs_no_finding(model: RegionModel) -> None:
    """Where even perfect knowledge is worth less than the lightest finding, nothing is opened."""
    sure = compile_region(
        EVIDENCE, load_edition(), CATALOGUE,
        Context("knee", chances={c: 1.0 if c == "acl-tear" else 0.0 for c in model.conditions}),
    ).thin(8)  # fmt: skip
    found = Setting(sure, knee(), KNEE).search(3)
    assert found.settled and found.nodes == 1 and found.first == ()
    assert found.loss == pytest.approx(0.0, abs=1e-9)


def test_gain_is_what_knowing_adds_to_the_best_plan_without_it(model: RegionModel) -> None:
    setting = Setting(model, knee(), KNEE)
    found = setting.search(2)
    for s in found.first:
        others = Setting(model, knee(), tuple(o for o in KNEE if o != s.candidate.observable))
        without, _ = others.by_trying_all(HERE, 2)
        own = s.loss - setting.effort(s.candidate, HERE).burden
        assert s.gain >= without - own - 1e-7


def test_two_findings_worthless_alone_can_be_worth_something_together(model: RegionModel) -> None:
    """Some pair in the region is: a search of depth 1 offers neither, one of depth 2 finds the pair."""
    observables = [o for o in model.observables if EVIDENCE.finding(o, "knee").kind not in ("imaging", "laboratory")]
    found = []
    for i, one in enumerate(observables):
        for other in observables[i + 1 :]:
            if len(found) == 3:
                break
            setting = Setting(model, knee(minute=0.0, reposition=0.0, provocation=(0.0, 0.0, 0.0, 0.0)), (one, other))
            alone, together = setting.search(1), setting.search(2)
            if min(s.loss for s in alone.first) > alone.loss - 1e-9 and together.first[0].loss < together.loss - 1e-3:
                found.append((one, other))
    assert found


def test_the_search_is_the_same_every_time(model: RegionModel) -> None:
    setting = Setting(model, knee(), KNEE)
    one, again = (setting.search(3, 30) for _ in range(2))
    losses = [[(s.candidate.observable, s.loss) for s in found.first] for found in (one, again)]
    assert losses[0] == losses[1]
    assert one.nodes == again.nodes
