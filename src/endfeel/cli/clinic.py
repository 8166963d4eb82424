"""What the reasoning commands compute with: what is shipped, or a clinic's own studies, costs and starting chances too.

Public: ClinicData, Figures, figures.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Annotated

import typer

from endfeel.cli.keep import existing_store
from endfeel.evidence import EvidenceBase
from endfeel.planning import Costs
from endfeel.pooling.edition import Edition
from endfeel.visits.release import Release, shipped_release
from endfeel.web.clinic_chances import ChancesSet, ClinicChances
from endfeel.web.clinic_costs import ClinicCosts
from endfeel.web.clinic_evidence import ClinicEvidence

ClinicData = Annotated[
    Path | None,
    typer.Option(
        "--data", help="folder of a clinic's data: its own studies, costs and starting chances; none where left out"
    ),
]


@dataclass(frozen=True)
class Figures:
    """The figures of a command. costs, chances_set: by region. own_studies: how many of the clinic's own are in use.

    words: where they come from, in one line; trouble: what of the clinic's is not used and why, in one line or empty.
    """

    release: Release
    evidence: EvidenceBase
    edition: Edition
    costs: Mapping[str, Costs]
    chances_set: Mapping[str, ChancesSet]
    own_studies: int
    words: str
    trouble: str = ""


def figures(data: Path | None) -> Figures:
    """The shipped figures, or those of a clinic's data folder as its pages use them.

    BadParameter where there is no store in the folder, StoreError where it can not be read.
    """
    release = shipped_release()
    if data is None:
        words = "Shipped tables only; --data DIR takes in a clinic's own studies, costs and starting chances."
        none: Mapping[str, ChancesSet] = MappingProxyType({})
        return Figures(release, release.evidence, release.edition, release.costs, none, 0, words)
    with existing_store(data) as store:
        standing = ClinicEvidence(store, release.evidence, release.edition, release.catalogue).now()
        clinic_costs = ClinicCosts(store, release.catalogue, release.costs)
        costs = {region: clinic_costs.of(region) for region in release.catalogue.regions}
        changed, chances = clinic_costs.set_now(), ClinicChances(store, release.catalogue).set_now()
    count = sum(study not in standing.overlay.retired for study in standing.overlay.own)
    left_out = len(standing.overlay.retired.keys() - standing.overlay.own.keys())
    parts = [
        f"{count} {'study' if count == 1 else 'studies'} of the clinic's own",
        *([f"{left_out} shipped left out"] if left_out else []),
        *(["its costs"] if changed else []),
        *(["its starting chances"] if chances else []),
    ]
    words = f"Shipped tables with {', '.join(parts)}, from {data}."
    return Figures(
        release, standing.evidence, standing.edition, MappingProxyType(costs), chances, count, words, standing.trouble
    )
