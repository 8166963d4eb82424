"""The shipped safety rules: all are there, one way where they must be, sourced, and raised as their notes say."""

from __future__ import annotations

import re

import pytest

from endfeel.catalogue import load_catalogue
from endfeel.catalogue.entries import HandsOn
from endfeel.catalogue.screens import Screen
from endfeel.evidence.base import REGIONS
from endfeel.evidence.load import load_evidence
from endfeel.visits.safety import screen_state, screens_for

CATALOGUE = load_catalogue()
SCREENS = CATALOGUE.screens
FRACTURE_RULES = {
    "knee-trauma-screen": "knee",
    "shoulder-trauma-screen": "shoulder",
    "elbow-wrist-hand-trauma-screen": "elbow-wrist-hand",
    "cervical-trauma-screen": "cervical",
    "lumbar-pelvis-trauma-screen": "lumbar-pelvis",
    "hip-trauma-screen": "hip",
    "ankle-foot-trauma-screen": "ankle-foot",
}
MUST_BE_THERE = {
    *FRACTURE_RULES, "knee-dislocation", "extensor-mechanism", "locked-knee", "compartment-syndrome",
    "deep-vein-thrombosis", "septic-joint", "cauda-equina", "spinal-malignancy", "spinal-infection",
    "vertebral-fracture", "cervical-myelopathy", "neck-arteries", "upper-neck-ligaments", "heart-or-lung-shoulder",
    "apical-lung", "polymyalgia-arteritis", "locked-posterior-dislocation", "cuff-tear-after-injury",
    "slipped-epiphysis", "growth-plate", "lump", "night-pain-weight-loss", "achilles-rupture", "scaphoid-screen",
    "distal-biceps-rupture-screen", "inflammatory-back-pain", "aorta", "hand-infection", "hip-bone-stress",
    "new-weakness", "arm-clot", "hot-numb-foot", "hamstring-avulsion", "hip-osteonecrosis", "thumb-ligament",
    "finger-tendon", "knee-outer-corner", "knee-bone-stress", "leg-bone-stress", "midfoot-ligament", "cold-limb",
    "deep-infection", "safeguarding", "replaced-joint", "head-emergency", "belly-or-pelvis", "limping-child",
    "early-arthritis", "chest-muscle-rupture", "young-back",
}  # fmt: skip
every_screen = pytest.mark.parametrize("screen", SCREENS.values(), ids=SCREENS.keys())


def state(name: str, *yes: str) -> str:
    """The state of a screen with these items answered yes and all others no."""
    screen = SCREENS[name]
    assert set(yes) <= {i.id for i in screen.item}
    return screen_state(screen, {i.id: "yes" if i.id in yes else "no" for i in screen.item})


def test_every_screen_that_others_refer_to_is_there() -> None:
    assert set(SCREENS) >= MUST_BE_THERE


@pytest.mark.parametrize(("name", "region"), FRACTURE_RULES.items())
def test_fracture_rules_withhold_until_done_and_work_one_way(name: str, region: str) -> None:
    screen = SCREENS[name]
    assert screen.regions == (region,)
    assert (screen.when.onset, screen.when.days_under, screen.flag_at) == ("injury", 42, 1)
    assert screen.withholds_until_done
    assert screen.precaution == "fracture-not-excluded"
    outside = {line.when for line in screen.outside}
    assert outside >= {"age_under_18", "days_over_7", "osteoporosis", "altered-sensation", "cannot-report"}
    for item in screen.item:
        assert state(name, item.id) == "flag", f"{item.id} alone sends"


@every_screen
def test_conditions_of_a_screen_can_be_known(screen: Screen) -> None:
    for line in screen.outside:
        known = re.fullmatch(r"(age_under|age_over|days_over)_\d+", line.when)
        precaution = CATALOGUE.precautions.get(line.when)
        assert known or (precaution is not None and precaution.asked), line.when
    if screen.withholds_until_done:
        assert screen.precaution


@every_screen
def test_a_screen_can_be_raised_and_can_be_found_clear(screen: Screen) -> None:
    ids = [i.id for i in screen.item]
    assert len(set(ids)) == len(ids)
    assert sum(i.counts for i in screen.item) >= screen.flag_at
    assert state(screen.id, *ids) == "flag"
    assert state(screen.id) == "asked-none-found"
    assert screen_state(screen, {}) == "not-asked"


@every_screen
def test_findings_raise_and_never_lower(screen: Screen) -> None:
    answers = {i.id: "no" for i in screen.item}
    for item in screen.item:
        for source in item.fed_by:
            raised = screen_state(screen, answers, frozenset({source}))  # type: ignore[arg-type]
            counted = sum(i.counts for i in screen.item if source in i.fed_by)
            assert (raised == "flag") == (counted >= screen.flag_at), source


