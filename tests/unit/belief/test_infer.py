"""Inference against arithmetic done another way: by hand, by undoing, by looking ahead."""

from __future__ import annotations

import numpy as np
import pytest
import small_world as world

from endfeel.belief import BeliefError, Context, believe, compile_region, predict, prior_belief, record, withdraw
from endfeel.belief.dependence import Dependence
from endfeel.belief.infer import state_probability_by_draw, suppose
from endfeel.belief.model import RegionModel
from endfeel.belief.terms import grades_cell

NONE = "nothing-specific-knee"


@pytest.fixture(scope="module")
def model() -> RegionModel:
    return compile_region(world.evidence(), world.edition(), world.catalogue(), Context("knee", onset="injury"))


def test_before_any_finding_chances_are_the_starting_ones(model: RegionModel) -> None:
    belief = prior_belief(model)
    for condition in model.conditions:
        assert belief.chances[condition].mean == pytest.approx(model.starting[condition].chance, abs=1e-9)
    assert belief.chances[NONE].mean == pytest.approx(0.392, abs=0.15)
    assert belief.effective_draws == pytest.approx(model.draws)


def test_one_finding_moves_its_condition_by_its_likelihood_ratio(model: RegionModel) -> None:
    """With one studied condition the posterior odds are prior odds times E[se] / E[1 - sp] over the draws."""
    belief = record(model, prior_belief(model), "alpha-pull", "positive")
    p = model.p_positive("alpha-pull").mean(axis=0)
    held = model.membership["alpha-tear"]
    ratio = p[held][0] / p[~held][0]
    start = model.starting["alpha-tear"].chance
    odds = start / (1 - start) * ratio
    assert belief.chances["alpha-tear"].mean == pytest.approx(odds / (1 + odds), abs=1e-9)
    assert 2.5 < ratio < 6


def test_order_makes_no_difference_at_all(model: RegionModel) -> None:
    results = {"alpha-pull": "positive", "beta-turn": "negative", "alpha-push": "negative", "gamma-squeeze": "positive"}
    one = prior_belief(model)
    other = prior_belief(model)
    for observable in results:
        one = record(model, one, observable, results[observable])
    for observable in reversed(results):
        other = record(model, other, observable, results[observable])
    together = believe(model, results)
    assert np.array_equal(one.state_probability, other.state_probability)
    assert np.array_equal(one.state_probability, together.state_probability)
    assert one.chances == together.chances


def test_undo_gives_back_exactly_what_was_there(model: RegionModel) -> None:
    before = believe(model, {"alpha-pull": "positive", "alpha-push": "positive"})
    after = withdraw(model, record(model, before, "alpha-twist", "negative"), "alpha-twist")
    assert np.array_equal(before.state_probability, after.state_probability)
    assert before.chances == after.chances
    assert before.recorded == after.recorded


@pytest.mark.parametrize("result", ["unclear", "not-done"])
def test_unclear_and_not_done_move_nothing(model: RegionModel, result: str) -> None:
    before = believe(model, {"alpha-pull": "positive"})
    after = record(model, before, "beta-turn", result)
    assert np.array_equal(before.state_probability, after.state_probability)
    assert after.results["beta-turn"] == result


def test_overlapping_findings_count_for_less_than_separate_ones(model: RegionModel) -> None:
    apart = compile_region(
        world.evidence(), world.edition(), world.catalogue(), Context("knee", onset="injury"),
        dependence=Dependence(mean=-30.0, mean_sd=0.0, gap_sd=0.0, spread=0.0),
    )
    results = {"alpha-pull": "positive", "alpha-push": "positive", "alpha-twist": "positive"}
    shared, separate = (believe(m, results).chances["alpha-tear"].mean for m in (model, apart))
    assert shared < separate - 0.02


def test_a_coarse_reading_is_no_evidence_beside_a_finer_one(model: RegionModel) -> None:
    fine = believe(model, {"beta-press:inner": "positive"})
    both = record(model, fine, "beta-press:either", "positive")
    assert np.array_equal(fine.state_probability, both.state_probability)
    alone = believe(model, {"beta-press:either": "positive"})
    assert alone.chances["beta-tear"].mean > model.starting["beta-tear-inner"].chance
    finer_later = record(model, alone, "beta-press:inner", "positive")
    assert np.array_equal(finer_later.state_probability, fine.state_probability)


def test_a_strong_grade_includes_the_mild_one(model: RegionModel) -> None:
    strong = believe(model, {"gamma-grade:strong": "positive"})
    both = record(model, strong, "gamma-grade:mild", "positive")
    assert np.allclose(strong.state_probability, both.state_probability, atol=0.02)
    mild_only = believe(model, {"gamma-grade:mild": "positive", "gamma-grade:strong": "negative"})
    assert mild_only.chances["gamma-pain"].mean < strong.chances["gamma-pain"].mean
    contradictory = believe(model, {"gamma-grade:mild": "negative", "gamma-grade:strong": "positive"})
    assert contradictory.chances["gamma-pain"].mean == pytest.approx(strong.chances["gamma-pain"].mean, abs=0.02)


