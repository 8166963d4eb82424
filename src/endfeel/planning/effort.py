"""What doing a finding takes at a moment of the visit: minutes, provocation, moving the patient, and their cost.

Public: Candidate, Path, Effort, candidate_of, effort, manoeuvres_done, provocation_spent.

Readings of one manoeuvre share its minutes and its provocation: the first costs all of them, each further one the share
that the table of costs gives, and it moves nobody. That holds whether the first was recorded or lies on the way.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from endfeel.evidence.rows import FindingRow
from endfeel.planning.costs import Costs


@dataclass(frozen=True)
class Candidate:
    """A finding that could be done: its observable, and what it takes the first time. minutes, provocation (grade 0 to
    3), position: as in findings.csv."""

    observable: str
    finding_id: str
    minutes: float
    provocation: int
    position: str


@dataclass(frozen=True)
class Effort:
    """What a candidate takes after a path. again: a further reading of a manoeuvre done before. provocation: in grades,
    a part of one for a further reading. burden: in routine imaging referrals."""

    again: bool
    minutes: float
    provocation: float
    moves: bool
    burden: float


@dataclass(frozen=True)
class Path:
    """What was done on the way to a moment: results by observable, position, minutes and grades of provocation spent.

    manoeuvres: done on the way or before it (Costs.manoeuvre).
    """

    results: tuple[tuple[str, str], ...]
    position: str | None
    minutes: float
    provocation: float
    manoeuvres: frozenset[str] = frozenset()

    def has(self, finding_id: str) -> bool:
        """Whether a reading of this finding was taken on the way."""
        return any(o.partition(":")[0] == finding_id for o, _ in self.results)

    def after(self, candidate: Candidate, result: str, taken: Effort, costs: Costs) -> Path:
        """The path with one more finding done."""
        stays = taken.again or candidate.position == "any"
        return Path(
            (*self.results, (candidate.observable, result)),
            self.position if stays else candidate.position,
            self.minutes + taken.minutes,
            self.provocation + taken.provocation,
            self.manoeuvres | {costs.manoeuvre(candidate.finding_id)},
        )


def candidate_of(observable: str, row: FindingRow) -> Candidate:
    """An observable of a finding as a candidate."""
    return Candidate(observable, row.finding_id, row.minutes, row.provocation, row.patient_position)


def effort(candidate: Candidate, path: Path, costs: Costs, irritability: str) -> Effort:
    """What a candidate takes after a path."""
    again = costs.manoeuvre(candidate.finding_id) in path.manoeuvres
    share = costs.repeat if again else 1.0
    moves = not again and path.position is not None and candidate.position not in ("any", path.position)
    return Effort(
        again,
        share * candidate.minutes,
        share * candidate.provocation,
        moves,
        costs.burden(candidate.minutes, candidate.provocation, moves, irritability, share),
    )


def manoeuvres_done(results: Mapping[str, str], costs: Costs) -> frozenset[str]:
    """Manoeuvres of which a reading was taken. results: by observable; not-done took nothing."""
    return frozenset(costs.manoeuvre(o.partition(":")[0]) for o, result in results.items() if result != "not-done")


def provocation_spent(results: Mapping[str, str], grades: Mapping[str, int], costs: Costs) -> float:
    """Grades of provocation that what was recorded has cost. grades: by finding id; what is not in it counts nothing.

    Of the readings of one manoeuvre the most provoking counts whole, each further one by its share.
    """
    by_manoeuvre: dict[str, list[int]] = {}
    for observable, result in results.items():
        finding_id = observable.partition(":")[0]
        if result != "not-done" and finding_id in grades:
            by_manoeuvre.setdefault(costs.manoeuvre(finding_id), []).append(grades[finding_id])
    return float(sum(_once_and_again(found, costs.repeat) for found in by_manoeuvre.values()))


def _once_and_again(grades: Iterable[int], repeat: float) -> float:
    first, *further = sorted(grades, reverse=True)
    return first + repeat * sum(further)