@every_screen
def test_words_and_sources(screen: Screen) -> None:
    assert screen.review.status == "draft"
    assert screen.patient.endswith(".") and screen.patient.count(".") == 1, "one sentence"
    assert screen.clinician.endswith(".")
    assert re.search(r"\blocal\b", screen.clinician), "defers to the local pathway"
    if screen.sends_for == "emergency":
        assert "local emergency pathway" in screen.clinician
    assert screen.sources
    for source in screen.sources:
        assert re.match(r"https?://\S+$", source.url) or re.search(r"\b(19|20)\d\d\b|\b(CG|NG)\d+", source.citation)
    for item in screen.item:
        assert (item.ask or item.look).endswith((".", "?"))
    assert not re.search(r"\d\s*%|per cent|percent", screen.clinician + screen.patient + screen.plain)


@pytest.mark.parametrize(
    ("name", "condition"),
    [
        ("knee-trauma-screen", "knee-fracture"),
        ("ankle-foot-trauma-screen", "ankle-fracture"),
        ("ankle-foot-trauma-screen", "midfoot-fracture"),
        ("cervical-trauma-screen", "cervical-spine-fracture"),
        ("scaphoid-screen", "scaphoid-fracture"),
    ],
)
def test_published_rules_are_complete_and_cited(name: str, condition: str) -> None:
    """Each item of a rule whose every item is at least one of the items that send feeds the screen."""
    screen = SCREENS[name]
    region = screen.regions[0]
    urls = {source.url for source in screen.sources}
    cited = [
        row
        for row in load_evidence().combinations
        if row.region == region and row.condition_id == condition and row.source_url in urls
    ]
    assert cited, "no study of the evidence tables is cited"
    fed = {name for item in screen.item for name in item.fed_by}
    for row in cited:
        # The age item of the first form of the ankle rule, the knee's second rule and the sex item are other rules.
        others = {"age-55-or-over", "blunt-trauma-or-fall", "age-under-12-or-over-50", "male-sex"} - fed
        assert set(row.finding_ids) - others <= fed, row.study_id


def test_every_region_is_asked_about_danger_and_a_fresh_injury_first() -> None:
    for region in REGIONS:
        ids = [s.id for s in screens_for(CATALOGUE, region, 30, "injury", 2)]
        assert f"{region}-trauma-screen" in ids
        assert f"{region}-trauma-screen" not in [s.id for s in screens_for(CATALOGUE, region, 30, "gradual")]
        assert any(SCREENS[i].sends_for == "emergency" for i in ids)
        assert "lump" in ids


def test_a_tendon_can_tear_without_an_injury() -> None:
    for region, name in (
        ("ankle-foot", "achilles-rupture"),
        ("elbow-wrist-hand", "distal-biceps-rupture-screen"),
        ("knee", "extensor-mechanism"),
    ):
        assert name in [s.id for s in screens_for(CATALOGUE, region, 50, "sudden-no-injury")]


@pytest.mark.parametrize(("age", "asked"), [(7, False), (8, True), (17, True), (18, False), (None, True)])
def test_the_slipped_hip_is_asked_about_in_the_young(age: int | None, asked: bool) -> None:
    for region in ("hip", "knee"):
        assert ("slipped-epiphysis" in [s.id for s in screens_for(CATALOGUE, region, age)]) == asked


@pytest.mark.parametrize(
    ("name", "yes", "flagged"),
    [
        ("septic-joint", ("hot-quick",), True),
        ("septic-joint", ("hot",), False),
        ("septic-joint", ("hot", "fever"), True),
        ("deep-vein-thrombosis", ("breath",), True),
        ("deep-vein-thrombosis", ("one-leg-swollen",), True),
        ("deep-vein-thrombosis", ("risk",), False),
        ("spinal-malignancy", ("cancer",), True),
        ("spinal-malignancy", ("not-better",), False),
        ("spinal-infection", ("fever",), True),
        ("spinal-infection", ("risk", "relentless"), True),
        ("vertebral-fracture", ("sudden-older",), False),
        ("vertebral-fracture", ("sudden-older", "fragile"), True),
        ("cervical-myelopathy", ("clumsy",), True),
        ("cervical-myelopathy", ("arm-signs",), False),
        ("cervical-myelopathy", ("arm-signs", "numb-hands"), True),
        ("neck-arteries", ("brain-signs",), True),
        ("neck-arteries", ("new-unlike-any",), False),
        ("neck-arteries", ("new-unlike-any", "strain"), True),
        ("upper-neck-ligaments", ("disease",), False),
        ("upper-neck-ligaments", ("disease", "head-falls"), True),
        ("cauda-equina", ("saddle",), True),
        ("polymyalgia-arteritis", ("sight",), True),
        ("hip-osteonecrosis", ("risk",), False),
        ("hip-osteonecrosis", ("deep-pain", "turns-in"), False),
        ("hip-osteonecrosis", ("risk", "deep-pain"), True),
        ("thumb-ligament", ("lump",), True),
        ("knee-outer-corner", ("turns-out",), True),
        ("knee-bone-stress", ("weight-and-night", "bone"), False),
        ("knee-bone-stress", ("story",), False),
        ("knee-bone-stress", ("story", "weak-bone"), True),
        ("leg-bone-stress", ("load",), False),
        ("leg-bone-stress", ("load", "bad-place"), True),
        ("leg-bone-stress", ("load", "other-place"), False),
        ("leg-bone-stress", ("load", "other-place", "weak-bone"), True),
        ("midfoot-ligament", ("sole-bruise",), True),
        ("midfoot-ligament", ("how",), False),
        ("midfoot-ligament", ("how", "tiptoe"), True),
        ("early-arthritis", ("squeeze",), False),
        ("early-arthritis", ("squeeze", "morning"), True),
        ("inflammatory-back-pain", ("before-45", "three-months", "family", "heel", "movement"), False),
        ("inflammatory-back-pain", ("before-45", "three-months", "family", "heel", "movement", "tablets"), True),
    ],
)
def test_counts_do_what_the_notes_say(name: str, yes: tuple[str, ...], flagged: bool) -> None:
    assert (state(name, *yes) == "flag") == flagged


