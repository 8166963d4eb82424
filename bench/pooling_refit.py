"""The quick refit of one pair against a new run of the full model on the changed evidence.

Run: OMP_NUM_THREADS=1 python bench/pooling_refit.py [--seeds 11,21] [--chains 2] [--warmup 800] [--samples 3000]

Six pairs are changed at once for the full run (three gain an invented study, three lose one); the quick refit sees
them one by one. Differences are in standard deviations of the full run; the aim is 0.1 for means and 0.15 for the ends
of 95 % intervals, plus three Monte Carlo errors.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from numpyro.diagnostics import effective_sample_size

from endfeel.evidence import AccuracyRow, EvidenceBase, StudyRow, load_evidence
from endfeel.pooling import load_edition
from endfeel.pooling.build import sample_posterior
from endfeel.pooling.data import Pair, PoolingData, pooling_data
from endfeel.pooling.refit import counted_line, refit_pair

Array = NDArray[np.float64]

# Invented counts tp, fp, fn, tn: near what is known, far from it, and large.
GAINS: dict[Pair, tuple[int, int, int, int]] = {
    ("lachman", "acl-tear"): (34, 5, 6, 45),
    ("straight-leg-raise", "lumbar-disc-herniation"): (12, 20, 28, 15),
    ("hoffmann-sign", "cervical-myelopathy"): (110, 30, 140, 260),
}
LOSSES: tuple[Pair, ...] = (
    ("hawkins-kennedy-test", "subacromial-pain"),
    ("phalen-test", "carpal-tunnel-syndrome"),
    ("patellar-pubic-percussion", "hip-fracture"),
)
ENDS = (0.025, 0.975)


def main() -> None:
    """Run both and print the differences."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--warmup", type=int, default=800)
    parser.add_argument("--samples", type=int, default=3000)
    parser.add_argument("--chains", type=int, default=2)
    parser.add_argument("--seeds", default="11,21", help="one full run for each, their draws put together")
    parser.add_argument("--keep", type=Path, help="folder that keeps each run's draws, so that none need be repeated")
    options = parser.parse_args()
    evidence, edition = load_evidence(), load_edition()
    data = pooling_data(evidence, edition.left_out)
    lost = {pair: evidence.accuracy_of(*pair)[0].study_id for pair in LOSSES}
    changed = pooling_data(_changed(evidence, lost), edition.left_out)
    runs = [_full_run(changed, int(seed), options) for seed in options.seeds.split(",")]
    print(
        "| pair | change | refit, ms | reweighted, Pareto k | mean: sens, spec | low end | high end | moved by |",
        end="",
    )
    print(" effective draws of the full runs: means, ends |\n|---|---|---|---|---|---|---|---|---|")
    for pair in (*GAINS, *LOSSES):
        started = time.perf_counter()
        if pair in GAINS:
            refit = refit_pair(edition, data, *pair, added=[counted_line("ref-invented-own", *GAINS[pair])])
        else:
            gone = lost[pair]
            refit = refit_pair(edition, data, *pair, without=lambda line, gone=gone: line.study_id == gone)
        spent = 1000 * (time.perf_counter() - started)
        chains = [mu[:, :, changed.pairs.index(pair)] for mu in runs]
        draws = np.concatenate([chain.reshape(-1, 2) for chain in chains])
        ends = [np.quantile(draws, q, axis=0) for q in ENDS]
        effective = [sum(effective_sample_size(chain) for chain in chains).min()]
        effective.append(min(sum(effective_sample_size(1.0 * (chain < end)) for chain in chains).min() for end in ends))
        spread, quick = draws.std(axis=0), refit.draws.mu
        differences = [(quick.mean(axis=0) - draws.mean(axis=0)) / spread]
        differences += [(np.quantile(quick, q, axis=0) - end) / spread for q, end in zip(ENDS, ends, strict=True)]
        moved = (draws.mean(axis=0) - edition.pair(*pair).mean(axis=0)) / spread
        cells = " | ".join(f"{d[0]:+.2f}, {d[1]:+.2f}" for d in (*differences, moved))
        what = "gains a study" if pair in GAINS else "loses a study"
        print(
            f"| {pair[0]} | {what} | {spent:.0f} | {refit.reweighted}, {refit.pareto_k:.2f} | {cells} "
            f"| {effective[0]:.0f}, {effective[1]:.0f} |"
        )


def _full_run(changed: PoolingData, seed: int, options: argparse.Namespace) -> Array:
    """Draws of every pair's mean, (chains, samples, pairs, 2)."""
    kept = options.keep / f"run-{seed}.npy" if options.keep else None
    if kept and kept.exists():
        found: Array = np.load(kept).astype(float)
        return found
    started = time.perf_counter()
    mu = sample_posterior(changed, seed, options.chains, options.warmup, options.samples)[0]["mu"]
    print(f"full run {seed}: {time.perf_counter() - started:.0f} s, {options.chains} x {options.samples} draws\n")
    if kept:
        options.keep.mkdir(parents=True, exist_ok=True)
        np.save(kept, mu.astype(np.float32))
    return mu


def _changed(evidence: EvidenceBase, lost: dict[Pair, str]) -> EvidenceBase:
    study = StudyRow.model_validate(
        {
            "region": "knee",
            "study_id": "ref-invented-own",
            "citation": "Invented for this comparison.",
            "year": 2026,
            "setting": "secondary",
            "sampling": "consecutive",
            "reference_standard": "mri",
            "index_blind": "yes",
            "reference_blind": "yes",
            "proposes_test": "no",
        }
    )
    rows = [row for row in evidence.accuracy if lost.get((row.observable_id, row.condition_id)) != row.study_id]
    for pair, (tp, fp, fn, tn) in GAINS.items():
        pattern = evidence.accuracy_of(*pair)[0]
        counts = {"tp": tp, "fp": fp, "fn": fn, "tn": tn, "basis": "counts", "study_id": study.study_id}
        rows.append(
            AccuracyRow.model_validate({**pattern.model_dump(), **counts, "sens_printed": "", "spec_printed": ""})
        )
    studies = MappingProxyType({**evidence.studies, study.study_id: study})
    return replace(evidence, studies=studies, accuracy=tuple(rows), fingerprint="changed for comparison")


if __name__ == "__main__":
    main()
