"""From chances to an action: the smallest expected loss over care groups.

For each care group setting aside costs m p, starting care a (1 - p). Looking further costs its modality once,
however many groups that one scan or opinion answers, and then nothing more for those groups: an assumption that
flatters scans, for which their cost should account. Emergencies are not decided here: screens decide them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from endfeel.catalogue import RegionCatalogue
from endfeel.planning.costs import Costs

Floats = NDArray[np.float64]
REAL = 0.25  # of a scan's cost: what it must save a care group to be said to look for it
Action = Literal["set-aside", "look-further", "start-care"]
ACTION_WORDS: Mapping[Action, str] = {
    "set-aside": "set aside for now",
    "look-further": "look further",
    "start-care": "start care and look again",
}


@dataclass(frozen=True)
class ActionTable:
    """Costs laid out over the states of a region.

    membership (S, G): 1 where state S calls for care group G. miss, wrong (G,). subsets (K, M): which ways of looking
    further are used; subset_cost (K,); uncovered (G, K): 1 where the group is not answered by the subset.
    """

    groups: tuple[str, ...]
    membership: Floats
    miss: Floats
    wrong: Floats
    modalities: tuple[str, ...]
    subsets: NDArray[np.bool_]
    subset_cost: Floats
    uncovered: Floats


@dataclass(frozen=True)
class Advice:
    """What is cheapest for one care group, and the chance that it rests on."""

    care_group: str
    action: Action
    chance: float
    condition: str
    modality: str
    words: str


@dataclass(frozen=True)
class Decision:
    """The cheapest actions together. by_group is ordered by what they are about: the likeliest first."""

    loss: float
    by_group: tuple[Advice, ...]
    overall: Advice
    look_further_with: tuple[str, ...]

    @property
    def signature(self) -> tuple[tuple[str, Action], ...]:
        """What is done, without how sure we are: two beliefs with the same signature lead to the same care."""
        return tuple(sorted((a.care_group, a.action) for a in self.by_group if a.action != "set-aside"))


def action_table(
    conditions: tuple[str, ...], none_id: str, states: NDArray[np.bool_], region: RegionCatalogue, costs: Costs
) -> ActionTable:
    """Lay the costs out over states.

    conditions: finest conditions, the columns of states (S, C); the state without any is `none_id`.
    """
    group_of = [region.conditions[c].care_group for c in conditions]
    none_group = region.conditions[none_id].care_group
    groups = tuple(dict.fromkeys([*group_of, none_group]))
    membership = np.zeros((len(states), len(groups)))
    for column, group in enumerate(group_of):
        membership[states[:, column], groups.index(group)] = 1.0
    membership[~states.any(axis=1), groups.index(none_group)] = 1.0
    worth_looking = [g for g in groups if (t := costs.thresholds(g)).low < t.high]
    modalities = tuple(dict.fromkeys(costs.modality[g] for g in worth_looking))
    subsets = np.array(list(product([False, True], repeat=len(modalities))), dtype=bool)
    price = np.array([costs.modality_cost[m] for m in modalities])
    uncovered = np.ones((len(groups), len(subsets)))
    for row, group in enumerate(groups):
        if group in worth_looking:
            uncovered[row, subsets[:, modalities.index(costs.modality[group])]] = 0.0
    return ActionTable(
        groups=groups,
        membership=membership,
        miss=np.array([costs.harm_of_a_miss[g] for g in groups]),
        wrong=np.array([costs.harm_of_wrong_care[g] for g in groups]),
        modalities=modalities,
        subsets=subsets,
        subset_cost=subsets @ price if len(modalities) else np.zeros(len(subsets)),
        uncovered=uncovered,
    )


def smallest_loss(table: ActionTable, state_probability: Floats) -> Floats:
    """Expected loss of the cheapest actions for beliefs (..., S); shape (...)."""
    chance = state_probability @ table.membership
    kept = np.minimum(table.miss * chance, table.wrong * (1.0 - chance))
    loss: Floats = (kept @ table.uncovered + table.subset_cost).min(axis=-1)
    return loss


def loss_when_known(table: ActionTable, state_probability: Floats, state: NDArray[np.int64]) -> Floats:
    """What the cheapest actions on beliefs (N, S) turn out to cost in the true states (N,); shape (N,).

    Averaged over states drawn from the belief itself it is smallest_loss.
    """
    chance = state_probability @ table.membership
    aside, care = table.miss * chance, table.wrong * (1.0 - chance)
    best = (np.minimum(aside, care) @ table.uncovered + table.subset_cost).argmin(axis=-1)
    called_for = table.membership[state]
    paid = np.where(care < aside, table.wrong * (1.0 - called_for), table.miss * called_for)
    cost: Floats = (paid * table.uncovered[:, best].T).sum(axis=-1) + table.subset_cost[best]
    return cost


def decide(
    table: ActionTable,
    state_probability: Floats,
    region: RegionCatalogue,
    states: NDArray[np.bool_],
    conditions: tuple[str, ...],
    costs: Costs,
) -> Decision:
    """The cheapest actions for one belief (S,), in words."""
    chance = state_probability @ table.membership
    aside, care = table.miss * chance, table.wrong * (1.0 - chance)
    kept = np.minimum(aside, care)
    totals = kept @ table.uncovered + table.subset_cost
    best = int(totals.argmin())
    used = {m for m, on in zip(table.modalities, table.subsets[best], strict=True) if on}
    marginal = state_probability @ states
    advices = []
    for i, group in enumerate(table.groups):
        covered = table.uncovered[i, best] == 0.0
        # A scan that is paid for anyway answers this group too; it is said to look where that saves something real.
        looks = covered and kept[i] >= REAL * costs.modality_cost[costs.modality[group]]
        action: Action = "look-further" if looks else "start-care" if care[i] < aside[i] else "set-aside"
        members = [j for j, c in enumerate(conditions) if region.conditions[c].care_group == group]
        leading = conditions[max(members, key=lambda j: marginal[j])] if members else region.none_id
        if group == region.conditions[region.none_id].care_group and not members:
            leading = region.none_id
        entry = region.care[group]
        words = {
            "set-aside": entry.set_aside,
            "look-further": entry.look_further,
            "start-care": entry.start_care,
        }[action]
        advices.append(Advice(group, action, float(chance[i]), leading, costs.modality[group], words))
    rank = {"look-further": 0, "start-care": 1, "set-aside": 2}
    ordered = tuple(sorted(advices, key=lambda a: (rank[a.action], -a.chance)))
    overall = ordered[0]
    return Decision(float(totals[best]), ordered, overall, tuple(sorted(used)))
