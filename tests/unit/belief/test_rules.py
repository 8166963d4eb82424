"""A validated rule stands in for its items once they settle it, and only then."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import small_world as world

from endfeel.belief import (
    BeliefError,
    Context,
    RegionModel,
    believe,
    compile_region,
    explain,
    predict,
    record,
    withdraw,
)
from endfeel.belief.results import telling
from endfeel.belief.rules import rule_draws, validated_rules
from endfeel.evidence.base import EvidenceBase
from endfeel.evidence.rows import CombinationRow

ITEMS = ("alpha-pull", "alpha-push", "alpha-twist")


def combination(
    study: str, words: str, *, at_least: int = 2, people: int = 4, items: tuple[str, ...] = ITEMS
) -> CombinationRow:
    return CombinationRow.model_validate(
        {
            "region": "knee", "study_id": study, "citation": "Invented", "condition_id": "alpha-tear",
            "finding_ids": ";".join(items), "at_least": at_least, "rule": words, "tp": 10 * people, "fp": 3 * people,
            "fn": 4 * people, "tn": 20 * people, "individual_rows": "no", "source_url": "none", "read_at": "none",
        }
    )


def evidence(*rows: CombinationRow) -> EvidenceBase:
    plain = world.evidence()
    return replace(plain, combinations=tuple(rows), fingerprint=f"{plain.fingerprint}-{len(rows)}-rules")


@pytest.fixture(scope="module")
def model() -> RegionModel:
    told = evidence(combination("ref-one-2001", "at least 2 of 3 (validation)"))
    return compile_region(told, world.edition(), world.catalogue(), Context("knee", onset="injury"))


@pytest.mark.parametrize(
    ("rows", "count"),
    [
        ([combination("ref-one-2001", "at least 2 of 3, validation cohort")], 1),
        ([combination("ref-one-2001", "at least 2 of 3"), combination("ref-two-2002", "at least 2 of 3")], 1),
        ([combination("ref-one-2001", "at least 2 of 3")], 0),
        ([combination("ref-one-2001", "at least 2 of 3 (derivation)"), combination("ref-two-2002", "2 of 3")], 0),
        ([combination("ref-one-2001", "at least 2 of 3 after bootstrap validation")], 0),
        ([combination("ref-one-2001", "all 3 of 3, validation cohort", at_least=3)], 0),
        ([combination("ref-one-2001", "at least 2 of 3, validation cohort", people=2)], 0),
        ([combination("ref-one-2001", "at least 1 of 2, validation cohort", at_least=1, items=ITEMS[:2])], 0),
    ],
)  # fmt: skip
def test_only_validated_rules_counted_in_enough_people_qualify(rows: list[CombinationRow], count: int) -> None:
    assert len(validated_rules(evidence(*rows), world.catalogue().region("knee"))) == count


def test_the_rule_stands_in_once_settled(model: RegionModel) -> None:
    (rule,) = model.rules
    assert set(telling(model, {"alpha-pull": "positive"})) == {"alpha-pull"}
    assert telling(model, {"alpha-pull": "positive", "alpha-twist": "positive"}) == {rule.observable: True}
    assert telling(model, {"alpha-pull": "negative", "alpha-twist": "negative"}) == {rule.observable: False}
    open_ = {"alpha-pull": "positive", "alpha-twist": "negative", "alpha-push": "unclear"}
    assert set(telling(model, open_)) == {"alpha-pull", "alpha-twist"}


def test_a_settled_rule_moves_by_its_own_counted_accuracy(model: RegionModel) -> None:
    (rule,) = model.rules
    belief = believe(model, {"alpha-pull": "positive", "alpha-push": "positive"})
    all_three = believe(model, dict.fromkeys(ITEMS, "positive"))
    assert np.array_equal(belief.state_probability, all_three.state_probability)
    held = model.membership["alpha-tear"]
    p = model.p_positive(rule.observable).mean(axis=0)
    start = model.starting["alpha-tear"].chance
    odds = start / (1 - start) * p[held][0] / p[~held][0]
    assert belief.chances["alpha-tear"].mean == pytest.approx(odds / (1 + odds), abs=1e-9)
    # Counted: 40 of 56 with the tear, 12 of 92 without; a new clinic differs a little more or less.
    assert p[held][0] == pytest.approx(40 / 56, abs=0.05) and p[~held][0] == pytest.approx(12 / 92, abs=0.05)


def test_settling_and_opening_a_rule_step_by_step_is_the_same_as_at_once(model: RegionModel) -> None:
    results = {"alpha-pull": "positive", "beta-turn": "negative", "alpha-push": "positive", "alpha-scan": "positive"}
    step = believe(model, {})
    for observable, result in results.items():
        step = record(model, step, observable, result)
    assert np.array_equal(step.state_probability, believe(model, results).state_probability)
    opened = withdraw(model, step, "alpha-push")
    left = {o: r for o, r in results.items() if o != "alpha-push"}
    assert np.array_equal(opened.state_probability, believe(model, left).state_probability)
    assert set(opened.terms[0]) == set(believe(model, left).terms[0])


def test_looking_ahead_knows_the_rule(model: RegionModel) -> None:
    belief = believe(model, {"alpha-pull": "positive", "beta-turn": "positive"})
    (ahead,) = predict(model, belief, ["alpha-push"])
    after = record(model, belief, "alpha-push", "positive")
    assert np.allclose(ahead.if_positive, after.state_probability, atol=1e-9)


def test_looking_ahead_knows_that_a_rule_puts_out_another_that_shares_a_finding() -> None:
    """Settled, the rule of fewer people gives way to the one of more once that is settled too."""
    words, others = "at least 2 of 3 (validation)", ("alpha-pull", "pop-heard", "beta-turn")
    told = evidence(
        combination("ref-one-2001", words), combination("ref-two-2002", words, people=9, items=others)
    )  # fmt: skip
    model = compile_region(told, world.edition(), world.catalogue(), Context("knee", onset="injury"))
    more, fewer = model.rules
    results = {"alpha-pull": "positive", "alpha-push": "positive", "gamma-squeeze": "negative"}
    before = believe(model, results)
    assert fewer.observable in telling(model, results)
    assert more.observable in telling(model, {**results, "pop-heard": "positive"})
    left = [o for o in model.observables if o not in results]
    for ahead in predict(model, before, left):
        for result, seen in (("positive", ahead.if_positive), ("negative", ahead.if_negative)):
            after = record(model, before, ahead.observable, result)
            assert np.allclose(seen, after.state_probability, atol=1e-9), (ahead.observable, result)


def test_the_explanation_names_the_rule(model: RegionModel) -> None:
    (rule,) = model.rules
    told = explain(model, believe(model, {"alpha-pull": "positive", "alpha-push": "positive", "beta-turn": "positive"}))
    assert {m.observable for m in told.moves if m.condition == "alpha-tear" and m.direct} == {rule.observable}
    assert rule.name.startswith("At least 2 of 3: alpha pull")


def test_a_rule_is_worked_out_and_not_recorded(model: RegionModel) -> None:
    (rule,) = model.rules
    assert rule.observable not in model.observables
    with pytest.raises(BeliefError, match="record its findings"):
        believe(model, {rule.observable: "positive"})


def test_more_people_make_a_rule_surer() -> None:
    region = world.catalogue().region("knee")
    few, many = (
        validated_rules(evidence(combination("ref-one-2001", "at least 2 of 3 (validation)", people=n)), region)[0]
        for n in (4, 400)
    )
    assert rule_draws(many, world.edition()).std(axis=0)[0] < rule_draws(few, world.edition()).std(axis=0)[0]
