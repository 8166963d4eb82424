"""Does the reading hang on one study, on the proposers, or on counts that were worked out?

Each question is a quick refit of the pair without the lines in question. It is flagged where the words about what a
result is worth change, by more than the refit's own noise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from endfeel.evidence import EvidenceBase
from endfeel.pooling.data import PoolingData
from endfeel.pooling.edition import Edition
from endfeel.pooling.integrate import Line
from endfeel.pooling.refit import Refit, likelihood_as_it_stands, lines_of, refit_pair
from endfeel.pooling.summary import PooledAccuracy, pool, studies_used, summarise

NOISE = 0.1
"""A change of the mean likelihood ratios smaller than this, on the log scale, is not flagged."""


@dataclass(frozen=True)
class Alternative:
    """The pair read without some of its lines.

    without: which, in words; lines: how many were taken out; accuracy: what remains to be said; changes: whether the
    words about a result's worth change; reweighted: False where the shared parameters had to be held as they were.
    """

    without: str
    lines: int
    accuracy: PooledAccuracy
    changes: bool
    reweighted: bool


def sensitivity(
    edition: Edition, evidence: EvidenceBase, data: PoolingData, observable: str, condition: str
) -> tuple[Alternative, ...]:
    """Leave-one-out, without proposers, without solved or approximate counts; only questions that leave a line out.

    data: what the edition was built from. UnknownPairError where no study measured the pair.
    """
    whole = pool(edition, evidence, observable, condition)
    lines = lines_of(data, observable, condition)
    # Every question starts from the same lines: their likelihood is worked out once, and so is each set left out.
    before = likelihood_as_it_stands(edition, data, observable, condition)
    known: dict[tuple[int, ...], tuple[Refit, PooledAccuracy]] = {}
    found = []
    for words, leaves_out in _questions(evidence, lines):
        gone = tuple(r for r, line in enumerate(lines) if leaves_out(line))
        if not gone:
            continue
        if gone not in known:
            refit = refit_pair(edition, data, observable, condition, without=leaves_out, before=before)
            kept = {line.study_id for r, line in enumerate(lines) if r not in gone}
            uses = tuple(use for use in studies_used(evidence, observable, condition) if use.study_id in kept)
            known[gone] = (refit, summarise(refit.draws, observable, condition, uses, edition.id))
        refit, accuracy = known[gone]
        found.append(Alternative(words, len(gone), accuracy, _differs(whole, accuracy), refit.reweighted))
    return tuple(found)


def _questions(evidence: EvidenceBase, lines: tuple[Line, ...]) -> list[tuple[str, Callable[[Line], bool]]]:
    def proposed(line: Line) -> bool:
        study = evidence.studies.get(line.study_id)
        return study is not None and study.proposes_test

    def worked_out(line: Line) -> bool:
        return line.basis in ("solved", "approx")

    questions = [(f"without {study}", _of_study(study)) for study in dict.fromkeys(line.study_id for line in lines)]
    questions.append(("without the proposers' studies", proposed))
    questions.append(("without solved and approximate counts", worked_out))
    return questions


def _of_study(study_id: str) -> Callable[[Line], bool]:
    return lambda line: line.study_id == study_id


def _differs(one: PooledAccuracy, two: PooledAccuracy) -> bool:
    if one.worth == two.worth:
        return False
    pairs = ((one.lr_positive, two.lr_positive), (one.lr_negative, two.lr_negative))
    return bool(max(abs(np.log(a.mean / b.mean)) for a, b in pairs) > NOISE)
