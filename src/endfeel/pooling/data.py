"""The evidence tables as arrays for pooling: who was counted, which pair, which study, which design.

Rules, stated once:

- One study, observable and condition in several lines (two criteria, two levels of the condition): the lines read
  the same people, so each line's likelihood is raised to one over their number. Together they count as one study.
- A line with the basis `approx` rounds back to the printed rate only within 0.02 and its group sizes may be wrong by
  two. Each of its binomials is raised to w = v / (v + 0.02^2 / 3) * n / (n + 2), with v = p (1 - p) / n: the variance
  of a rate widened by that of a rounding error spread evenly over +-0.02, and two people fewer. `counts`, `derived`
  and `solved` count fully.
- A line of rates.csv sums over the splits that its printed figures allow (splits.py), shared with the other lines
  of the same study and condition. Where the study stands in accuracy.csv with the same observable and condition,
  those counts are used and the rates line is left out.
- Lines named in `left_out`, by study and observable or by study and finding, are left out and listed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeVar, get_args

import numpy as np
from numpy.typing import NDArray

from endfeel.evidence import AccuracyRow, EvidenceBase, RatesRow, StudyRow
from endfeel.evidence.rows import FindingKind
from endfeel.pooling.splits import PrintedRates, Splits, possible_splits

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Pair = tuple[str, str]
RowT = TypeVar("RowT", AccuracyRow, RatesRow)

KINDS: tuple[str, ...] = get_args(FindingKind)
DESIGN = ("two-gate", "proposes-test", "index-not-blinded")
"""Study design covariates, each 0 or 1; 0 also where it was not reported."""


@dataclass(frozen=True)
class Source:
    """Where one line stands and what it says about how its counts were found."""

    study_id: str
    observable_id: str
    condition_id: str
    region: str
    table: str
    line: int
    basis: str


@dataclass(frozen=True)
class Counted:
    """Lines with four counts.

    tp, n1, tn, n0 (R,): people; weight (R, 2): power of the likelihood of sensitivity and specificity;
    pair, study (R,): indices into PoolingData.pairs and .studies; design (R, 3): DESIGN covariates.
    """

    tp: Array
    n1: Array
    tn: Array
    n0: Array
    weight: Array
    pair: Index
    study: Index
    design: Array
    sources: tuple[Source, ...]


@dataclass(frozen=True)
class Rated:
    """Lines with rates but no split; lines of one group share the split.

    tp, tn (Q, J): counts at each split; n1, n0, log_weight (G, J): the group's splits (-inf pads);
    group, pair, study (Q,): indices; weight (Q,): power of the line; design (Q, 3); total (Q,) people.
    """

    tp: Array
    tn: Array
    n1: Array
    n0: Array
    log_weight: Array
    group: Index
    pair: Index
    study: Index
    weight: Array
    design: Array
    total: Array
    sources: tuple[Source, ...]


@dataclass(frozen=True)
class PoolingData:
    """All that the model reads.

    pairs: (observable, condition); pair_kind, pair_condition (P,): indices into kinds and conditions;
    studies: (study, condition), the level of the shared study effect; left_out: lines not used.
    """

    pairs: tuple[Pair, ...]
    pair_kind: Index
    pair_condition: Index
    kinds: tuple[str, ...]
    conditions: tuple[str, ...]
    studies: tuple[tuple[str, str], ...]
    counted: Counted
    rated: Rated
    left_out: tuple[Source, ...]
    fingerprint: str


def pooling_data(evidence: EvidenceBase, left_out: frozenset[tuple[str, str]] = frozenset()) -> PoolingData:
    """Arrays of the evidence, in table order.

    left_out: (study_id, observable_id or finding_id) lines that are not to be used.
    """
    accuracy, dropped = _without(evidence.accuracy, left_out)
    known = {_key(r) for r in accuracy}
    rates, dropped_rates = _without(evidence.rates, left_out)
    doubled = [r for r in rates if _key(r) in known]
    rates = [r for r in rates if _key(r) not in known]
    rows: list[AccuracyRow | RatesRow] = [*accuracy, *rates]
    pairs = tuple(dict.fromkeys((r.observable_id, r.condition_id) for r in rows))
    studies = tuple(dict.fromkeys((r.study_id, r.condition_id) for r in rows))
    conditions = tuple(dict.fromkeys(condition for _, condition in pairs))
    regions: dict[Pair, str] = {}
    for row in rows:
        regions.setdefault((row.observable_id, row.condition_id), row.region)
    pair_of = {pair: i for i, pair in enumerate(pairs)}
    study_of = {study: i for i, study in enumerate(studies)}
    return PoolingData(
        pairs=pairs,
        pair_kind=_indices(KINDS.index(evidence.finding(pair[0], regions[pair]).kind) for pair in pairs),
        pair_condition=_indices(conditions.index(condition) for _, condition in pairs),
        kinds=KINDS,
        conditions=conditions,
        studies=studies,
        counted=counted_rows(accuracy, evidence, pair_of, study_of),
        rated=_rated_rows(rates, evidence, pair_of, study_of),
        left_out=(*map(source_of, dropped), *map(source_of, dropped_rates), *map(source_of, doubled)),
        fingerprint=evidence.fingerprint,
    )


def design_of(study: StudyRow | None) -> tuple[float, float, float]:
    """DESIGN covariates of a study; zeros where the study is not described."""
    if study is None:
        return (0.0, 0.0, 0.0)
    return (
        float(study.sampling == "two-gate"),
        float(study.proposes_test),
        float(study.index_blind == "no"),
    )


def line_weight(basis: str, tp: float, n1: float, tn: float, n0: float, lines: int = 1) -> tuple[float, float]:
    """Powers of a line's two binomials by the rules above; lines: how many lines read the same people."""
    if basis != "approx":
        return (1.0 / lines, 1.0 / lines)
    return (_approximate(tp, n1) / lines, _approximate(tn, n0) / lines)


