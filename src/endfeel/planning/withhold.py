"""Which findings are not to be offered now, and why: safety, precautions, order, budget, and what the patient said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from endfeel.catalogue import Catalogue, RegionCatalogue
from endfeel.catalogue.entries import HandsOn, HistoryItem, LookFurther
from endfeel.evidence.rows import FindingRow
from endfeel.planning.costs import Costs
from endfeel.planning.situation import Situation

# Kinds that load a joint, a tendon or a nerve: none is offered after fresh trauma before the screen is complete.
LOADING = frozenset({"laxity", "provocation", "range-of-motion", "strength", "neurodynamic", "functional"})
POSITION_BARRED = {
    "cannot-lie-flat": ("supine",),
    "cannot-lie-prone": ("prone",),
    "cannot-bear-weight": ("standing", "walking"),
}
MOST_RISES = 2


@dataclass(frozen=True)
class Withheld:
    """A finding that is not offered, and why in words."""

    observable: str
    because: str


def withheld(
    row: FindingRow,
    region: RegionCatalogue,
    catalogue: Catalogue,
    costs: Costs,
    situation: Situation,
    results: Mapping[str, str],
    spent: float,
    share: float = 1.0,
) -> str | None:
    """Why this finding is not offered now; None where nothing speaks against it.

    results: by finding id, what was recorded in this problem. spent: provocation grades spent so far in this visit.
    share: of its minutes and provocation that it costs, less than 1 for a further reading of a manoeuvre done before.
    The first reason in the order safety, precaution, patient, budget, order counts.
    """
    entry = region.findings.get(row.finding_id)
    if entry is None:
        return "the catalogue does not yet say how it is done"
    if isinstance(entry, LookFurther):
        return "a scan or a laboratory test is an action, decided with the costs, not a next finding"
    if situation.sent_first and isinstance(entry, HandsOn):
        return f"{situation.sent_first}: send now; no test is worth the delay"
    if situation.screens_open and situation.trauma_recent and row.kind in LOADING:
        return "fresh injury: the safety screen of this region is not complete"
    if isinstance(entry, HandsOn):
        for precaution, instead in entry.never_if.items():
            if precaution in situation.precautions:
                return f"{catalogue.precautions[precaution].name}: {instead}"
    for precaution, positions in POSITION_BARRED.items():
        if precaution in situation.precautions and row.patient_position in positions:
            return catalogue.precautions[precaution].name
    if row.finding_id in situation.withdrawn:
        return "not today: the patient or the clinician put it off"
    if situation.made_worse >= MOST_RISES and row.provocation >= 1:
        return "symptoms have risen twice with testing: nothing more that provokes today"
    budget = costs.provocation_budget[situation.irritability]
    if row.provocation >= 1 and spent + share * row.provocation > budget:
        return f"{situation.irritability} irritability: what may be brought on in one visit is spent"
    minutes = share * row.minutes
    if situation.minutes_left is not None and minutes > situation.minutes_left:
        return f"takes {minutes:g} minutes, {max(situation.minutes_left, 0):g} are left"
    if isinstance(entry, HistoryItem) and entry.derived is not None:
        return "follows from what is known already"
    return _order(entry, region, results) if isinstance(entry, HandsOn) else None


def _order(entry: HandsOn, region: RegionCatalogue, results: Mapping[str, str]) -> str | None:
    """Lighter before stronger; a stronger test is skipped where a lighter one has decided."""
    for other in region.findings.values():
        if not isinstance(other, HandsOn) or entry.id not in other.relatives.stronger:
            continue
        decides = other.relatives.skip_stronger_if
        if decides and results.get(other.id) == decides:
            return f"{_words(other.id)} was {decides}: the stronger test adds pain, not knowledge"
    return None


def _words(finding_id: str) -> str:
    return finding_id.replace("-", " ")
