"""Every question about the person does something: it raises a screen, has it asked, or withholds a finding."""

from __future__ import annotations

import pytest

from endfeel.catalogue import load_catalogue
from endfeel.catalogue.entries import HandsOn
from endfeel.evidence.base import REGIONS
from endfeel.planning.withhold import POSITION_BARRED

CATALOGUE = load_catalogue()
ASKED = tuple(p.id for p in CATALOGUE.precautions.values() if p.asked)
NAMED = (
    "pregnancy", "anticoagulant", "long-steroid", "recent-quinolone", "diabetes", "thyroid-disease", "osteoporosis",
    "cancer-history", "inflammatory-arthritis", "joint-replacement", "hypermobility", "recent-surgery",
)  # fmt: skip


def screens_moved(precaution: str, region: str) -> set[str]:
    """Screens of a region that it raises, has asked again, or that it takes out of the rule's people."""
    return {
        s.id
        for s in CATALOGUE.screens.values()
        if region in s.regions
        and (
            any(mark.person == precaution for item in s.item for mark in item.shown_by)
            or any(line.when == precaution for line in s.outside)
        )
    }


def withheld(precaution: str, region: str) -> set[str]:
    """Findings of a region that it withholds."""
    findings = CATALOGUE.regions[region].findings.values()
    return {f.id for f in findings if isinstance(f, HandsOn) and precaution in f.never_if}


def test_all_that_must_be_asked_is_asked() -> None:
    assert set(NAMED) <= set(ASKED)


@pytest.mark.parametrize("precaution", ASKED)
def test_every_question_about_the_person_does_something(precaution: str) -> None:
    does = {r: screens_moved(precaution, r) | withheld(precaution, r) for r in REGIONS}
    assert any(does.values()) or precaution in POSITION_BARRED


@pytest.mark.parametrize(
    ("precaution", "region", "screen"),
    [
        ("pregnancy", "lumbar-pelvis", "belly-or-pelvis"),
        ("pregnancy", "knee", "deep-vein-thrombosis"),
        ("anticoagulant", "knee", "compartment-syndrome"),
        ("long-steroid", "hip", "hip-osteonecrosis"),
        ("long-steroid", "lumbar-pelvis", "vertebral-fracture"),
        ("recent-quinolone", "ankle-foot", "achilles-rupture"),
        ("diabetes", "ankle-foot", "hot-numb-foot"),
        ("diabetes", "lumbar-pelvis", "spinal-infection"),
        ("thyroid-disease", "lumbar-pelvis", "vertebral-fracture"),
        ("thyroid-disease", "elbow-wrist-hand", "compartment-syndrome"),
        ("osteoporosis", "hip", "hip-bone-stress"),
        ("osteoporosis", "knee", "knee-trauma-screen"),
        ("cancer-history", "cervical", "spinal-malignancy"),
        ("cancer-history", "shoulder", "night-pain-weight-loss"),
        ("inflammatory-arthritis", "cervical", "upper-neck-ligaments"),
        ("inflammatory-arthritis", "knee", "septic-joint"),
        ("joint-replacement", "hip", "replaced-joint"),
        ("hypermobility", "cervical", "upper-neck-ligaments"),
        ("recent-surgery", "knee", "septic-joint"),
        ("immune-suppressed", "lumbar-pelvis", "spinal-infection"),
        ("vascular-disease", "ankle-foot", "cold-limb"),
        ("cannot-bear-weight", "ankle-foot", "ankle-foot-trauma-screen"),
    ],
)
def test_what_is_said_of_the_person_reaches_the_screen(precaution: str, region: str, screen: str) -> None:
    assert screen in screens_moved(precaution, region)


@pytest.mark.parametrize(
    ("precaution", "region"),
    [
        ("pregnancy", "lumbar-pelvis"),
        ("anticoagulant", "lumbar-pelvis"),
        ("recent-quinolone", "lumbar-pelvis"),
        ("osteoporosis", "lumbar-pelvis"),
        ("joint-replacement", "hip"),
        ("hypermobility", "ankle-foot"),
        ("recent-surgery", "shoulder"),
        ("diabetes", "ankle-foot"),
        ("inflammatory-arthritis", "ankle-foot"),
    ],
)
def test_what_is_said_of_the_person_withholds_findings(precaution: str, region: str) -> None:
    assert withheld(precaution, region)
