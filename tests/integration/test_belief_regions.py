"""Belief on the shipped tables, edition and catalogue: every region, against pyAgrum on the same network."""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from endfeel.belief import (
    AtLeast,
    Context,
    RegionModel,
    believe,
    combine,
    compile_region,
    explain,
    predict,
    prior_belief,
    record,
)
from endfeel.belief.infer import state_probability_by_draw
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.pooling import load_edition

sys.path.insert(0, str(Path(__file__).parents[1] / "unit" / "belief"))

REGIONS = load_evidence().regions()


@cache
def model(region: str, onset: str = "gradual") -> RegionModel:
    return compile_region(load_evidence(), load_edition(), load_catalogue(), Context(region, onset=onset))


def some_results(found: RegionModel, count: int, seed: int) -> dict[str, str]:
    """Results of findings that are neither grades nor coarse forms of others, so that the network is a plain one."""
    rng = np.random.default_rng(seed)
    plain = [o.observable for o in found.fitted.observed if not o.coarse_of and not o.grades]
    chosen = rng.choice(plain, size=min(count, len(plain)), replace=False)
    return {str(o): str(rng.choice(["positive", "negative"])) for o in chosen}


@pytest.mark.parametrize("region", REGIONS)
def test_equal_to_pyagrum_in_every_region(region: str) -> None:
    network = pytest.importorskip("network", reason="pyagrum is not installed")
    found = model(region)
    results = some_results(found, 8, seed=len(region))
    by_draw = state_probability_by_draw(found, believe(found, results))
    for draw in (0, 50, 127):
        theirs = network.posterior(found, network.build(found, draw, tuple(results)), results)
        assert np.abs(by_draw[draw] - theirs).max() < 1e-6


def test_a_scan_reads_a_tendon_as_torn_through_or_as_partly_torn() -> None:
    network = pytest.importorskip("network", reason="pyagrum is not installed")
    found = model("shoulder")
    full, partial = (f"ultrasound-shoulder:supraspinatus-{part}" for part in ("full", "partial"))
    recorded: tuple[dict[str, str], ...] = (
        {full: "positive"}, {full: "negative"}, {full: "negative", partial: "positive"},
        {full: "negative", partial: "negative"},
    )
    for readings in recorded:
        results = {**some_results(found, 5, seed=9), **readings}
        by_draw = state_probability_by_draw(found, believe(found, results))
        for draw in (0, 50, 127):
            theirs = network.posterior(found, network.build(found, draw, tuple(results)), results)
            assert np.abs(by_draw[draw] - theirs).max() < 1e-6
    assert predict(found, believe(found, {full: "positive"}), [partial])[0].probability == 0.0
    (crowded,) = found.crowded
    assert crowded.observables == (full, partial) and 1 < crowded.total < 1.3
    assert crowded.conditions == ("full-thickness-supraspinatus-tear", "partial-thickness-supraspinatus-tear")
    told = explain(found, believe(found, {full: "positive", partial: "positive"}))
    assert told.surprise is not None and "exclude each other" in told.surprise.words


def test_two_answers_that_grade_one_sign_are_one_witness() -> None:
    """Quite free of pain on sitting includes eased by sitting; both were studied for a narrow canal."""
    found = model("lumbar-pelvis")
    mild, strong, canal = "improves-when-seated", "no-pain-when-seated", "lumbar-spinal-stenosis"
    assert found.observed(strong).grades == (mild, strong) == found.observed(mild).grades
    assert found.group_of(mild) == found.group_of(strong)
    chance = {
        name: believe(found, results).chances[canal].mean
        for name, results in (
            ("start", {}), ("mild", {mild: "positive"}), ("strong", {strong: "positive"}),
            ("both", {mild: "positive", strong: "positive"}), ("only mild", {mild: "positive", strong: "negative"}),
            ("neither", {mild: "negative", strong: "negative"}),
        )
    }
    assert chance["both"] == pytest.approx(chance["strong"], rel=0.1)
    assert chance["neither"] < chance["start"] < chance["only mild"] < chance["mild"] < chance["both"]
    both = believe(found, {mild: "positive", strong: "positive"})
    assert explain(found, both).discounted == ()
    counted = combine(
        load_evidence(), load_edition(), load_catalogue(), "lumbar-pelvis", canal, (mild, strong), AtLeast(2)
    )
    alone = combine(load_evidence(), load_edition(), load_catalogue(), "lumbar-pelvis", canal, (strong,), AtLeast(1))
    assert counted.sensitivity.mean == pytest.approx(alone.sensitivity.mean, abs=0.12)
    assert counted.lr_positive.mean < 1.4 * alone.lr_positive.mean < counted.independent.lr_positive


@pytest.mark.parametrize("onset", ["injury", "gradual"])
@pytest.mark.parametrize("region", REGIONS)
def test_starting_chances_and_everything_recorded_are_finite(region: str, onset: str) -> None:
    found = model(region, onset)
    start = prior_belief(found)
    assert abs(start.state_probability.sum() - 1) < 1e-9
    assert 0.04 < start.chances[found.none_id].mean < 0.96
    for chance in found.starting.values():
        assert chance.source_words and 0 < chance.low <= chance.chance <= chance.high < 1
    for result in ("positive", "negative"):
        belief = believe(found, {o: result for o in found.observables})
        assert np.isfinite(belief.state_probability).all()
        assert all(0 <= i.low <= i.mean <= i.high <= 1 for i in belief.chances.values())


@pytest.mark.parametrize("region", REGIONS)
def test_positive_findings_of_one_condition_raise_it_less_than_independence_says(region: str) -> None:
    found = model(region)
    groups: dict[int, list[str]] = {}
    for item in found.fitted.observed:
        studied = {p.condition for p in item.pairs if not p.assumed}
        if found.fitted.groups[item.group].structure and len(studied) == 1 and not item.coarse_of and not item.grades:
            groups.setdefault(item.group, []).append(item.observable)
    members = max(groups.values(), key=len)[:3]
    if len(members) < 2:
        pytest.skip("no two findings of one structure")
    belief = believe(found, dict.fromkeys(members, "positive"))
    assert explain(found, belief).discounted


def test_the_main_job_on_the_knee() -> None:
    found = model("knee", "injury")
    belief = prior_belief(found)
    chances = [belief.chances["acl-tear"].mean]
    for observable in ("lachman", "pivot-shift"):
        belief = record(found, belief, observable, "positive")
        chances.append(belief.chances["acl-tear"].mean)
    assert chances[0] < 0.3 < chances[1] < chances[2] < 0.95
    assert belief.effective_draws >= 50
    told = explain(found, belief)
    assert {m.observable for m in told.moves if m.condition == "acl-tear"} == {"lachman", "pivot-shift"}


def test_a_combination_on_the_knee() -> None:
    found = combine(
        load_evidence(), load_edition(), load_catalogue(), "knee", "acl-tear",
        ("lachman", "anterior-drawer", "pivot-shift"), AtLeast(2),
    )
    assert found.lr_positive.mean < found.independent.lr_positive
    assert 0.4 < found.sensitivity.mean < 0.95 and 0.6 < found.specificity.mean < 1
