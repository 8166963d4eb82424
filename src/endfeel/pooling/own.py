"""An edition with a clinic's own studies in it: the pairs that they touch are refitted, everything else stays.

Each touched pair is refitted by refit.py from the edition's own draws, in well under a second and without a sampler;
pairs that one new study tested are refitted together.
The new edition's id follows from its content and says that it is based on another (`meta["based_on"]`).
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

from endfeel.evidence import EvidenceBase
from endfeel.evidence.overlay import moved_pairs
from endfeel.evidence.rows import AccuracyRow, RatesRow
from endfeel.pooling.data import Pair, PoolingData, pooling_data
from endfeel.pooling.edition import Edition
from endfeel.pooling.integrate import Line
from endfeel.pooling.refit import Refit, lines_of, refit_pair, with_refits
from endfeel.pooling.together import Change, refit_together, shared_studies

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
        self._kept: dict[Hashable, tuple[Refit, ...]] = {}

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
        refits: dict[Pair, Refit] = {}
        for together in self._tied([self._change(pair, data) for pair in moved if pair in pooled]):
            refits |= self._refit(together, evidence, data)
        refits = {pair: refits[pair] for pair in moved if pair in refits}
        edition = with_refits(self.edition, tuple(refits.values()), overlay)
        return OwnEdition(edition, evidence, data, moved, refits)

    def _change(self, pair: Pair, data: PoolingData) -> Change:
        held = {_content(line) for line in lines_of(self._data, *pair)}
        wanted = {_content(line): line for line in lines_of(data, *pair)}
        return Change(
            pair=pair,
            kind=data.kinds[int(data.pair_kind[data.pairs.index(pair)])],
            added=tuple(line for content, line in wanted.items() if content not in held),
            without=lambda line: _content(line) not in wanted,
        )

    def _tied(self, changes: Sequence[Change]) -> list[list[Change]]:
        """Changes in groups; those that a new study ties together, directly or through others, in one."""
        groups: list[tuple[set[tuple[str, str]], list[Change]]] = []
        shared = set(shared_studies(self.edition, changes))
        for change in changes:
            ties = {(line.study_id, change.pair[1]) for line in change.added} & shared
            members = [change]
            apart = []
            for theirs, others in groups:
                if ties & theirs:
                    ties, members = ties | theirs, [*others, *members]
                else:
                    apart.append((theirs, others))
            groups = [*apart, (ties, members)]
        return [members for _, members in groups]

    def _refit(self, changes: Sequence[Change], evidence: EvidenceBase, data: PoolingData) -> dict[Pair, Refit]:
        key = tuple(self._read(change.pair, evidence) for change in changes)
        found = self._kept.get(key)
        if found is None:
            if shared_studies(self.edition, changes):
                found = refit_together(self.edition, self._data, changes)
            else:
                (one,) = changes
                found = (
                    refit_pair(
                        self.edition, self._data, *one.pair, added=one.added, without=one.without, kind=one.kind
                    ),
                )
            while len(self._kept) >= MOST_KEPT:
                self._kept.pop(next(iter(self._kept)), None)
            self._kept[key] = found
        return dict(zip((change.pair for change in changes), found, strict=True))

    def _read(self, pair: Pair, evidence: EvidenceBase) -> Hashable:
        """All that a pair's refit is made from."""
        lines: list[AccuracyRow | RatesRow] = [*evidence.accuracy_of(*pair), *evidence.rates_of(*pair)]
        # Lines of one study share their people, so a rates line also depends on the study's other rates lines.
        beside = {(r.study_id, r.condition_id) for r in lines}
        rows = tuple(lines) + tuple(r for r in evidence.rates if (r.study_id, r.condition_id) in beside)
        return (pair, rows, tuple(evidence.studies.get(r.study_id) for r in lines))


def _content(line: Line) -> Hashable:
    """What tells two lines of a pair apart; whether it is its study's only line may change with other pairs."""
    arrays = (line.tp, line.n1, line.tn, line.n0, line.log_weight)
    return (line.study_id, line.source, line.design, line.basis, *(values.tobytes() for values in arrays))
