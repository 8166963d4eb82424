"""An edition with a clinic's own studies in it: the pairs that they touch are refitted, everything else stays.

Each touched pair is refitted by refit.py from the edition's own draws, in well under a second and without a sampler.
The new edition's id follows from its content and says that it is based on another (`meta["based_on"]`).
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass

from endfeel.evidence import EvidenceBase
from endfeel.evidence.overlay import moved_pairs
from endfeel.evidence.rows import AccuracyRow, RatesRow
from endfeel.pooling.data import Pair, PoolingData, pooling_data
from endfeel.pooling.edition import Edition
from endfeel.pooling.integrate import Line
from endfeel.pooling.refit import Refit, lines_of, refit_pair, with_refits

MOST_KEPT = 2000


@dataclass(frozen=True)
class OwnEdition:
    """An edition for some evidence.

    moved: the pairs whose lines differ from those that the base edition was built from; refits: those of them that
    still have a line. data: the evidence as arrays.
    """

    edition: Edition
    evidence: EvidenceBase
    data: PoolingData
    moved: tuple[Pair, ...]
    refits: Mapping[Pair, Refit]

    @property
    def held(self) -> tuple[Pair, ...]:
        """Pairs whose new lines fit the edition so badly that its shared parameters were held as they were."""
        return tuple(pair for pair, refit in self.refits.items() if not refit.reweighted)


class OwnEditions:
    """Editions over one base edition and the evidence it was built from; each pair's refit is worked out once.

    Safe to use from several threads: two that need the same refit at once may both work it out, to the same end.
    """

    def __init__(self, edition: Edition, base: EvidenceBase) -> None:
        self.base = base
        self.edition = edition
        self._data = pooling_data(base, edition.left_out)
        self._kept: dict[Hashable, Refit] = {}

    def of(self, evidence: EvidenceBase, overlay: str) -> OwnEdition:
        """The edition for this evidence; `overlay` names what was laid over and goes into the edition's meta.

        ValueError with one line where a rates line of the evidence can not be split into people.
        """
        if evidence.fingerprint == self.base.fingerprint:
            return OwnEdition(self.edition, self.base, self._data, (), {})
        data = pooling_data(evidence, self.edition.left_out)
        moved = moved_pairs(self.base, evidence)
        pooled = set(data.pairs)
        if not moved:
            return OwnEdition(self.edition, evidence, data, (), {})
        refits = {pair: self._refit(pair, evidence, data) for pair in moved if pair in pooled}
        edition = with_refits(self.edition, tuple(refits.values()), overlay)
        return OwnEdition(edition, evidence, data, moved, refits)

    def _refit(self, pair: Pair, evidence: EvidenceBase, data: PoolingData) -> Refit:
        lines: list[AccuracyRow | RatesRow] = [*evidence.accuracy_of(*pair), *evidence.rates_of(*pair)]
        # Lines of one study share their people, so a rates line also depends on the study's other rates lines.
        beside = {(r.study_id, r.condition_id) for r in lines}
        rows = tuple(lines) + tuple(r for r in evidence.rates if (r.study_id, r.condition_id) in beside)
        key = (pair, rows, tuple(evidence.studies.get(r.study_id) for r in lines))
        found = self._kept.get(key)
        if found is None:
            kind = data.kinds[data.pair_kind[data.pairs.index(pair)]]
            held = {_content(line) for line in lines_of(self._data, *pair)}
            wanted = {_content(line): line for line in lines_of(data, *pair)}
            found = refit_pair(
                self.edition,
                self._data,
                *pair,
                added=[line for content, line in wanted.items() if content not in held],
                without=lambda line: _content(line) not in wanted,
                kind=kind,
            )
            while len(self._kept) >= MOST_KEPT:
                self._kept.pop(next(iter(self._kept)), None)
            self._kept[key] = found
        return found


def _content(line: Line) -> Hashable:
    """What tells two lines of a pair apart; whether it is its study's only line may change with other pairs."""
    arrays = (line.tp, line.n1, line.tn, line.n0, line.log_weight)
    return (line.study_id, line.source, line.design, line.basis, *(values.tobytes() for values in arrays))
