"""What planning must know beside the chances: the person, the time, the position, and what may not be done now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Irritability = Literal["low", "moderate", "high"]


@dataclass(frozen=True)
class Situation:
    """A moment in a visit.

    precautions: precaution ids that hold. minutes_left: for hands-on examination; None where no limit was set.
    position: the patient's position now (as findings.csv names them); None where not known.
    screens_open: a screen that withholds loading tests is not complete and not overridden.
    trauma_recent: injured within six weeks, or it was not told how it began.
    sent_first: the name of a raised screen that sends the patient as an emergency, not overridden; empty where none is.
    withdrawn: finding ids that are not to be done today. made_worse: tests that raised the symptoms in this visit.
    done: observables recorded already, also as unclear or not done. age: in years; None where not known.
    """

    precautions: frozenset[str] = frozenset()
    irritability: Irritability = "moderate"
    minutes_left: float | None = None
    position: str | None = None
    screens_open: bool = False
    trauma_recent: bool = False
    sent_first: str = ""
    withdrawn: frozenset[str] = frozenset()
    made_worse: int = 0
    done: frozenset[str] = frozenset()
    age: int | None = None
