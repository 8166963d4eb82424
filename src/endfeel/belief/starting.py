"""Where each condition's starting chance comes from: a hand, the clinic's table, published counts, or our assumption.

Which published lines may serve:

- selected_by: people who came with the complaint itself. `acute-trauma` lines serve an injury; all others serve an
  unknown onset, and a gradual one for conditions that the catalogue gives one. `sport` lines serve sport and service
  clinics.
  Volunteers did not come with the complaint and do not serve; nor do people selected by a suspicion, a finding, a scan,
  an operation, a block, another injury or disease.
- Where people come unsent (primary, sports, military, emergency), people sent on by someone else do not serve: neither
  `specialist-referral` lines nor, unless it was an injury, any line from secondary or tertiary care.
- counting: every way of counting, but a count on a scan only for a lesion, since a scan shows what need not hurt.
- age: a line with a printed window, narrower than all adults, serves known ages inside it only.
- setting: the context's own, else the nearest that has a line, which is borrowed.

Several lines are pooled on the logit scale, weight 1 / (1/with + 1/without + 0.5²): 0.5 stands for how much places
differ (ours). The range is for a new place; a borrowed line adds another 0.5² to its variance.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from endfeel.belief.context import Context, Setting
from endfeel.belief.prior import NONE_CHANCE
from endfeel.belief.refusal import BeliefError
from endfeel.catalogue.conditions import Condition
from endfeel.catalogue.regions import RegionCatalogue
from endfeel.evidence.base import EvidenceBase
from endfeel.evidence.rows import PrevalenceRow

PLAIN = frozenset({"none", "acute-trauma", "sport", "specialist-referral"})

NEAREST: Mapping[Setting, tuple[Setting, ...]] = {
    "primary": ("primary", "mixed", "emergency", "secondary"),
    "secondary": ("secondary", "mixed", "tertiary", "primary"),
    "tertiary": ("tertiary", "secondary", "mixed"),
    "sports": ("sports", "military", "primary", "mixed", "emergency", "secondary"),
    "military": ("military", "sports", "primary", "mixed", "emergency", "secondary"),
    "emergency": ("emergency", "primary", "mixed", "secondary"),
    "mixed": ("mixed", "secondary", "primary"),
}

UNSENT = ("primary", "sports", "military", "emergency")
_WHERE: Mapping[Setting, str] = {
    "primary": "primary care", "secondary": "secondary care", "tertiary": "tertiary care",
    "sports": "sports clinics", "military": "military clinics", "emergency": "emergency departments",
    "mixed": "clinics of several kinds",
}

# Ours: how much places differ and what borrowing adds (logit sd), how sure an assumption is, and the chance of a
# condition with an onset that the catalogue gives it no chance for.
BETWEEN_PLACES = 0.5
BORROWED = 0.5
ASSUMED_SPREAD = 1.0
NOT_EXPECTED = 0.005


@dataclass(frozen=True)
class StartingChance:
    """One condition's chance before any finding, its 95 % range, and where it comes from.

    rows: the prevalence lines behind it, empty where it is assumed or set by hand. source_words can be shown as they
    are. `chance` is what was chosen; where chances could not stand together the prior's notes say what was scaled.
    clinic: from the clinic's own table. by_hand: held where others give way. The clinic's are held as long as nobody
    set a chance by hand in the visit, for a hand goes before a table.
    """

    condition: str
    chance: float
    low: float
    high: float
    source_words: str
    assumed: bool
    rows: tuple[PrevalenceRow, ...] = ()
    borrowed: bool = False
    by_hand: bool = False
    clinic: bool = False


CLINIC_WORDS = "your clinic's starting chance"


def starting_chances(
    evidence: EvidenceBase, catalogue: RegionCatalogue, context: Context
) -> Mapping[str, StartingChance]:
    """Starting chance of every finest condition, of unions that are published or set, and of none, by id.

    BeliefError where a chance was set by hand for a condition that this region has no chance for; what else a clinic's
    table holds is left aside.
    """
    known = {c for c in catalogue.conditions if catalogue.parts(c)} | {catalogue.none_id}
    for condition in context.chances:
        if condition not in known:
            raise BeliefError(f"chance of {condition}: no such condition in {context.region}; there are {_list(known)}")
    chosen: dict[str, StartingChance] = {}
    for condition in catalogue.states_conditions:
        chosen[condition] = (
            _set(condition, context) or _published(evidence, catalogue, condition, context)
            or _assumed(catalogue.conditions[condition], context)
        )
    for condition in catalogue.conditions:
        if condition in chosen or not catalogue.parts(condition):
            continue
        union = _set(condition, context) or _published(evidence, catalogue, condition, context)
        if union is not None:
            chosen[condition] = union
    chosen[catalogue.none_id] = _set(catalogue.none_id, context) or _none(catalogue.none_id, context)
    return chosen


def usable_lines(
    evidence: EvidenceBase, catalogue: RegionCatalogue, condition: str, context: Context
) -> tuple[tuple[PrevalenceRow, ...], bool]:
    """The prevalence lines that may serve, all of one setting, and whether they are borrowed."""
    if context.onset == "gradual" and set(catalogue.conditions[condition].onset) == {"injury"}:
        return (), False
    lesion = catalogue.conditions[condition].claim == "lesion"
    rows = [
        row for row in evidence.prevalence
        if row.condition_id == condition and row.region == context.region
        and set(row.selected_by) <= PLAIN
        and ("acute-trauma" in row.selected_by) == (context.onset == "injury")
        and not _sent_on(row, context)
        and (lesion or row.counting != "on-imaging")
        and ("sport" not in row.selected_by or context.setting in ("sports", "military"))
        and _age_fits(row, context.age)
    ]
    for setting in NEAREST[context.setting]:
        here = tuple(row for row in rows if row.setting == setting)
        if here:
            return here, setting != context.setting
    return (), False


def pool_lines(rows: Iterable[PrevalenceRow], borrowed: bool) -> tuple[float, float, float]:
    """(chance, low, high) of several prevalence lines by the rule at the top of this file."""
    logits, weights = [], []
    for row in rows:
        present, absent = row.n_with + 0.5, row.n_total - row.n_with + 0.5
        logits.append(np.log(present / absent))
        weights.append(1 / (1 / present + 1 / absent + BETWEEN_PLACES**2))
    mean = float(np.average(logits, weights=weights))
    variance = 1 / sum(weights) + BETWEEN_PLACES**2 + (BORROWED**2 if borrowed else 0.0)
    return _range(mean, float(np.sqrt(variance)))


def _sent_on(row: PrevalenceRow, context: Context) -> bool:
    if context.setting not in UNSENT:
        return False
    referred = row.setting in ("secondary", "tertiary") and context.onset != "injury"
    return referred or "specialist-referral" in row.selected_by


def _age_fits(row: PrevalenceRow, age: int | None) -> bool:
    low, high = row.age_low or 0, row.age_high
    if age is None:
        return high is None and low <= 18
    return age >= low and (high is None or age <= high)


def _set(condition: str, context: Context) -> StartingChance | None:
    """The chance that a person set, in the visit or else in the clinic's table."""
    if condition in context.chances:
        chance = context.chances[condition]
        return StartingChance(condition, chance, chance, chance, "set by hand", assumed=False, by_hand=True)
    if condition not in context.clinic:
        return None
    chance, held = context.clinic[condition], not context.chances
    return StartingChance(
        condition, chance, chance, chance, CLINIC_WORDS, assumed=False, by_hand=held, clinic=True
    )


