"""Which published counts may start a patient's chances, and what stands in where none may."""

from __future__ import annotations

import numpy as np
import pytest
import small_world as world

from endfeel.belief import BeliefError, Context, compile_region
from endfeel.belief.prior import NONE_CHANCE
from endfeel.belief.starting import pool_lines, starting_chances
from endfeel.evidence.rows import PrevalenceRow

REGION = world.catalogue().region("knee")
INJURY = Context("knee", onset="injury")
GRADUAL = Context("knee")


def chance(condition: str, context: Context, *rows: PrevalenceRow):  # type: ignore[no-untyped-def]
    return starting_chances(world.evidence(rows), REGION, context)[condition]


def test_a_plain_line_serves_and_names_its_people() -> None:
    found = chance("gamma-pain", GRADUAL, world.prevalence("gamma-pain", 30, 100))
    assert found.chance == pytest.approx(30.5 / 101, abs=1e-9)
    assert found.low < found.chance < found.high
    assert not found.assumed and "30 of 100, invented people" in found.source_words and len(found.rows) == 1


@pytest.mark.parametrize(
    "line",
    [
        world.prevalence("gamma-pain", 30, 100, selected=word)
        for word in ("suspected", "imaging-referred", "surgery", "injection-block", "positive-finding", "volunteers",
                     "negative-finding", "decision-rule", "other-injury", "other-disease", "specialist-referral")
    ]
    + [
        world.prevalence("gamma-pain", 30, 100, counting="on-imaging"),
        world.prevalence("gamma-pain", 30, 100, selected="acute-trauma"),
        world.prevalence("gamma-pain", 30, 100, selected="sport", setting="sports"),
        world.prevalence("gamma-pain", 30, 100, setting="secondary"),
        world.prevalence("gamma-pain", 30, 100, age_low=50),
    ],
)  # fmt: skip
def test_lines_of_people_selected_otherwise_do_not_serve(line: PrevalenceRow) -> None:
    found = chance("gamma-pain", GRADUAL, line)
    assert found.assumed and found.chance == pytest.approx(0.25)
    assert "assumed by Endfeel" in found.source_words


def test_acute_injuries_serve_an_injury_only() -> None:
    line = world.prevalence("alpha-tear", 28, 134, selected="acute-trauma", counting="on-imaging")
    assert chance("alpha-tear", INJURY, line).rows == (line,)
    assert chance("alpha-tear", GRADUAL, line).assumed


def test_a_line_of_any_complaint_says_nothing_of_what_only_injuries_do() -> None:
    line = world.prevalence("alpha-tear", 40, 280, setting="mixed")
    found = chance("alpha-tear", GRADUAL, line)
    assert found.assumed and found.chance == pytest.approx(0.02)


def test_where_nobody_asked_how_it_began_any_complaint_counts_and_assumptions_are_averaged() -> None:
    unknown = Context("knee", onset="unknown")
    line = world.prevalence("alpha-tear", 40, 280, setting="mixed")
    assert chance("alpha-tear", unknown, line).rows == (line,)
    assert chance("alpha-tear", unknown).chance == pytest.approx((0.20 + 0.02) / 2)
    assert chance("alpha-tear", unknown, world.prevalence("alpha-tear", 28, 134, selected="acute-trauma")).assumed


def test_a_borrowed_line_is_widened_and_says_so() -> None:
    own = chance("gamma-pain", GRADUAL, world.prevalence("gamma-pain", 30, 100))
    borrowed = chance("gamma-pain", GRADUAL, world.prevalence("gamma-pain", 30, 100, setting="mixed"))
    assert borrowed.borrowed and "borrowed from clinics of several kinds" in borrowed.source_words
    assert borrowed.low < own.low and borrowed.high > own.high and borrowed.chance == pytest.approx(own.chance)


def test_people_sent_on_serve_where_people_are_sent_to() -> None:
    line = world.prevalence("gamma-pain", 50, 100, setting="secondary", selected="specialist-referral")
    assert chance("gamma-pain", Context("knee", setting="secondary"), line).rows == (line,)


def test_an_age_window_serves_ages_inside_it() -> None:
    line = world.prevalence("gamma-pain", 60, 100, age_low=50, age_high=70)
    assert chance("gamma-pain", Context("knee", age=60), line).rows == (line,)
    assert chance("gamma-pain", Context("knee", age=30), line).assumed
    assert chance("gamma-pain", Context("knee", age=71), line).assumed