def test_inflammatory_back_pain_needs_both_conditions() -> None:
    further = [i.id for i in SCREENS["inflammatory-back-pain"].item if i.counts == 1]
    assert len(further) == 9
    assert state("inflammatory-back-pain", *further, "before-45") != "flag"
    assert state("inflammatory-back-pain", *further, "three-months") != "flag"


@pytest.mark.parametrize("region", REGIONS)
def test_what_a_finding_waits_for_can_be_met_in_a_visit_of_its_region(region: str) -> None:
    here = CATALOGUE.regions[region]
    asked = {s.id for s in screens_for(CATALOGUE, region)}
    met = {*asked, *here.findings, *(i.id for c in here.cards for i in c.item), *(n.id for n in here.neighbours)}
    for finding in here.findings.values():
        assert set(getattr(finding, "first", ())) <= met, finding.id


LOADS = {"laxity", "provocation", "range-of-motion", "strength", "neurodynamic", "functional"}


def hands_on(region: str, kinds: set[str] | frozenset[str] = frozenset(LOADS)) -> dict[str, HandsOn]:
    entries = CATALOGUE.regions[region].findings
    return {
        row.finding_id: entry
        for row in load_evidence().findings_of(region)
        if row.kind in kinds and isinstance(entry := entries[row.finding_id], HandsOn)
    }


@pytest.mark.parametrize(
    ("screen", "region"),
    [(s, region) for s in SCREENS.values() if s.precaution for region in s.regions],
    ids=lambda value: getattr(value, "id", value),
)
def test_what_a_flag_withholds_is_withheld_in_its_region(screen: Screen, region: str) -> None:
    """At least one finding that loads heeds the flag, and says what to do instead."""
    heeding = [e for e in hands_on(region).values() if screen.precaution in e.never_if]
    assert heeding, f"no loading finding of {region} waits for {screen.precaution}"
    assert all(len(e.never_if[screen.precaution]) > 5 for e in heeding)


# Signs of a break are looked for while a break is not excluded: they are how the rule is worked.
RULE_ITEMS = {
    "elbow-wrist-hand": {
        "thumb-longitudinal-compression", "pain-on-ulnar-deviation", "pain-on-active-wrist-motion",
        "pain-on-passive-wrist-motion", "pain-on-radial-deviation", "painful-supination", "elbow-extension-test",
        "elbow-four-way-motion-limited", "elbow-all-movements-limited",
    },
    "cervical": {"cannot-move-neck", "ten-second-grip-release", "ten-second-grip-release-camera"},
    "lumbar-pelvis": {"supine-lying-intolerance", "lying-rolling-sitting-pain"},
    "hip": {"straight-leg-raise-unable-or-restricted"},
    "knee": {"inability-to-bear-weight", "inability-to-flex-90"},
    "ankle-foot": {"tuning-fork-lateral-malleolus-tip", "tuning-fork-distal-fibula-shaft"},
}  # fmt: skip


@pytest.mark.parametrize("region", REGIONS)
def test_nothing_that_loads_is_offered_while_a_fracture_is_not_excluded(region: str) -> None:
    not_heeding = {i for i, e in hands_on(region).items() if "fracture-not-excluded" not in e.never_if}
    assert not_heeding == RULE_ITEMS.get(region, set())


@pytest.mark.parametrize("region", ["shoulder", "hip", "knee", "ankle-foot"])
def test_a_hot_joint_is_not_loaded(region: str) -> None:
    """What is left is read in a moment and is part of a fracture rule, or rings a fork on bone."""
    not_heeding = {i for i, e in hands_on(region).items() if "hot-joint" not in e.never_if}
    assert not_heeding <= RULE_ITEMS.get(region, set())
