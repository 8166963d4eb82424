"""The chapters on starting chances and on what scans show by chance."""

from __future__ import annotations

from functools import partial
from typing import Any

from tests.spec.chapters import Case, Chapter

from endfeel.belief import Context
from endfeel.belief.starting import starting_chances
from endfeel.catalogue import load_catalogue
from endfeel.documents.incidental import chanced
from endfeel.evidence import load_evidence
from endfeel.evidence.incidental import load_incidental


def starting_chapter() -> Chapter:
    """Where a starting chance comes from."""

    def start(region: str, condition: str, people: dict[str, Any]) -> str:
        found = starting_chances(load_evidence(), load_catalogue().region(region), Context(region, **people))
        chance = found.get(condition)
        if chance is None:
            return "follows from its kinds"
        origin = (
            "the clinic's" if chance.clinic else "by hand" if chance.by_hand else "assumed" if chance.assumed
            else "borrowed" if chance.borrowed else "counted"
        )  # fmt: skip
        return f"{100 * chance.chance:.3g} %, {origin}"

    tear, spine = ("knee", "acl-tear"), ("lumbar-pelvis", "axial-spondyloarthritis")
    own = {"acl-tear": 0.35}
    rows: tuple[tuple[tuple[str, str], str, dict[str, Any], str], ...] = (
        (tear, "injury", {"onset": "injury"}, "21.1 %, counted"),
        (tear, "injury, 17 years: those counted were 18 or over", {"onset": "injury", "age": 17}, "15 %, assumed"),
        (tear, "injury; the clinic set 35 %", {"onset": "injury", "clinic": own}, "35 %, the clinic's"),
        (
            tear,
            "injury; the clinic set 35 %, a hand 60 %",
            {"onset": "injury", "clinic": own, "chances": {"acl-tear": 0.6}},
            "60 %, by hand",
        ),
        (("knee", "knee-osteoarthritis"), "gradual", {}, "46.2 %, borrowed"),
        (("knee", "pcl-tear"), "gradual", {}, "1 %, assumed"),
        (spine, "gradual, 30 years", {"age": 30}, "24.6 %, counted"),
        (spine, "gradual, 60 years: those counted were 45 at most", {"age": 60}, "follows from its kinds"),
        (("knee", "no-specific-structure-knee"), "gradual", {}, "30 %, assumed"),
        (("knee", "no-specific-structure-knee"), "tertiary care", {"setting": "tertiary"}, "5 %, assumed"),
    )
    return Chapter(
        "starting-chances",
        "Where a starting chance comes from",
        "What is set by hand in a visit, else the clinic's own table, else published counts of people who were not "
        "selected by a finding, a suspicion or a scan (of the same setting, or borrowed from the nearest one and "
        "widened; an age window serves ages inside it), else our stated assumption. In primary care where nothing else "
        "is said.",
        ("condition", "people", "starts at"),
        tuple(
            Case((of[1], who), expected, partial(start, of[0], of[1], people)) for of, who, people, expected in rows
        ),
    )


def by_chance_chapter() -> Chapter:
    """What is said of a scan in people without symptoms."""

    def line(region: str, modality: str, condition: str, age: int | None) -> str:
        found = chanced(load_incidental(), region, modality, [condition], age)
        return "nothing: it is no scan" if found is None else found[0].words if found else "no source was read"

    disc, cuff, knee = "lumbar-disc-herniation", "full-thickness-rotator-cuff-tear", "meniscal-tear"
    rows = (
        ("shoulder", "ultrasound", cuff, 55,
         "About 1 in 50 people aged 50 to 59 without shoulder symptoms have a full-thickness cuff tear on ultrasound."),
        ("shoulder", "ultrasound", cuff, 30,
         "In people aged 20 to 49 without shoulder symptoms, a full-thickness cuff tear was not seen on ultrasound."),
        ("lumbar-pelvis", "mri", disc, 45,
         "About 3 in 10 people aged 40 to 49 without back pain have a disc protrusion on MRI or CT."),
        ("lumbar-pelvis", "mri", disc, 68,
         "Between 36 and 43 in 100 people aged 50 to 59 or 80 to 89 (for 68 nothing was read) without back pain have a "
         "disc protrusion on MRI or CT."),
        ("knee", "mri", knee, None,
         "Between 4 and 23 in 100 knees of people of different ages without symptoms or injury have a meniscal tear on "
         "MRI."),
        ("elbow-wrist-hand", "radiograph", "thumb-carpometacarpal-osteoarthritis", 40, "no source was read"),
        ("knee", "mri", knee, 15, "no source was read"),
        ("knee", "specialist-opinion", knee, 40, "nothing: it is no scan"),
    )  # fmt: skip
    return Chapter(
        "by-chance",
        "What a scan shows by chance",
        "Wherever looking further is offered or was chosen, one line says how many people without symptoms have the "
        "same, at the patient's age; `incidental.csv` holds the figures with their sources. No chance is worked out "
        "from them.",
        ("scan", "asked about", "age", "said"),
        tuple(
            Case((modality, condition, "not known" if age is None else str(age)), expected,
                 partial(line, region, modality, condition, age))
            for region, modality, condition, age, expected in rows
        ),
    )  # fmt: skip
