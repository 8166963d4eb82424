"""From chances to an action: the smallest expected loss over care groups.

For each care group setting aside costs m p, starting care a (1 - p), the cheaper of which is what it costs unlooked at.
Looking further costs its modality once, however many groups that one scan or opinion answers, and then nothing more for
any of them. It answers the groups for which it would be worth its price alone at some chance: for the others, by our
harms, no picture settles what to do, and many small doubts that none of them would scan for are no reason to scan. That
it answers fully is an assumption that flatters scans, for which their cost should account. Each group is answered by
one modality at most, so the smallest loss over all sets of them comes apart: each modality costs its price or what its
groups cost unlooked at, whichever is less.

Nobody who comes in pain is sent home with everything set aside: where that would be the cheapest, the one step more
that costs least is taken, mostly the care that risks least. Emergencies are not decided here: screens decide them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from endfeel.catalogue import RegionCatalogue
from endfeel.planning.costs import REAL, Costs

Floats = NDArray[np.float64]
Action = Literal["set-aside", "look-further", "start-care"]
ACTION_WORDS: Mapping[Action, str] = {
    "set-aside": "set aside for now",
    "look-further": "look further",
    "start-care": "start care and look again",
}


@dataclass(frozen=True)
class ActionTable:
    """Costs laid out over the states of a region.

    membership (S, G): 1 where state S calls for care group G. miss, wrong (G,). price (M,): of each way of looking
    further. answers (G, M): 1 where that way answers the group, at most one a group. alone (G,): 1 where none does.
    """

    groups: tuple[str, ...]
    membership: Floats
    miss: Floats
    wrong: Floats
    modalities: tuple[str, ...]
    price: Floats
    answers: Floats
    alone: Floats


@dataclass(frozen=True)
class Advice:
    """What is cheapest for one care group, and the chance that it rests on.

    answered: by a scan that is paid for, be it named for this group or not. least: started only because nothing else
    is, as what risks least.
    """

    care_group: str
    action: Action
    chance: float
    condition: str
    modality: str
    words: str
    answered: bool
    least: bool = False


@dataclass(frozen=True)
class Decision:
    """The cheapest actions together. by_group: what is looked into first, that which looking saves most before others,
    then the likeliest first. overall: the first of them. look_further_with: modality ids that are paid for."""

    loss: float
    by_group: tuple[Advice, ...]
    overall: Advice
    look_further_with: tuple[str, ...]

    @property
    def signature(self) -> tuple[tuple[str, Action], ...]:
        """What is done, without how sure we are: two beliefs with the same signature lead to the same care.

        The scans that are paid for, and what is done about the care that none of them answers.
        """
        scans: list[tuple[str, Action]] = [(modality, "look-further") for modality in self.look_further_with]
        unanswered = (a for a in self.by_group if not a.answered)
        return tuple(sorted([*scans, *((a.care_group, a.action) for a in unanswered if a.action != "set-aside")]))


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
    answerable = [(t := costs.thresholds(g)).low < t.high for g in groups]
    modalities = tuple(dict.fromkeys(costs.modality[g] for g, on in zip(groups, answerable, strict=True) if on))
    answers = np.array(
        [[on and costs.modality[g] == m for m in modalities] for g, on in zip(groups, answerable, strict=True)],
        dtype=float,
    )
    answers = answers.reshape(len(groups), len(modalities))
    return ActionTable(
        groups=groups,
        membership=membership,
        miss=np.array([costs.harm_of_a_miss[g] for g in groups]),
        wrong=np.array([costs.harm_of_wrong_care[g] for g in groups]),
        modalities=modalities,
        price=np.array([costs.modality_cost[m] for m in modalities]),
        answers=answers,
        alone=1.0 - answers.sum(axis=1),
    )


def smallest_loss(table: ActionTable, state_probability: Floats) -> Floats:
    """Expected loss of the cheapest actions for beliefs (..., S); shape (...)."""
    chosen = _cheapest(table, state_probability)
    unlooked = np.minimum(chosen.aside, chosen.care)
    loss: Floats = unlooked @ table.alone + np.minimum(unlooked @ table.answers, table.price).sum(axis=-1)
    return np.asarray(loss + chosen.step)


def loss_when_known(table: ActionTable, state_probability: Floats, state: NDArray[np.int64]) -> Floats:
    """What the cheapest actions on beliefs (N, S) turn out to cost in the true states (N,); shape (N,).

    Averaged over states drawn from the belief itself it is smallest_loss.
    """
    chosen = _cheapest(table, state_probability)
    called_for = table.membership[state]
    paid = np.where(chosen.started, table.wrong * (1.0 - called_for), table.miss * called_for)
    cost: Floats = (paid * (1.0 - chosen.looks @ table.answers.T)).sum(axis=-1) + chosen.looks @ table.price
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
    chosen = _cheapest(table, state_probability)
    unlooked, paid_for = np.minimum(chosen.aside, chosen.care), chosen.looks
    named = _named(table, unlooked, paid_for)
    answered = table.answers @ paid_for > 0
    marginal = state_probability @ states
    advices = []
    for i, group in enumerate(table.groups):
        action: Action = "look-further" if named[i] else "start-care" if chosen.started[i] else "set-aside"
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
        least = action == "start-care" and bool(chosen.care[i] >= chosen.aside[i])
        advices.append(
            Advice(group, action, float(chance[i]), leading, costs.modality[group], words, bool(answered[i]), least)
        )
    rank = {"look-further": 0, "start-care": 1, "set-aside": 2}
    saved = dict(zip(table.groups, np.where(named, unlooked, 0.0).tolist(), strict=True))
    ordered = tuple(sorted(advices, key=lambda a: (rank[a.action], -saved[a.care_group], -a.chance)))
    overall = ordered[0]
    used = sorted(m for m, on in zip(table.modalities, paid_for, strict=True) if on)
    return Decision(float(smallest_loss(table, state_probability)), ordered, overall, tuple(used))


@dataclass(frozen=True)
class _Cheapest:
    """The cheapest actions on beliefs (...). aside, care, started (..., G): what either costs and whether care starts;
    looks (..., M): what is paid for; step (...): what the one step costs that is taken where nothing pays, else 0."""

    aside: Floats
    care: Floats
    started: NDArray[np.bool_]
    looks: NDArray[np.bool_]
    step: Floats


def _cheapest(table: ActionTable, state_probability: Floats) -> _Cheapest:
    chance = state_probability @ table.membership
    aside, care = table.miss * chance, table.wrong * (1.0 - chance)
    short = table.price - np.minimum(aside, care) @ table.answers
    more = np.concatenate([care - aside, short], axis=-1)
    first = more.argmin(axis=-1)[..., None]
    taken = np.arange(more.shape[-1]) == first
    groups = len(table.groups)
    return _Cheapest(
        aside=aside,
        care=care,
        started=(care < aside) | taken[..., :groups],
        looks=(short < 0) | taken[..., groups:],
        step=np.maximum(np.take_along_axis(more, first, axis=-1)[..., 0], 0.0),
    )


def _named(table: ActionTable, unlooked: Floats, paid_for: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Care groups (G,) for whose sake a scan that is paid for is said to be done: those that it saves something real,
    and the one that it saves most, for several small doubts can pay for a scan together."""
    named = np.zeros(len(table.groups), dtype=bool)
    for column in np.flatnonzero(paid_for):
        saved = unlooked * table.answers[:, column]
        named |= saved >= REAL * table.price[column]
        named[int(saved.argmax())] = True
    return named