def counted_rows(
    rows: Iterable[AccuracyRow],
    evidence: EvidenceBase,
    pair_of: dict[Pair, int],
    study_of: dict[tuple[str, str], int],
) -> Counted:
    """Accuracy lines as arrays; pair_of and study_of give the indices."""
    rows = tuple(rows)
    lines = Counter(_key(r) for r in rows)
    tp, n1 = _floats(r.tp for r in rows), _floats(r.diseased for r in rows)
    tn, n0 = _floats(r.tn for r in rows), _floats(r.healthy for r in rows)
    weight = [line_weight(r.basis, r.tp, r.diseased, r.tn, r.healthy, lines[_key(r)]) for r in rows]
    return Counted(
        tp=tp,
        n1=n1,
        tn=tn,
        n0=n0,
        weight=np.array(weight, dtype=float).reshape(-1, 2),
        pair=_indices(pair_of[r.observable_id, r.condition_id] for r in rows),
        study=_indices(study_of[r.study_id, r.condition_id] for r in rows),
        design=_designs(rows, evidence),
        sources=tuple(source_of(r) for r in rows),
    )


def source_of(row: AccuracyRow | RatesRow) -> Source:
    """Where a line stands."""
    counted = isinstance(row, AccuracyRow)
    return Source(
        study_id=row.study_id,
        observable_id=row.observable_id,
        condition_id=row.condition_id,
        region=row.region,
        table="accuracy.csv" if counted else "rates.csv",
        line=row.line,
        basis=row.basis if isinstance(row, AccuracyRow) else "rates",
    )


def _rated_rows(
    rows: list[RatesRow], evidence: EvidenceBase, pair_of: dict[Pair, int], study_of: dict[tuple[str, str], int]
) -> Rated:
    together: dict[tuple[str, str, int], list[int]] = {}
    for i, row in enumerate(rows):
        together.setdefault((row.study_id, row.condition_id, row.n_total), []).append(i)
    groups: list[tuple[list[int], Splits]] = []
    unused: set[int] = set()
    for members in together.values():
        splits = possible_splits([_printed(rows[i]) for i in members])
        if splits is not None:
            groups.append((members, splits))
            continue
        for i in members:
            alone = possible_splits([_printed(rows[i])])
            if alone is None:
                unused.add(i)
            else:
                groups.append(([i], alone))
    if unused:
        row = rows[min(unused)]
        raise ValueError(
            f"{row.region}/rates.csv:{row.line}: no split of {row.n_total} people gives sensitivity "
            f"{row.sens_printed} and specificity {row.spec_printed}; read the figures again"
        )
    order = [i for members, _ in groups for i in members]
    kept = [rows[i] for i in order]
    width = max((s.n1.size for _, s in groups), default=1)
    lines = Counter(_key(r) for r in kept)
    tp = [_padded(line, width, 0.0) for _, s in groups for line in s.tp]
    tn = [_padded(line, width, 0.0) for _, s in groups for line in s.tn]
    return Rated(
        tp=np.array(tp, dtype=float).reshape(-1, width),
        tn=np.array(tn, dtype=float).reshape(-1, width),
        n1=np.array([_padded(s.n1, width, 0.0) for _, s in groups], dtype=float).reshape(-1, width),
        n0=np.array([_padded(s.n0, width, 0.0) for _, s in groups], dtype=float).reshape(-1, width),
        log_weight=np.array([_padded(s.log_weight, width, -np.inf) for _, s in groups]).reshape(-1, width),
        group=_indices(g for g, (members, _) in enumerate(groups) for _ in members),
        pair=_indices(pair_of[r.observable_id, r.condition_id] for r in kept),
        study=_indices(study_of[r.study_id, r.condition_id] for r in kept),
        weight=_floats(1.0 / lines[_key(r)] for r in kept),
        design=_designs(kept, evidence),
        total=_floats(r.n_total for r in kept),
        sources=tuple(source_of(r) for r in kept),
    )


def _printed(row: RatesRow) -> PrintedRates:
    return PrintedRates(row.sens_printed, row.spec_printed, row.n_total, row.prevalence_printed)


def _without(rows: Iterable[RowT], left_out: frozenset[tuple[str, str]]) -> tuple[list[RowT], list[RowT]]:
    kept: list[RowT] = []
    dropped: list[RowT] = []
    for row in rows:
        named = (row.study_id, row.observable_id) in left_out or (row.study_id, row.finding_id) in left_out
        (dropped if named else kept).append(row)
    return kept, dropped


def _key(row: AccuracyRow | RatesRow) -> tuple[str, str, str]:
    return (row.study_id, row.observable_id, row.condition_id)


def _approximate(hits: float, size: float) -> float:
    rate = (hits + 0.5) / (size + 1.0)
    variance = rate * (1.0 - rate) / max(size, 1.0)
    return variance / (variance + 0.02**2 / 3.0) * size / (size + 2.0)


def _designs(rows: Iterable[AccuracyRow | RatesRow], evidence: EvidenceBase) -> Array:
    return np.array([design_of(evidence.studies.get(r.study_id)) for r in rows], dtype=float).reshape(-1, len(DESIGN))


def _padded(values: Array, width: int, fill: float) -> Array:
    return np.concatenate([values, np.full(width - values.size, fill)])


def _indices(values: Iterable[int]) -> Index:
    return np.array(list(values), dtype=np.int64)


def _floats(values: Iterable[float]) -> Array:
    return np.array(list(values), dtype=float)
