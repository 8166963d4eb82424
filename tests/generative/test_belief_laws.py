"""Laws that hold whatever is recorded and whatever the starting chances are."""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "unit" / "belief"))

import small_world as world

from endfeel.belief import (
    Belief,
    Context,
    RegionModel,
    believe,
    compile_region,
    predict,
    prior_belief,
    record,
    withdraw,
)
from endfeel.belief.prior import marginals, solve_prior
from endfeel.belief.results import RESULTS

FINITE = settings(max_examples=40, deadline=None)
THOROUGH = settings(max_examples=300, deadline=None)


@cache
def model(onset: str = "injury", useless: bool = False) -> RegionModel:
    edition = world.edition(spread=0.0 if useless else 0.3, study=1e-9 if useless else 0.4, rest=0.3)
    return compile_region(world.evidence(), edition, world.catalogue(), Context("knee", onset=onset))


observables = st.sampled_from(model().observables)
EXCLUSIVE = tuple(o for o in model().observables if model().observed(o).exclusives)
recordings = st.dictionaries(observables, st.sampled_from(RESULTS), max_size=len(model().observables))


def check(found: RegionModel, belief: Belief) -> None:
    assert np.isfinite(belief.state_probability).all()
    assert abs(belief.state_probability.sum() - 1) < 1e-12
    for interval in belief.chances.values():
        assert 0 <= interval.low <= interval.mean <= interval.high <= 1
    none = belief.chances[found.none_id].mean
    assert none <= 1 - max(belief.chances[c].mean for c in found.conditions) + 1e-9
    assert abs(belief.draw_weights.sum() - 1) < 1e-9


@FINITE
@given(recordings)
def test_probabilities_sum_to_one_and_stay_in_range(results: dict[str, str]) -> None:
    check(model(), believe(model(), results))


@FINITE
@given(recordings, st.randoms())
def test_order_of_recording_makes_no_difference(results: dict[str, str], random) -> None:  # type: ignore[no-untyped-def]
    order = list(results)
    random.shuffle(order)
    step = prior_belief(model())
    for observable in order:
        step = record(model(), step, observable, results[observable])
    assert np.array_equal(step.state_probability, believe(model(), results).state_probability)


@FINITE
@given(recordings, observables, st.sampled_from(RESULTS))
def test_undo_restores_exactly(results: dict[str, str], observable: str, result: str) -> None:
    before = believe(model(), {o: r for o, r in results.items() if o != observable})
    after = withdraw(model(), record(model(), before, observable, result), observable)
    assert np.array_equal(after.state_probability, before.state_probability)
    assert after.chances == before.chances and after.recorded == before.recorded


@FINITE
@given(recordings, observables, st.sampled_from(["unclear", "not-done"]))
def test_unclear_and_not_done_move_nothing(results: dict[str, str], observable: str, result: str) -> None:
    before = believe(model(), {o: r for o, r in results.items() if o != observable})
    after = record(model(), before, observable, result)
    assert np.array_equal(after.state_probability, before.state_probability)


@FINITE
@given(st.sampled_from(["positive", "negative"]), recordings)
def test_a_finding_whose_sensitivity_and_specificity_sum_to_one_moves_nothing(
    result: str, results: dict[str, str]
) -> None:
    found = model(useless=True)
    before = believe(found, {o: r for o, r in results.items() if o != "useless-tap"})
    after = record(found, before, "useless-tap", result)
    # Alone it moves nothing; beside others only by what it tells of the patient's irritability, which is no condition.
    if not before.recorded or all(r in ("unclear", "not-done") for r in before.results.values()):
        assert np.allclose(after.state_probability, before.state_probability, atol=1e-6)
    check(found, after)


@THOROUGH
@given(
    st.lists(st.floats(0, 1), min_size=2, max_size=12), st.floats(0, 1), st.booleans(), st.sets(st.integers(0, 11))
)
def test_any_starting_chances_get_a_distribution(
    chances: list[float], none: float, none_by_hand: bool, by_hand: set[int]
) -> None:
    names = tuple(f"c{i}" for i in range(len(chances)))
    if none_by_hand and none < 1e-6 and max(chances) < 1e-6:
        return
    held = frozenset(c for c in by_hand if c < len(names))
    prior = solve_prior(names, np.array(chances), none, by_hand=held, none_by_hand=none_by_hand)
    p = np.exp(prior.log_prior)
    assert np.isfinite(p).all() and abs(p.sum() - 1) < 1e-9
    found = marginals(prior.states, prior.log_prior)
    assert (found > -1e-12).all() and (found < 1 + 1e-9).all()
    if not prior.notes:
        assert np.allclose(found, chances, atol=1e-6)


@FINITE
@given(recordings, st.lists(st.sampled_from(EXCLUSIVE), unique=True))
def test_readings_that_exclude_each_other_and_none_of_them_add_up_to_one(
    results: dict[str, str], asked: list[str]
) -> None:
    """Whatever else is recorded, and however many of them were asked and negative."""
    held = {o: r for o, r in results.items() if o not in EXCLUSIVE} | dict.fromkeys(asked, "negative")
    before = believe(model(), held)
    none = believe(model(), held | dict.fromkeys(EXCLUSIVE, "negative"))
    each = sum(p.probability for p in predict(model(), before, EXCLUSIVE) if p.observable not in asked)
    if len(before.draw_weights) == len(none.draw_weights) == model().draws:
        assert abs(each + np.exp(none.log_evidence - before.log_evidence) - 1) < 1e-9
    assert each <= 1 + 1e-9
    check(model(), none)


def test_everything_recorded_at_once_is_finite() -> None:
    for result in RESULTS:
        belief = believe(model(), {o: result for o in model().observables})
        check(model(), belief)
