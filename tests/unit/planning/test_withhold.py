"""Each reason not to offer a finding, and which comes first."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import pytest

from endfeel.catalogue import load_catalogue
from endfeel.catalogue.entries import HandsOn
from endfeel.evidence import FindingRow, load_evidence
from endfeel.planning import Costs, Situation, default_costs
from endfeel.planning.withhold import LOADING, withheld

EVIDENCE, CATALOGUE = load_evidence(), load_catalogue()
REGION = CATALOGUE.region("knee")
COSTS = default_costs(REGION, CATALOGUE.modalities)


def row(finding_id: str, region: str = "knee") -> FindingRow:
    return EVIDENCE.finding(finding_id, region)


def why(
    finding_id: str,
    situation: Situation | None = None,
    *,
    results: dict[str, str] | None = None,
    spent: float = 0.0,
    costs: Costs = COSTS,
    region: str = "knee",
) -> str | None:
    return withheld(
        row(finding_id, region), CATALOGUE.region(region), CATALOGUE, costs, situation or Situation(),
        results or {}, spent,
    )  # fmt: skip


def test_a_plain_finding_in_a_calm_visit_is_offered() -> None:
    for finding_id in ("lachman", "joint-line-tenderness", "popping-sensation"):
        assert why(finding_id) is None


def test_a_finding_that_the_catalogue_does_not_describe_is_not_offered() -> None:
    emptied = replace(REGION, findings=MappingProxyType({}))
    said = withheld(row("lachman"), emptied, CATALOGUE, COSTS, Situation(), {}, 0.0)
    assert said is not None and "does not yet say how it is done" in said


def test_scans_and_laboratory_tests_are_actions() -> None:
    scans = [r.finding_id for r in EVIDENCE.findings_of("knee") if r.kind == "imaging"]
    assert scans
    for finding_id in scans:
        assert "is an action" in (why(finding_id) or "")


def test_an_emergency_withholds_every_test_and_leaves_the_questions() -> None:
    sent = Situation(sent_first="Joint infection")
    for finding_id in ("lachman", "joint-line-tenderness", "ballottement"):
        assert "Joint infection: send now" in (why(finding_id, sent) or "")
    assert why("popping-sensation", sent) is None


def test_after_fresh_trauma_nothing_that_loads_before_the_screen_is_complete() -> None:
    fresh = Situation(screens_open=True, trauma_recent=True)
    assert "safety screen" in (why("lachman", fresh) or "")
    assert why("popping-sensation", fresh) is None
    assert why("joint-line-tenderness", fresh) is None
    for calm in (Situation(screens_open=True), Situation(trauma_recent=True)):
        assert why("lachman", calm) is None


def test_every_kind_that_loads_is_held_back_after_fresh_trauma() -> None:
    fresh = Situation(screens_open=True, trauma_recent=True)
    for region in EVIDENCE.regions():
        for found in EVIDENCE.findings_of(region):
            if found.kind in LOADING:
                assert why(found.finding_id, fresh, region=region) is not None


def test_a_precaution_withholds_what_names_it_and_says_what_to_do_instead() -> None:
    entry = REGION.findings["lachman"]
    assert isinstance(entry, HandsOn) and "fracture-not-excluded" in entry.never_if
    said = why("lachman", Situation(precautions=frozenset({"fracture-not-excluded"})))
    assert said == f"{CATALOGUE.precautions['fracture-not-excluded'].name}: {entry.never_if['fracture-not-excluded']}"
    other = next(p for p in CATALOGUE.precautions if p not in entry.never_if)
    assert why("lachman", Situation(precautions=frozenset({other}))) is None


@pytest.mark.parametrize("region", sorted(CATALOGUE.regions))
def test_every_precaution_of_every_finding_is_obeyed(region: str) -> None:
    listed = {r.finding_id for r in EVIDENCE.findings_of(region)}
    for entry in CATALOGUE.region(region).findings.values():
        if isinstance(entry, HandsOn) and entry.id in listed:
            for precaution in entry.never_if:
                assert why(entry.id, Situation(precautions=frozenset({precaution})), region=region) is not None


@pytest.mark.parametrize(
    ("precaution", "position"),
    [
        ("cannot-lie-flat", "supine"),
        ("cannot-lie-prone", "prone"),
        ("cannot-bear-weight", "standing"),
        ("cannot-bear-weight", "walking"),
    ],
)
def test_positions_that_the_patient_can_not_take(precaution: str, position: str) -> None:
    situation = Situation(precautions=frozenset({precaution}))
    found = [r for r in EVIDENCE.findings_of("knee") if r.patient_position == position and why(r.finding_id) is None]
    assert found
    for r in found:
        assert why(r.finding_id, situation) is not None
    sitting = [r for r in EVIDENCE.findings_of("knee") if r.patient_position == "sitting" and r.kind == "palpation"]
    for r in sitting:
        assert why(r.finding_id, situation) is None


def test_what_was_put_off_is_not_offered_again_today() -> None:
    assert "not today" in (why("lachman", Situation(withdrawn=frozenset({"lachman"}))) or "")
    assert why("lachman", Situation(withdrawn=frozenset({"mcmurray"}))) is None


def test_after_two_rises_of_symptoms_nothing_that_provokes() -> None:
    assert row("mcmurray").provocation >= 1 and row("popping-sensation").provocation == 0
    assert why("mcmurray", Situation(made_worse=1)) is None
    assert "risen twice" in (why("mcmurray", Situation(made_worse=2)) or "")
    assert why("popping-sensation", Situation(made_worse=2)) is None


def test_the_provocation_budget_depends_on_irritability() -> None:
    grade = row("mcmurray").provocation
    for irritability, budget in COSTS.provocation_budget.items():
        situation = Situation(irritability=irritability)  # type: ignore[arg-type]
        assert why("mcmurray", situation, spent=budget - grade) is None
        said = why("mcmurray", situation, spent=budget - grade + 1)
        assert said is not None and irritability in said
        assert why("popping-sensation", situation, spent=budget) is None


def test_what_takes_longer_than_is_left_is_not_offered() -> None:
    minutes = row("lachman").minutes
    assert why("lachman", Situation(minutes_left=minutes)) is None
    assert "minutes" in (why("lachman", Situation(minutes_left=minutes * 0.9)) or "")
    assert "0 are left" in (why("lachman", Situation(minutes_left=-2.0)) or "")
    assert why("lachman", Situation(minutes_left=None)) is None


def test_what_follows_from_age_or_sex_is_not_asked() -> None:
    derived = [
        (region, f.id)
        for region, entry in CATALOGUE.regions.items()
        for f in entry.findings.values()
        if getattr(f, "derived", None) is not None
    ]
    assert derived
    for region, finding_id in derived:
        assert "follows from" in (why(finding_id, region=region) or "")


def test_a_stronger_test_is_skipped_where_a_lighter_one_has_decided() -> None:
    lighter = REGION.findings["lachman"]
    assert isinstance(lighter, HandsOn) and "pivot-shift" in lighter.relatives.stronger
    assert lighter.relatives.skip_stronger_if == "positive"
    said = why("pivot-shift", results={"lachman": "positive"})
    assert said is not None and said.startswith("lachman was positive")
    for undecided in ("negative", "unclear", "not-done"):
        assert why("pivot-shift", results={"lachman": undecided}) is None
    assert why("lachman", results={"pivot-shift": "positive"}) is None


def test_a_lighter_test_that_decides_nothing_leaves_the_stronger_one_open() -> None:
    lighter = REGION.findings["joint-line-tenderness"]
    assert isinstance(lighter, HandsOn) and "mcmurray" in lighter.relatives.stronger
    assert not lighter.relatives.skip_stronger_if
    assert why("mcmurray", results={"joint-line-tenderness": "positive"}) is None


def test_safety_is_named_before_budget_and_time() -> None:
    crowded = Situation(
        precautions=frozenset({"fracture-not-excluded"}), screens_open=True, trauma_recent=True, minutes_left=0.0,
        made_worse=3, withdrawn=frozenset({"lachman"}),
    )  # fmt: skip
    assert "safety screen" in (why("lachman", crowded, spent=99.0) or "")
    screened = replace(crowded, screens_open=False)
    assert (why("lachman", screened, spent=99.0) or "").startswith("Fracture not excluded")
    assert "not today" in (why("lachman", replace(screened, precautions=frozenset()), spent=99.0) or "")


def test_a_raised_emergency_goes_before_every_test_but_not_before_questions() -> None:
    raised = Situation(sent_first="A possible fracture", screens_open=True, trauma_recent=True)
    said = why("lachman", raised)
    assert said is not None and said.startswith("A possible fracture: send now")
    assert why("popping-sensation", raised) is None
