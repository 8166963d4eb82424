"""Tests that a fresh injury hid: which to look at again, and when."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from endfeel.catalogue import Catalogue
from endfeel.catalogue.entries import HandsOn
from endfeel.visits.problem import ProblemState


@dataclass(frozen=True)
class LookAgainAt:
    """An observable to look at again between two days."""

    observable: str
    first: dt.date
    last: dt.date


def look_again(problem: ProblemState, catalogue: Catalogue) -> tuple[LookAgainAt, ...]:
    """Observables whose result asks for another look, by the catalogue, where the injury was fresh when recorded."""
    region, injured = catalogue.regions.get(problem.region), problem.story.onset_date
    if region is None or injured is None or problem.story.onset != "injury":
        return ()
    due = []
    for observable, result in problem.results().items():
        finding = region.findings.get(observable.split(":")[0])
        rule = finding.look_again if isinstance(finding, HandsOn) else None
        if rule is None or not rule.on_day or rule.when != result:
            continue
        recorded = max(
            (r for (name, _), r in problem.findings.items() if name == observable), key=lambda r: r.made.seq
        )
        if (recorded.made.at.date() - injured).days < rule.injury_days_under:
            first, last = min(rule.on_day), max(rule.on_day)
            due.append(LookAgainAt(observable, injured + dt.timedelta(first), injured + dt.timedelta(last)))
    return tuple(due)