def test_several_lines_lie_between_and_are_less_wide_than_the_widest() -> None:
    few, many = world.prevalence("gamma-pain", 2, 10), world.prevalence("gamma-pain", 200, 400)
    both = pool_lines((few, many), borrowed=False)
    assert pool_lines((few,), False)[0] < both[0] < pool_lines((many,), False)[0]
    logit = [np.log(p / (1 - p)) for p in (2.5 / 11, 200.5 / 401)]
    weight = [1 / (1 / 2.5 + 1 / 8.5 + 0.25), 1 / (1 / 200.5 + 1 / 200.5 + 0.25)]
    expected = np.average(logit, weights=weight)
    assert both[0] == pytest.approx(1 / (1 + np.exp(-expected)), abs=1e-9)


def test_a_published_union_scales_its_assumed_parts() -> None:
    rows = (world.prevalence("beta-tear", 40, 100, selected="acute-trauma"),)
    model = compile_region(world.evidence(rows), world.edition(), world.catalogue(), INJURY)
    chances = np.exp(model.log_prior) @ np.stack([model.membership[c] for c in ("beta-tear", "beta-tear-inner")], 1)
    assert chances[0] == pytest.approx(40.5 / 101, abs=1e-4)
    assert chances[1] > 0.15


def test_a_hand_beats_all_and_zero_and_one_rule_out() -> None:
    context = Context("knee", onset="injury", chances={"alpha-tear": 1.0, "gamma-pain": 0.0, "delta-pain": 0.3})
    model = compile_region(world.evidence(), world.edition(), world.catalogue(), context)
    chances = np.exp(model.log_prior) @ model.states
    assert chances[[0, 3, 4]] == pytest.approx([1.0, 0.0, 0.3], abs=1e-8)
    assert model.starting["alpha-tear"].by_hand and model.starting["alpha-tear"].source_words == "set by hand"


def test_none_follows_the_setting() -> None:
    assert [NONE_CHANCE[s] for s in ("primary", "secondary", "tertiary")] == [0.30, 0.15, 0.05]
    assert chance("nothing-specific-knee", Context("knee", setting="emergency")).chance == 0.30


@pytest.mark.parametrize("wrong", [{"no-such": 0.2}, {"alpha-break": 0.2}])
def test_a_chance_for_what_has_none_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(BeliefError, match="no such condition"):
        starting_chances(world.evidence(), REGION, Context("knee", chances=wrong))


@pytest.mark.parametrize(
    "fields", [{"setting": "home"}, {"onset": "sudden"}, {"age": -1}, {"chances": {"alpha-tear": 1.2}},
               {"chances": {"alpha-tear": float("nan")}}],
)  # fmt: skip
def test_a_context_that_can_not_be_is_refused(fields: dict[str, object]) -> None:
    with pytest.raises(BeliefError):
        Context("knee", **fields)  # type: ignore[arg-type]


def test_a_clinics_own_chance_goes_before_the_studies_and_after_a_hand() -> None:
    line = world.prevalence("gamma-pain", 30, 100)
    own = chance("gamma-pain", Context("knee", clinic={"gamma-pain": 0.12}), line)
    assert (own.chance, own.low, own.high, own.clinic, own.by_hand) == (0.12, 0.12, 0.12, True, True)
    assert own.source_words == "your clinic's starting chance" and not own.assumed and own.rows == ()
    hand = chance("gamma-pain", Context("knee", clinic={"gamma-pain": 0.12}, chances={"gamma-pain": 0.4}), line)
    assert (hand.chance, hand.clinic, hand.source_words) == (0.4, False, "set by hand")


def test_a_clinics_own_chance_gives_way_to_a_hand_where_both_can_not_stand() -> None:
    none = world.catalogue().region("knee").none_id
    tables = (world.evidence(()), world.edition(), world.catalogue())
    firm = compile_region(*tables, Context("knee", clinic={none: 0.5}, chances={"gamma-pain": 0.8}))
    held = np.exp(firm.log_prior)
    assert held[firm.membership["gamma-pain"]].sum() == pytest.approx(0.8, abs=1e-6)
    assert held[firm.membership[none]].sum() < 0.2
    alone = compile_region(*tables, Context("knee", clinic={none: 0.5}))
    assert np.exp(alone.log_prior)[alone.membership[none]].sum() == pytest.approx(0.5, abs=1e-6)


def test_what_a_clinics_table_holds_beyond_the_region_is_left_aside() -> None:
    found = starting_chances(world.evidence(()), REGION, Context("knee", clinic={"gone-since": 0.2}))
    assert found == starting_chances(world.evidence(()), REGION, GRADUAL)
    with pytest.raises(BeliefError, match="is no number from 0 to 1"):
        Context("knee", clinic={"gamma-pain": 1.2})
