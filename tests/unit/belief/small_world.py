"""An invented region, small enough to check by hand: evidence, edition and catalogue as the package makes them."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np

from endfeel.catalogue.conditions import CareGroup, Condition
from endfeel.catalogue.entries import HandsOn, HistoryItem, LookFurther, Review
from endfeel.catalogue.regions import Catalogue, RegionCatalogue
from endfeel.evidence.base import EvidenceBase
from endfeel.evidence.rows import AccuracyRow, FindingRow, PrevalenceRow
from endfeel.pooling.edition import Edition, make_edition

REGION = "knee"
DRAFT = Review(status="draft")
KINDS = ("history", "provocation", "laxity", "imaging")

# (observable, kind, loads, pairs: condition -> (logit sensitivity, logit specificity))
FINDINGS = {
    "alpha-pull": ("laxity", "alpha band", {"alpha-tear": (1.2, 1.8)}),
    "alpha-push": ("laxity", "alpha band;other", {"alpha-tear": (0.7, 1.4)}),
    "alpha-twist": ("laxity", "alpha band", {"alpha-tear": (0.2, 2.2), "gamma-pain": (-0.4, 0.9)}),
    "beta-press:inner": ("provocation", "beta pad", {"beta-tear-inner": (0.6, 0.9)}),
    "beta-press:outer": ("provocation", "beta pad", {"beta-tear-outer": (0.3, 1.3)}),
    "beta-press:either": ("provocation", "beta pad", {"beta-tear": (0.8, 0.5)}),
    "beta-turn": ("provocation", "beta pad", {"beta-tear": (0.4, 0.7)}),
    "gamma-squeeze": ("provocation", "gamma joint", {"gamma-pain": (0.9, 0.2), "delta-pain": (0.5, 0.1)}),
    "gamma-grade:mild": ("provocation", "gamma joint", {"gamma-pain": (1.1, 0.3)}),
    "gamma-grade:strong": ("provocation", "gamma joint", {"gamma-pain": (-0.2, 1.6)}),
    "gamma-end:soft": ("provocation", "gamma joint", {"gamma-pain": (0.9, 1.1)}),
    "gamma-end:hard": ("provocation", "gamma joint", {"delta-pain": (0.9, 1.4), "gamma-pain": (-1.7, 1.2)}),
    "gamma-end:springy": ("provocation", "gamma joint", {"beta-tear": (-0.3, 2.4)}),
    "pop-heard": ("history", "none", {"alpha-tear": (0.3, 0.6)}),
    "useless-tap": ("provocation", "none", {"delta-pain": (-0.4, 0.4)}),
    "alpha-scan": ("imaging", "none", {"alpha-tear": (2.2, 4.0)}),
}
UNSTUDIED = {"delta-lift": ("provocation", "delta tendon", ("delta-pain",)), "idle-look": ("provocation", "none", ())}

CHANCES = {
    "alpha-tear": (0.20, 0.02), "beta-tear-inner": (0.15, 0.12), "beta-tear-outer": (0.08, 0.05),
    "gamma-pain": (0.10, 0.25), "delta-pain": (0.08, 0.20),
}


def condition(identifier: str, **fields: object) -> Condition:
    """One invented condition."""
    injury, gradual = CHANCES.get(identifier, (0.0, 0.0))
    given: dict[str, object] = {
        "id": identifier, "name": identifier.replace("-", " "), "plain": identifier, "claim": "lesion",
        "care_group": "care", "urgency": "routine", "rail": "yes", "picture": "Invented.", "onset": ("either",),
        "assumed_chance": {"injury": injury, "gradual": gradual} if injury else {}, "review": DRAFT,
    }
    return Condition.model_validate({**given, **fields})


def catalogue() -> Catalogue:
    """The invented region's catalogue."""
    conditions = [
        condition("alpha-tear", onset=("injury",)),
        condition("beta-tear"),
        condition("beta-tear-inner", rail="detail", kind_of=("beta-tear",)),
        condition("beta-tear-outer", rail="detail", kind_of=("beta-tear",)),
        condition("gamma-pain", claim="pain-source"),
        condition("delta-pain", claim="pain-source", onset=("gradual",)),
        condition("alpha-break", rail="never", urgency="same-day"),
        condition("nothing-specific-knee", claim="syndrome", none=True),
    ]
    findings = {}
    for name in [*FINDINGS, *UNSTUDIED]:
        identifier = name.split(":")[0]
        if identifier in findings:
            continue
        targets = UNSTUDIED[name][2] if name in UNSTUDIED else ()
        kind = FINDINGS[name][0] if name in FINDINGS else UNSTUDIED[name][0]
        common = {"id": identifier, "targets": targets, "review": DRAFT}
        if kind == "history":
            findings[identifier] = HistoryItem(
                **common, ask="Was there a pop?", answers=("yes", "no"), positive=("yes",), negative=("no",),
                why="It may.",
            )
        elif kind == "imaging":
            findings[identifier] = LookFurther(**common, purpose="To see it.", modality="scan")
        else:
            readings: dict[str, object] = {}
            if identifier == "beta-press":
                readings = {
                    "inner": "inner side", "outer": "outer side",
                    "either": {"words": "either side", "any_of": ["inner", "outer"]},
                }
            if identifier == "gamma-grade":
                readings = {"mild": {"words": "at all", "level": 1}, "strong": {"words": "strongly", "level": 2}}
            if identifier == "gamma-end":
                feels = ("soft", "hard", "springy")
                readings = {
                    name: {"words": f"{name} stop", "excludes": [o for o in feels if o != name]} for name in feels
                }
            findings[identifier] = HandsOn.model_validate(
                {
                    **common, "purpose": "To feel it.", "patient": "Lies.", "examiner": "Stands.", "move": "Pushes.",
                    "observe": [{"id": "pain", "choose": ["no", "yes"]}], "readings": readings,
                    "result": {"positive": 'pain == "yes"', "negative": 'pain == "no"'},
                }
            )
    care = CareGroup(
        id="care", name="Care", plain="Care.", start_care="Care.", look_further="Ask.", set_aside="Wait.",
        modality="scan", look_again_days=14, harm_of_a_miss=3.0, harm_of_wrong_care=2.0, review=DRAFT,
    )
    region = RegionCatalogue(
        region=REGION, findings=MappingProxyType(findings), conditions=MappingProxyType({c.id: c for c in conditions}),
        care=MappingProxyType({"care": care}), neighbours=(), cards=(), drawings=MappingProxyType({}),
    )
    empty = MappingProxyType({})
    return Catalogue(regions=MappingProxyType({REGION: region}), precautions=empty, screens=empty, modalities=empty)


