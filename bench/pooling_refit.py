"""The quick refit of one pair against a new run of the full model on the changed evidence.

Run: OMP_NUM_THREADS=1 python bench/pooling_refit.py [--warmup 800] [--samples 3000]

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

from endfeel.evidence import AccuracyRow, EvidenceBase, StudyRow, load_evidence
from endfeel.pooling import load_edition
from endfeel.pooling.build import sample_posterior
from endfeel.pooling.data import Pair, pooling_data
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
    parser.add_argument(
        "--keep", type=Path, help="file that keeps the full run's draws, so that it need not be repeated"
    )
    options = parser.parse_args()
    evidence, edition = load_evidence(), load_edition()
    data = pooling_data(evidence, edition.left_out)
    lost = {pair: evidence.accuracy_of(*pair)[0].study_id for pair in LOSSES}
    changed = pooling_data(_changed(evidence, lost), edition.left_out)
    if options.keep and options.keep.exists():
        mu = np.load(options.keep)
    else:
        started = time.perf_counter()
        mu = sample_posterior(changed, 11, 2, options.warmup, options.samples)[0]["mu"]
        print(f"full run: {time.perf_counter() - started:.0f} s, {2 * options.samples} draws\n")
        if options.keep:
            np.save(options.keep, mu)
    print("| pair | change | refit, ms | reweighted, Pareto k | mean: sens, spec | low end | high end | moved by |")
    print("|---|---|---|---|---|---|---|---|")
    for pair in (*GAINS, *LOSSES):
        started = time.perf_counter()
        if pair in GAINS:
            refit = refit_pair(edition, data, *pair, added=[counted_line("ref-invented-own", *GAINS[pair])])
        else:
            gone = lost[pair]
            refit = refit_pair(edition, data, *pair, without=lambda line, gone=gone: line.study_id == gone)
        spent = 1000 * (time.perf_counter() - started)
        draws = mu[:, :, changed.pairs.index(pair)].reshape(-1, 2)
        spread, quick = draws.std(axis=0), refit.draws.mu
        differences = [(quick.mean(axis=0) - draws.mean(axis=0)) / spread]
        differences += [(np.quantile(quick, q, axis=0) - np.quantile(draws, q, axis=0)) / spread for q in ENDS]
        moved = (draws.mean(axis=0) - edition.pair(*pair).mean(axis=0)) / spread
        cells = " | ".join(f"{d[0]:+.2f}, {d[1]:+.2f}" for d in (*differences, moved))
        what = "gains a study" if pair in GAINS else "loses a study"
        print(f"| {pair[0]} | {what} | {spent:.0f} | {refit.reweighted}, {refit.pareto_k:.2f} | {cells} |")


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
