"""What the clinic's own studies moved: pooled figures, before and after.

Public: PairMove, Figures, pair_move, pair_moves, move_of.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from endfeel.evidence import EvidenceBase
from endfeel.pooling.edition import Edition
from endfeel.pooling.summary import PooledAccuracy, pool
from endfeel.web.clinic_evidence import Standing
from endfeel.web.desk import Desk
from endfeel.web.evidence_words import condition_name, ratio_words


@dataclass(frozen=True)
class PairMove:
    """A pair's ratios before and after; before is empty where no study had measured it, after where none is left."""

    observable: str
    name: str
    condition: str
    condition_name: str
    positive_before: str
    positive_after: str
    negative_before: str
    negative_after: str
    sentence_before: str
    sentence_after: str
    k_before: int
    k_after: int
    href: str

    @property
    def moved(self) -> bool:
        """Whether a clinician would read anything else than before."""
        return (self.positive_before, self.negative_before, self.k_before) != (
            self.positive_after,
            self.negative_after,
            self.k_after,
        )


class Figures(Protocol):
    """What pooled figures are worked out from: a moment of the clinic's evidence, or the basis of a visit."""

    @property
    def evidence(self) -> EvidenceBase:
        """The tables."""

    @property
    def edition(self) -> Edition:
        """The draws."""


def pair_move(desk: Desk, standing: Standing, observable: str, condition: str) -> PairMove | None:
    """What the clinic's studies made of a shipped pair; None where they do not touch it."""
    if (observable, condition) not in standing.pooled.moved:
        return None
    shipped = desk.own.at(desk.own.shipped.id)
    return _move(desk, shipped, standing, observable, condition) if shipped else None


def pair_moves(desk: Desk, before: Standing, after: Standing) -> tuple[PairMove, ...]:
    """Every pair whose lines differ between two moments, in table order."""
    touched = dict.fromkeys([*before.pooled.moved, *after.pooled.moved])
    found = []
    for observable, condition in touched:
        move = _move(desk, before, after, observable, condition)
        if move.moved:
            found.append(move)
    return tuple(found)


def move_of(desk: Desk, before: Figures, after: Figures, observable: str, condition: str) -> PairMove:
    """One pair before and after. KeyError where neither has a line of it."""
    return _move(desk, before, after, observable, condition)


def _move(desk: Desk, before: Figures, after: Figures, observable: str, condition: str) -> PairMove:
    region = _region(before, after, observable, condition)
    old, new = _pooled(desk, before, observable, condition), _pooled(desk, after, observable, condition)
    return PairMove(
        observable=observable,
        name=desk.name(region, observable),
        condition=condition,
        condition_name=condition_name(desk, region, condition),
        positive_before=ratio_words(old.lr_positive) if old else "",
        positive_after=ratio_words(new.lr_positive) if new else "",
        negative_before=ratio_words(old.lr_negative) if old else "",
        negative_after=ratio_words(new.lr_negative) if new else "",
        sentence_before=old.sentence if old else "No study measured it.",
        sentence_after=new.sentence if new else "No study is left.",
        k_before=old.k if old else 0,
        k_after=new.k if new else 0,
        href=f"/evidence/{region}/finding/{observable}#{condition}",
    )


def _pooled(desk: Desk, standing: Figures, observable: str, condition: str) -> PooledAccuracy | None:
    def make() -> PooledAccuracy | str:
        try:
            found = pool(standing.edition, standing.evidence, observable, condition)
        except KeyError:
            return ""
        return found if found.k else ""

    key = ("pooled at", standing.evidence.fingerprint, standing.edition.id, observable, condition)
    found = desk.kept.once(key, make)
    return found if isinstance(found, PooledAccuracy) else None


def _region(before: Figures, after: Figures, observable: str, condition: str) -> str:
    for evidence in (after.evidence, before.evidence):
        for row in (*evidence.accuracy_of(observable, condition), *evidence.rates_of(observable, condition)):
            return row.region
    raise KeyError(f"no line of {observable} for {condition}")
