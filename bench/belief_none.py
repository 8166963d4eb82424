"""What is believed of people in whom nothing specific is wrong: healthy controls, and the rate of positives elsewhere.

Run: OMP_NUM_THREADS=1 python bench/belief_none.py (bench/belief_speed.py prints it too)

Two things bear on P(positive | no specific structure): the healthy controls of two-gate studies (belief/controls.py),
and the wide prior that holds a finding's rate elsewhere near its pairs' rates (belief/fit.py). Each is left out.
"""

from __future__ import annotations

from dataclasses import replace
from unittest.mock import patch

import numpy as np
from scipy.special import ndtr

from endfeel.belief import Context, RegionModel, believe, compile_region
from endfeel.belief import fit as fit_module
from endfeel.belief.fitted import FittedRegion
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.pooling import load_edition

NOT_HELD = 1e6
TYPICAL: dict[str, tuple[tuple[str, str], ...]] = {
    "elbow-wrist-hand": (("phalen-test", "positive"), ("tinel-sign-wrist", "positive")),
    "lumbar-pelvis": (("psis-distraction", "positive"), ("thigh-thrust", "positive")),
    "hip": (("puranen-orava-test", "positive"), ("bent-knee-stretch", "positive")),
    "ankle-foot": (("anterior-drawer-ankle", "positive"), ("atfl-palpation-pain", "positive")),
    "shoulder": (("empty-can-test", "positive"), ("speed-test", "positive")),
    "knee": (("lachman", "positive"), ("mcmurray:medial", "negative")),
}


def main() -> None:
    """Print the tables."""
    models = {region: model_of(region) for region in load_evidence().regions()}
    controls(models)
    elsewhere(models)
    typical(models)


def model_of(region: str) -> RegionModel:
    """The model as it is, an adult in primary care, gradual onset; an injury in the knee."""
    onset = "injury" if region == "knee" else "gradual"
    return compile_region(load_evidence(), load_edition(), load_catalogue(), Context(region, onset=onset))


def without_controls(model: RegionModel) -> RegionModel:
    """The same model as though no healthy controls had been examined."""
    fitted = model.fitted
    bare = FittedRegion(
        fitted.region, fitted.conditions, fitted.none_id, fitted.unions,
        tuple(replace(item, controls=None) for item in fitted.observed), fitted.groups, fitted.case_mix, fitted.edition,
        fitted.dependence, fitted.draws, fitted.seed,
    )
    return replace(model, fitted=bare, _kept={})


def controls(models: dict[str, RegionModel]) -> None:
    """How many lines and findings healthy controls reach, and how far they move them."""
    evidence = load_evidence()
    two_gate = sum(
        (study := evidence.studies.get(row.study_id)) is not None and study.sampling == "two-gate"
        for row in evidence.accuracy
    )
    gaps = [(region, gap) for region, model in models.items() for gap in model.control_gaps]
    print("## Healthy controls and the state none\n")
    print(f"{two_gate} of {len(evidence.accuracy)} accuracy lines come from two-gate studies. Where the line's words "
          f"say that all its controls were healthy, they inform P(positive | no specific structure): {len(gaps)} "
          "findings. Rates are means over draws, in percent; moved is the mean change of η (probits) in that state.\n")
    print("| region | finding | healthy people | positive of them | fitted elsewhere | in the state none | weight | "
          "moved |\n" + "| --- " * 8 + "|")
    moved = []
    for region, gap in gaps:
        model, bare = models[region], without_controls(models[region])
        j = model.place[gap.observable]
        held = model.observed(gap.observable).controls
        assert held is not None
        none = int(np.flatnonzero(model.membership[model.none_id])[0])
        eta, before = (m.weighing().eta(j)[:, m.weighing().place[j][none]] for m in (model, bare))
        moved.append(float((eta - before).mean()))
        print(f"| {region} | {gap.observable} | {gap.people} | {sum(held.false_positives)} | "
              f"{100 * ndtr(before).mean():.0f} | {100 * ndtr(eta).mean():.0f} | {gap.weight:.2f} | {moved[-1]:+.2f} |")
    largest = max(np.abs(moved))
    print(f"\nMedian change {np.median(np.abs(moved)):.2f}, largest {largest:.2f} probits; in "
          f"{sum(gap.conflict for _, gap in gaps)} findings controls and fit lie more than two standard deviations "
          "apart.\n")


def elsewhere(models: dict[str, RegionModel]) -> None:
    """How the fit is held where specificities leave the rate elsewhere open."""
    print("## The rate elsewhere\n")
    print("Findings with several pairs: the mean over draws of the rate of positives where none of a finding's "
          "conditions is present, and how far fitted rates lie from pooled ones (logits).\n")
    print("| a held within | lowest rate % | a tenth below % | middle % | draws under 0.1 % | typical misfit (root "
          "mean square) | over 0.3 |\n" + "| --- " * 7 + "|")
    for words, spread in (("nothing", NOT_HELD), ("1 probit (as shipped)", 1.0), ("0.5 probit", 0.5)):
        with patch.object(fit_module, "ELSEWHERE_SPREAD", spread):
            rates, gaps = [], []
            for model in models.values():
                fresh = without_controls(model)
                tables = fresh.weighing()
                rates += [
                    ndtr(tables.drawn.response(j)[0][:, 0])
                    for j, item in enumerate(fresh.fitted.observed) if len(item.pairs) > 1
                ]
                gaps += [r.gap for r in fresh.residuals]
        rate, gap = np.array(rates), np.array(gaps)
        low, tenth, middle = 100 * np.quantile(rate.mean(axis=1), [0.0, 0.1, 0.5])
        print(f"| {words} | {low:.1f} | {tenth:.0f} | {middle:.0f} | {100 * (rate < 1e-3).mean():.0f} % | "
              f"{np.sqrt((gap**2).mean()):.2f} | {(np.abs(gap) > 0.3).sum()} of {len(gap)} |")
    print()


def typical(models: dict[str, RegionModel]) -> None:
    """Chances after typical recordings, with both, without controls, and with neither."""
    print("## Typical recordings\n")
    print("Chance in percent of no specific structure, and of the condition that is then likeliest: as shipped, "
          "without controls, and without controls and with nothing holding the rate elsewhere.\n")
    print("| region | recorded | none: shipped | no controls | neither | likeliest | shipped | no controls | neither |")
    print("| --- " * 9 + "|")
    for region, recorded in TYPICAL.items():
        model = models[region]
        for count in (1, len(recorded)):
            results = dict(recorded[:count])
            shipped, bare = believe(model, results), believe(without_controls(model), results)
            with patch.object(fit_module, "ELSEWHERE_SPREAD", NOT_HELD):
                neither = believe(without_controls(model), results)
            lead = max(model.conditions, key=lambda c: shipped.chances[c].mean)
            figures = [
                f"{100 * belief.chances[which].mean:.1f}"
                for which in (model.none_id, lead) for belief in (shipped, bare, neither)
            ]
            said = ", ".join(f"{o} {r}" for o, r in results.items())
            print(f"| {region} | {said} | {' | '.join(figures[:3])} | {lead} | {' | '.join(figures[3:])} |")
    print()


if __name__ == "__main__":
    main()
