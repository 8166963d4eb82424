"""Whether what came of a treatment moves a chance: only where a study measured what it tells, as a finding of its own.

Public: studied_responses, response_words.
"""

from __future__ import annotations

from collections.abc import Mapping

from endfeel.documents.wording import listed, lower
from endfeel.evidence import EvidenceBase

# Findings of the tables that are what came of a treatment or of an injection, by region.
RESPONSES: Mapping[str, tuple[str, ...]] = {
    "hip": ("intra-articular-anaesthetic-relief",),
    "lumbar-pelvis": ("good-response-to-nsaid",),
}


def studied_responses(evidence: EvidenceBase, region: str) -> tuple[str, ...]:
    """Findings of a region that are such a response and have at least one accuracy or rates line."""
    studied = {observable.partition(":")[0] for observable in evidence.observables(region)}
    return tuple(f for f in RESPONSES.get(region, ()) if f in studied and (region, f) in evidence.findings)


def response_words(evidence: EvidenceBase, region: str) -> str:
    """What a recorded treatment response does to the chances, in a sentence or two."""
    found = studied_responses(evidence, region)
    if not found:
        return (
            "What came of a treatment is recorded; no published accuracy of a treatment response stands in the tables "
            "for this region, so it moves no chance."
        )
    named = listed([lower(evidence.findings[region, f].name) for f in found])
    return (
        f"What came of a treatment is recorded and moves no chance by itself. Studied here: {named}. "
        "Recorded as a finding, that moves the chances."
    )
