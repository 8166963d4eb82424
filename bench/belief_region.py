"""An invented region of any size, for timing: evidence, edition and catalogue as the package makes them."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np

from endfeel.catalogue.conditions import CareGroup, Condition
from endfeel.catalogue.entries import Review
from endfeel.catalogue.regions import Catalogue, RegionCatalogue
from endfeel.evidence.base import EvidenceBase
from endfeel.evidence.rows import AccuracyRow, FindingRow
from endfeel.pooling.edition import Edition, make_edition

REGION = "knee"
DRAWS = 400
SPREAD_POOLED, SPREAD_STUDY, SPREAD_REST = 0.35, 0.6, 0.5


def invented(conditions: int, observables: int, seed: int = 1) -> tuple[EvidenceBase, Edition, Catalogue]:
    """A region of so many conditions and findings. Every fifth finding is studied for two conditions; there are as many
    structures as conditions. Spreads in logits are about those of the shipped edition."""
    rng = np.random.default_rng(seed)
    names = [f"condition-{i}" for i in range(conditions)]
    pairs = []
    for j in range(observables):
        for c in {j % conditions, (j + 1) % conditions} if j % 5 == 0 else {j % conditions}:
            pairs.append((f"finding-{j}", names[c]))
    return _evidence(pairs, conditions, observables), _edition(pairs, names, rng), _catalogue(names)


def _evidence(pairs: list[tuple[str, str]], conditions: int, observables: int) -> EvidenceBase:
    rows = tuple(
        AccuracyRow(
            region=REGION, study_id="ref-invented-2020", finding_id=o, observable_id=o, condition_id=c,
            criterion="none", tp=30, fp=10, fn=10, tn=50, basis="counts", source_url="none", source_kind="paper-table",
            read_at="none",
        )
        for o, c in pairs
    )
    findings = {
        (REGION, f"finding-{j}"): FindingRow.model_validate(
            {
                "region": REGION, "finding_id": f"finding-{j}", "name": f"finding {j}", "kind": "provocation",
                "patient_position": "supine", "loads": f"structure {j % conditions}", "provocation": 1, "minutes": 1.0,
            }
        )
        for j in range(observables)
    }
    return EvidenceBase(
        studies=MappingProxyType({}), accuracy=rows, rates=(), findings=MappingProxyType(findings), prevalence=(),
        combinations=(), fingerprint=f"invented-{conditions}-{observables}",
    )


def _edition(pairs: list[tuple[str, str]], names: list[str], rng: np.random.Generator) -> Edition:
    eye = np.broadcast_to(np.eye(2), (DRAWS, 2, 2))
    centre = np.stack([rng.normal(0.5, 0.6, len(pairs)), rng.normal(1.0, 0.6, len(pairs))], axis=-1)
    arrays = {
        "mu": centre + SPREAD_POOLED * rng.standard_normal((DRAWS, len(pairs), 2)),
        "sigma_study": eye * SPREAD_STUDY**2, "sigma_rest": eye * SPREAD_REST**2,
        "kind_mean": np.zeros((DRAWS, 1, 2)), "condition_effect": np.zeros((DRAWS, len(names), 2)),
        "condition_sd": np.full((DRAWS, 2), 0.3), "pair_sd": np.full((DRAWS, 2), 0.6),
        "pair_correlation": np.zeros(DRAWS), "study_effect": np.zeros((DRAWS, 1, 2)),
        "design_effect": np.zeros((DRAWS, 3)),
    }
    return make_edition(
        pairs=tuple(pairs), kinds=("provocation",), conditions=tuple(names),
        studies=(("ref-invented-2020", names[0]),), arrays=arrays, meta={"invented": True},
    )


def _catalogue(names: list[str]) -> Catalogue:
    draft = Review(status="draft")
    chance = 0.9 / len(names)
    conditions = {
        name: Condition(
            id=name, name=name, plain=name, claim="lesion", care_group="care", urgency="routine", rail="yes",
            picture="Invented.", assumed_chance={"injury": chance, "gradual": chance}, review=draft,
        )
        for name in names
    }
    conditions["none"] = Condition(
        id="none", name="none", plain="none", claim="syndrome", care_group="care", urgency="routine", rail="yes",
        picture="Invented.", none=True, review=draft,
    )
    care = CareGroup(
        id="care", name="Care", plain="Care.", start_care="Care.", look_further="Ask.", set_aside="Wait.",
        look_again_days=14, harm_of_a_miss=3.0, harm_of_wrong_care=2.0, review=draft,
    )
    region = RegionCatalogue(
        region=REGION, findings=MappingProxyType({}), conditions=MappingProxyType(conditions),
        care=MappingProxyType({"care": care}), neighbours=(), cards=(), drawings=MappingProxyType({}),
    )
    return Catalogue(
        regions=MappingProxyType({REGION: region}), precautions=MappingProxyType({}), screens=MappingProxyType({}),
        modalities=MappingProxyType({}),
    )