def evidence(prevalence: tuple[PrevalenceRow, ...] = ()) -> EvidenceBase:
    """Accuracy lines that name the pairs; the figures that count are the edition's."""
    rows, findings = [], {}
    for observable, (kind, loads, pairs) in FINDINGS.items():
        identifier = observable.split(":")[0]
        findings[(REGION, identifier)] = finding(identifier, kind, loads)
        for named in pairs:
            rows.append(
                AccuracyRow(
                    region=REGION, study_id="ref-invented-2020", finding_id=identifier, observable_id=observable,
                    condition_id=named, criterion="invented", tp=30, fp=10, fn=10, tn=50, basis="counts",
                    source_url="https://example.org", source_kind="paper-table", read_at="nowhere",
                )
            )
    for identifier, (kind, loads, _) in UNSTUDIED.items():
        findings[(REGION, identifier)] = finding(identifier, kind, loads)
    return EvidenceBase(
        studies=MappingProxyType({}), accuracy=tuple(rows), rates=(), findings=MappingProxyType(findings),
        prevalence=prevalence, combinations=(), fingerprint=f"invented-{hash(prevalence)}",
    )


def finding(identifier: str, kind: str, loads: str) -> FindingRow:
    """One invented line of findings.csv."""
    return FindingRow.model_validate(
        {
            "region": REGION, "finding_id": identifier, "name": identifier.replace("-", " "), "kind": kind,
            "patient_position": "supine", "loads": loads, "provocation": 1, "minutes": 1.0,
        }
    )


def edition(*, draws: int = 64, spread: float = 0.3, study: float = 0.3, rest: float = 0.2, seed: int = 5) -> Edition:
    """An edition whose pairs lie about the figures of FINDINGS. spread, study, rest: standard deviations in logits."""
    rng = np.random.default_rng(seed)
    pairs = tuple((o, c) for o, (_, _, found) in FINDINGS.items() for c in found)
    centre = np.array([FINDINGS[o][2][c] for o, c in pairs])
    conditions = tuple(dict.fromkeys(c for _, c in pairs))
    eye = np.broadcast_to(np.eye(2), (draws, 2, 2))
    arrays = {
        "mu": centre + spread * rng.standard_normal((draws, len(pairs), 2)),
        "sigma_study": eye * study**2, "sigma_rest": eye * rest**2,
        "kind_mean": np.full((draws, len(KINDS), 2), 0.4) + 0.05 * rng.standard_normal((draws, len(KINDS), 2)),
        "condition_effect": 0.05 * rng.standard_normal((draws, len(conditions), 2)),
        "condition_sd": np.full((draws, 2), 0.2), "pair_sd": np.full((draws, 2), 0.5),
        "pair_correlation": np.full(draws, -0.2), "study_effect": np.zeros((draws, 1, 2)),
        "design_effect": np.zeros((draws, 3)),
    }
    return make_edition(
        pairs=pairs, kinds=KINDS, conditions=conditions, studies=(("ref-invented-2020", "alpha-tear"),), arrays=arrays,
        meta={"seed": seed, "spread": spread, "study": study, "rest": rest},
    )


def prevalence(
    identifier: str, with_it: int, total: int, *, setting: str = "primary", selected: str = "none",
    counting: str = "on-reference", age_low: int | None = None, age_high: int | None = None,
) -> PrevalenceRow:
    """One invented prevalence line."""
    return PrevalenceRow.model_validate(
        {
            "region": REGION, "condition_id": identifier, "setting": setting, "population": "invented people",
            "selected_by": selected, "counting": counting, "age_low": age_low, "age_high": age_high, "n_with": with_it,
            "n_total": total, "source_url": "https://example.org",
        }
    )
