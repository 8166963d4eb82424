"""Which starting chances hang on age, and what they are at which ages.

Public: spans_by_age.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from endfeel.belief.context import YOUNGEST, Context
from endfeel.belief.starting import StartingChance, starting_chances
from endfeel.catalogue.regions import RegionCatalogue
from endfeel.evidence.base import EvidenceBase
from endfeel.evidence.rows import PrevalenceRow
from endfeel.web.chances_fit import per_cent


def spans_by_age(evidence: EvidenceBase, region: RegionCatalogue, context: Context) -> Mapping[str, tuple[str, ...]]:
    """Conditions whose chance hangs on age, by id, with one line per span of ages: "18 to 45: 24.6 %, counted".

    Found by asking at every printed limit of age. context: of the people; its age is left aside.
    """
    rows = [r for r in evidence.prevalence if r.region == context.region]
    limits = {int(r.age_low) for r in rows if r.age_low} | {int(r.age_high) + 1 for r in rows if r.age_high}
    starts = [YOUNGEST, *sorted(age for age in limits if YOUNGEST < age <= 100)]
    asked = {age: starting_chances(evidence, region, replace(context, age=age)) for age in starts}
    found: dict[str, tuple[str, ...]] = {}
    for condition in dict.fromkeys(c for chances in asked.values() for c in chances):
        spans: list[tuple[int, StartingChance | None]] = []
        for age in starts:
            chance = asked[age].get(condition)
            if not spans or _rows(chance) != _rows(spans[-1][1]):
                spans.append((age, chance))
        if len(spans) > 1:
            ends = [*(age - 1 for age, _ in spans[1:]), None]
            found[condition] = tuple(_span(age, end, c) for (age, c), end in zip(spans, ends, strict=True))
    return found


def _rows(chance: StartingChance | None) -> tuple[PrevalenceRow, ...]:
    return chance.rows if chance else ()


def _span(low: int, high: int | None, chance: StartingChance | None) -> str:
    ages = f"from {low}" if high is None else f"{low} to {high}" if low > YOUNGEST else f"to {high}"
    if chance is None:
        return f"{ages}: follows from its kinds"
    return f"{ages}: {per_cent(chance.chance)}, {'our assumption' if chance.assumed else 'counted'}"