def test_grades_whose_studied_rates_cross_leave_the_milder_alone_possible(model: RegionModel) -> None:
    only_mild = believe(model, {"gamma-grade:mild": "positive", "gamma-grade:strong": "negative"})
    for condition in ("gamma-pain", "delta-pain", NONE):
        assert only_mild.chances[condition].mean > 0.2 * model.starting[condition].chance
    crossing = [np.full((3, 5), p) for p in (0.4, 0.6)]
    both, mild, neither = (grades_cell(crossing, r) for r in ([True, True], [True, False], [False, False]))
    assert np.allclose(both, 0.36) and np.allclose(mild, 0.04) and np.allclose(neither, 0.6)


def test_looking_ahead_agrees_with_doing_it(model: RegionModel) -> None:
    before = believe(model, {"alpha-pull": "positive", "gamma-grade:mild": "positive", "beta-turn": "negative"})
    ahead = predict(model, before, model.observables)
    for prediction in ahead:
        mixed = (
            prediction.probability * prediction.if_positive + (1 - prediction.probability) * prediction.if_negative
        )
        assert np.allclose(mixed, prediction.now, atol=1e-9)
        if prediction.observable in before.results:
            continue
        after = record(model, before, prediction.observable, "positive")
        if len(after.draw_weights) == model.draws:
            assert np.allclose(after.state_probability, prediction.if_positive, atol=1e-9), prediction.observable


def test_findings_neither_studied_nor_targeted_are_not_there(model: RegionModel) -> None:
    assert "idle-look" not in model.observables
    assert model.responds_to("delta-lift") == ("delta-pain",)
    assert model.assumed_for("delta-lift") == ("delta-pain",)
    with pytest.raises(BeliefError, match="idle-look"):
        record(model, prior_belief(model), "idle-look", "positive")


def test_more_draws_are_added_where_too_few_count() -> None:
    shaky = world.edition(study=2.5, rest=0.2)
    model = compile_region(world.evidence(), shaky, world.catalogue(), Context("knee", onset="injury"))
    results = {o: "positive" for o in ("alpha-pull", "alpha-push", "alpha-twist", "alpha-scan", "pop-heard")}
    belief = believe(model, {**results, "beta-turn": "negative", "gamma-squeeze": "negative", "delta-lift": "positive"})
    assert len(belief.draw_weights) > model.draws
    assert belief.effective_draws > 20


def test_under_sixteen_there_are_no_chances() -> None:
    with pytest.raises(BeliefError, match="under 16"):
        compile_region(world.evidence(), world.edition(), world.catalogue(), Context("knee", age=15))


def test_a_result_that_is_none_is_refused(model: RegionModel) -> None:
    with pytest.raises(BeliefError, match="give one of negative"):
        record(model, prior_belief(model), "alpha-pull", "maybe")  # type: ignore[arg-type]


def test_supposing_is_enough_for_looking_ahead(model: RegionModel) -> None:
    before = believe(model, {"alpha-pull": "positive", "beta-turn": "negative"})
    done = record(model, before, "alpha-push", "negative")
    supposed = suppose(model, before, "alpha-push", "negative")
    ahead = zip(predict(model, supposed, model.observables), predict(model, done, model.observables), strict=True)
    for one, other in ahead:
        assert one.probability == other.probability and np.array_equal(one.if_positive, other.if_positive)


def test_an_irritable_patient_is_positive_more_often_and_it_counts_for_less(model: RegionModel) -> None:
    calm = {o: predict(model, prior_belief(model), [o])[0] for o in ("beta-turn", "alpha-scan")}
    sore_model = compile_region(
        world.evidence(), world.edition(), world.catalogue(), Context("knee", onset="injury"), z_shift=1.5
    )
    sore = {o: predict(sore_model, prior_belief(sore_model), [o])[0] for o in calm}
    assert sore["beta-turn"].probability > calm["beta-turn"].probability + 0.05
    assert sore["alpha-scan"].probability == pytest.approx(calm["alpha-scan"].probability, abs=1e-9)
    held = model.membership["beta-tear"]
    assert sore["beta-turn"].if_positive[held].sum() < calm["beta-turn"].if_positive[held].sum()


def test_a_thinned_model_is_the_same_model_on_fewer_draws(model: RegionModel) -> None:
    thin = model.thin(16)
    results = {"alpha-pull": "positive", "gamma-squeeze": "positive"}
    assert np.array_equal(
        state_probability_by_draw(thin, believe(thin, results)),
        state_probability_by_draw(model, believe(model, results))[:16],
    )
