"""Adding cells up gives what recording each pattern of results gives, whatever was recorded before."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from endfeel.belief import Belief, Context, RegionModel, believe, compile_region
from endfeel.belief.results import Result
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.planning.joints import Joints
from endfeel.pooling import load_edition

EVIDENCE, CATALOGUE = load_evidence(), load_catalogue()
# The low back has validated rules; the knee has coarse readings beside finer ones.
REGIONS = ("knee", "lumbar-pelvis", "hip")
told = st.sampled_from(("positive", "negative"))


@cache
def model_of(region: str) -> RegionModel:
    return compile_region(EVIDENCE, load_edition(), CATALOGUE, Context(region)).thin(8)


def askable(region: str) -> list[str]:
    """Readings that planning may look at: no scans, no coarse reading beside its finer ones."""
    model = model_of(region)
    return [
        o
        for o in model.observables
        if EVIDENCE.finding(o, region).kind not in ("imaging", "laboratory")
        and not any(part != o and part in model.place for part in model.observed(o).coarse_of)
    ]


@st.composite
def moments(draw: st.DrawFn) -> tuple[str, dict[str, Result], list[tuple[str, Result]], list[str]]:
    """A region, what was recorded before (any reading), up to three results since, and findings to look at."""
    region = draw(st.sampled_from(REGIONS))
    model = model_of(region)
    before = draw(st.dictionaries(st.sampled_from(model.observables), told, max_size=4))
    open_ = [o for o in askable(region) if o not in before]
    of_rules = [o for o in open_ if any(rule.has(o) for rule in model.rules)]
    if of_rules and draw(st.booleans()):
        open_ = of_rules
    chosen = draw(st.lists(st.sampled_from(open_), min_size=2, max_size=5, unique=True))
    since = draw(st.integers(0, min(3, len(chosen) - 1)))
    return region, before, [(o, draw(told)) for o in chosen[:since]], chosen[since:]


def joint(model: RegionModel, results: dict[str, Result], start: Belief) -> np.ndarray:
    """P(state, results) beside the start, by recording all of it. The model is thin: no draws are added."""
    belief = believe(model, results)
    found: np.ndarray = np.exp(belief.log_evidence - start.log_evidence) * belief.state_probability
    return found


def of_one_sign(model: RegionModel, observables: list[str]) -> bool:
    """Whether two of them are grades of one sign, or readings that exclude each other: what is recorded of one may then
    go against the other, which belief takes as it comes and nobody looks forward to."""
    return any(
        {*model.observed(o).grades, *model.observed(o).exclusives} & (set(observables) - {o}) for o in observables
    )


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(moments())
def test_every_pattern_is_what_recording_it_gives(
    moment: tuple[str, dict[str, Result], list[tuple[str, Result]], list[str]],
) -> None:
    region, before, since, wanted = moment
    model = model_of(region)
    assume(not of_one_sign(model, [*before, *dict(since), *wanted]))
    start = believe(model, before)
    look = Joints(model, start).look(since, wanted)
    for k, observable in enumerate(wanted):
        told: list[dict[str, Result]] = [
            {**before, **dict(since), observable: "positive"}, {**before, **dict(since), observable: "negative"},
        ]  # fmt: skip
        positive, negative = (joint(model, results, start) for results in told)
        both = positive.sum() + negative.sum()
        assert look.probability[k] == pytest.approx(positive.sum() / both, abs=1e-8)
        for cells, other in ((look.if_positive[k], positive), (look.if_negative[k], negative)):
            assert cells.sum() == pytest.approx(1.0)
            assert np.abs(cells * other.sum() - other).max() < 1e-8 * both


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(moments())
def test_what_was_looked_at_before_makes_no_difference(
    moment: tuple[str, dict[str, Result], list[tuple[str, Result]], list[str]],
) -> None:
    region, before, since, wanted = moment
    model = model_of(region)
    assume(not of_one_sign(model, [*before, *dict(since), *wanted]))
    start = believe(model, before)
    used = Joints(model, start)
    for k in range(len(since) + 1):
        used.look([(o, "negative") for o, _ in since[:k]], wanted)
        used.look(list(reversed(since[:k])), list(reversed(wanted)))
    fresh, again = Joints(model, start).look(since, wanted), used.look(since, wanted)
    assert np.allclose(fresh.probability, again.probability, atol=1e-10)
    assert np.allclose(fresh.if_positive * fresh.probability[:, None], again.if_positive * again.probability[:, None])
    assert np.allclose(Joints(model, start).now(since), used.now(since), atol=1e-10)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(("knee", "hip")), st.randoms(use_true_random=False))
def test_two_results_of_one_finding_average_to_not_knowing(region: str, random: object) -> None:
    """Where no rule may be settled: a rule's own accuracy is none that its findings would average to."""
    model = model_of(region)
    one, *others = random.sample(askable(region), 4)  # type: ignore[attr-defined]
    joints = Joints(model, believe(model, {}))
    alone = joints.look((), [one, *others])
    for result, chance in (("positive", alone.probability[0]), ("negative", 1 - alone.probability[0])):
        after = joints.look([(one, result)], others)
        expected = alone.if_positive[0] if result == "positive" else alone.if_negative[0]
        assert np.abs(after.now - expected).max() * chance < 1e-9
        mixed = after.probability[:, None] * after.if_positive + (1 - after.probability[:, None]) * after.if_negative
        assert np.abs(mixed - after.now).max() * chance < 1e-9


@pytest.mark.parametrize("before", [True, False])
def test_nobody_looks_forward_to_the_stronger_grade_of_a_sign_without_the_milder(before: bool) -> None:
    model = model_of("lumbar-pelvis")
    mild, strong = next(item.grades for item in model.fitted.observed if len(item.grades) == 2)
    start: dict[bool, dict[str, Result]] = {True: {strong: "positive"}, False: {}}
    after_strong = Joints(model, believe(model, start[before])).look([] if before else [(strong, "positive")], [mild])
    assert after_strong.probability[0] == pytest.approx(1.0)
    assert after_strong.if_positive[0] == pytest.approx(after_strong.now)
    start = {True: {mild: "negative"}, False: {}}
    after_mild = Joints(model, believe(model, start[before])).look([] if before else [(mild, "negative")], [strong])
    assert after_mild.probability[0] == 0.0 and after_mild.if_negative[0] == pytest.approx(after_mild.now)