def _published(
    evidence: EvidenceBase, catalogue: RegionCatalogue, condition: str, context: Context
) -> StartingChance | None:
    rows, borrowed = usable_lines(evidence, catalogue, condition, context)
    if not rows:
        return None
    chance, low, high = pool_lines(rows, borrowed)
    words = "; ".join(f"{row.n_with} of {row.n_total}, {row.population}" for row in rows)
    if borrowed:
        words += f" (borrowed from {_WHERE[rows[0].setting]}, so the range is widened)"
    return StartingChance(condition, chance, low, high, words, assumed=False, rows=rows, borrowed=borrowed)


def _assumed(condition: Condition, context: Context) -> StartingChance:
    how = {"injury": "an injury", "gradual": "a gradual onset", "unknown": "an onset not told"}[context.onset]
    assumed: dict[str, float] = {str(onset): float(p) for onset, p in condition.assumed_chance.items()}
    asked = ("injury", "gradual") if context.onset == "unknown" else (context.onset,)
    if any(onset in assumed for onset in asked):
        chance = sum(assumed.get(onset, NOT_EXPECTED) for onset in asked) / len(asked)
        words = f"assumed by Endfeel for {how} in direct-access primary care; nothing usable was published"
    else:
        chance = NOT_EXPECTED
        words = f"assumed by Endfeel: not expected after {how}, kept possible"
    _, low, high = _range(float(np.log(chance / (1 - chance))), ASSUMED_SPREAD)
    return StartingChance(condition.id, chance, low, high, words, assumed=True)


def _none(none_id: str, context: Context) -> StartingChance:
    chance = NONE_CHANCE[context.setting]
    _, low, high = _range(float(np.log(chance / (1 - chance))), ASSUMED_SPREAD)
    words = f"assumed by Endfeel for {_WHERE[context.setting]}; no study counts it"
    return StartingChance(none_id, chance, low, high, words, assumed=True)


def _range(logit: float, spread: float) -> tuple[float, float, float]:
    chance, low, high = 1 / (1 + np.exp(-(logit + spread * np.array([0.0, -1.96, 1.96]))))
    return float(chance), float(low), float(high)


def _list(ids: set[str]) -> str:
    return ", ".join(sorted(ids))
