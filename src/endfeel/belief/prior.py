"""The starting distribution over states from starting chances.

P(S) ∝ exp(Σ_c a_c + Σ_cc' d_cc' + b [S = none]): of all distributions over the states with these marginals and this
P(none), the one of largest entropy (relative to the associations d). It exists only where
max π ≤ 1 - p0 ≤ Σπ ≤ 3 (1 - p0); outside, something has to give, and the notes say what.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from endfeel.belief.context import Setting
from endfeel.belief.refusal import BeliefError
from endfeel.belief.states import AT_MOST, Bools, holds_any, make_states

Floats = NDArray[np.float64]

# Ours, stated assumptions. Injury, sport and service clinics are direct access like primary care; a mixed count is
# mostly of people a first clinician has already sent on.
NONE_CHANCE: Mapping[Setting, float] = {
    "primary": 0.30, "secondary": 0.15, "tertiary": 0.05,
    "sports": 0.30, "emergency": 0.30, "military": 0.30, "mixed": 0.15,
}

# How close to the edge of what is possible the chances may come: on the edge itself some states would be impossible.
_EDGE = 0.97
_TINY = 1e-9


@dataclass(frozen=True)
class Prior:
    """log_prior (states,), -inf where a chance of 0 or 1 rules a state out; states (states, conditions); notes."""

    states: Bools
    log_prior: Floats
    notes: tuple[str, ...]


@dataclass(frozen=True)
class UnionChance:
    """The chance that at least one of some conditions (columns) is present; `of` may be scaled to meet it."""

    name: str
    columns: tuple[int, ...]
    of: tuple[int, ...]
    chance: float
    by_hand: bool = False


def solve_prior(
    names: tuple[str, ...],
    chances: Floats,
    none_chance: float,
    *,
    by_hand: frozenset[int] = frozenset(),
    none_by_hand: bool = False,
    unions: tuple[UnionChance, ...] = (),
    associations: Mapping[tuple[int, int], float] | None = None,
    at_most: int = AT_MOST,
) -> Prior:
    """The starting distribution for chances (conditions,) and P(none).

    by_hand: columns a person set, which are scaled only where nothing else can give. A chance of 0 or 1 restricts the
    states; more than three conditions set to 1 widen what may stand together. associations: log odds d_cc' by columns.
    """
    notes: list[str] = []
    chances = np.clip(np.asarray(chances, dtype=float), 0.0, 1.0)
    sure = np.flatnonzero(chances >= 1 - _TINY)
    if len(sure) > at_most:
        notes.append(f"{len(sure)} conditions were set to certain, so up to {len(sure)} may stand together")
    states = make_states(len(names), max(at_most, len(sure)))
    open_ = _open_states(states, chances, none_chance, none_by_hand)
    _refuse_if_shut(open_)
    free = np.array([c for c in range(len(names)) if _TINY < chances[c] < 1 - _TINY], dtype=int)
    soft = [u for u in unions if _TINY < u.chance < 1 - _TINY]
    offset = _offset(states, associations)
    target = chances.copy()
    for _ in range(25):
        fitted, none_fitted, said = _feasible(names, target, none_chance, free, by_hand, none_by_hand, states, open_)
        log_prior = _maximum_entropy(states, open_, offset, fitted, none_fitted, free)
        moved = _towards_unions(states, log_prior, soft, target, chances)
        if not moved:
            break
    said += _missed(states, log_prior, soft)
    for union in unions:
        if union.chance >= 1 - _TINY or union.chance <= _TINY:
            inside = holds_any(states, union.columns)
            log_prior = np.where(inside if union.chance > 0.5 else ~inside, log_prior, -np.inf)
            _refuse_if_shut(np.isfinite(log_prior))
            log_prior = log_prior - logsumexp(log_prior)
            said.append(f"{union.name} was set to {union.chance:.0f}: the other chances follow from the states left")
    return Prior(states, log_prior, (*notes, *said))


def marginals(states: Bools, log_prior: Floats) -> Floats:
    """P(condition present) (conditions,)."""
    return np.asarray(np.exp(log_prior) @ states.astype(float))


def _refuse_if_shut(open_: Bools) -> None:
    if not open_.any():
        raise BeliefError("chances set by hand rule out every state: leave at least one condition or none possible")


def _open_states(states: Bools, chances: Floats, none_chance: float, none_by_hand: bool) -> Bools:
    open_ = np.ones(len(states), dtype=bool)
    for column, chance in enumerate(chances):
        if chance <= _TINY:
            open_ &= ~states[:, column]
        elif chance >= 1 - _TINY:
            open_ &= states[:, column]
    if none_by_hand and none_chance <= _TINY:
        open_[0] = False
    if none_by_hand and none_chance >= 1 - _TINY and open_[0]:
        open_[1:] = False
    return open_


def _offset(states: Bools, associations: Mapping[tuple[int, int], float] | None) -> Floats:
    offset = np.zeros(len(states))
    for (one, other), log_odds in (associations or {}).items():
        offset += log_odds * (states[:, one] & states[:, other])
    return offset


def _feasible(
    names: tuple[str, ...],
    chances: Floats,
    none_chance: float,
    free: NDArray[np.int64],
    by_hand: frozenset[int],
    none_by_hand: bool,
    states: Bools,
    open_: Bools,
) -> tuple[Floats, float | None, list[str]]:
    """Chances and P(none) that a distribution over the open states can have, near those given, and what was changed."""
    chances = chances.copy()
    said: list[str] = []
    if not len(free):
        return chances, None, said
    sure = int((chances >= 1 - _TINY).sum())
    room = min(len(free), int(states.sum(axis=1).max()) - sure)
    crowded = len(free) > room
    if sure:
        # A condition is certain: none is out, and the others fill what room is left.
        if none_by_hand and none_chance > _TINY:
            said.append(f"no specific structure, set to {none_chance:.2f}, can not stand beside a certain condition")
        most, total = room * _EDGE, float(chances[free].sum())
        if crowded and total > most:
            chances[free] = _scaled(chances[free], most, 1.0)
            said.append(f"starting chances scaled by {most / total:.2f}: no more than {room} others can stand with it")
        return chances, None, said
    if none_by_hand and none_chance >= 1 - _TINY:
        chances[free] = 0.0
        return chances, None, ["no specific structure was set to certain, which leaves no other condition"]
    if none_by_hand:
        none = none_chance
        cap = (1 - none) * (_EDGE if len(free) > 1 else 1.0)
        high = [c for c in free if chances[c] > cap + 1e-12]
        if high:
            chances[high] = cap
            said.append(
                f"{', '.join(names[c] for c in high)} lowered to {cap:.2f}, "
                f"all that no specific structure at {none:.2f} leaves"
            )
    else:
        none = _none_that_fits(names, chances, none_chance, free, said)
        cap = 1 - none
    total, some = float(chances[free].sum()), 1 - none
    least = 0.0 if not none_by_hand else some / _EDGE if len(free) > 1 else some
    most = room * some * _EDGE if crowded else np.inf
    bound = min(max(total, least), most)
    if abs(bound - total) > 1e-9:
        movable = np.array([c for c in free if c not in by_hand], dtype=int)
        held = total - float(chances[movable].sum())
        if not held < bound <= held + cap * len(movable):
            movable, held = free, 0.0
        before = float(chances[movable].sum())
        chances[movable] = _scaled(chances[movable], bound - held, cap)
        why = f"no more than {room} can stand together" if bound < total else f"something is present in {some:.2f}"
        said.append(f"starting chances scaled by {(bound - held) / before:.2f}, since {why}")
    return chances, none if open_[0] else None, said


def _none_that_fits(
    names: tuple[str, ...], chances: Floats, none_chance: float, free: NDArray[np.int64], said: list[str]
) -> float:
    """P(none) moved just inside what the chances allow: it is our own assumption, so it gives way before they do."""
    total, largest = float(chances[free].sum()), float(chances[free].max())
    slack = (1 - _EDGE) * (total - largest)
    least = largest + min(slack, (1 - _EDGE) * (1 - largest))
    none = 1 - min(max(1 - none_chance, least), total - slack)
    if none > none_chance + 1e-12:
        said.append(
            f"the starting chances add up to {total:.2f}, so the chance of no specific structure "
            f"was raised from {none_chance:.2f} to {none:.2f}"
        )
    elif none < none_chance - 1e-12:
        said.append(
            f"{names[int(free[np.argmax(chances[free])])]} starts at {largest:.2f}, so the chance of no specific "
            f"structure was lowered from {none_chance:.2f} to {none:.2f}"
        )
    return none


def _scaled(chances: Floats, total: float, cap: float) -> Floats:
    """Chances times one factor, none above `cap`, that add up to `total` (which is at most cap times their number)."""
    low, high = 0.0, max(cap, total) / float(chances.min()) + 1.0
    for _ in range(200):
        factor = (low + high) / 2
        low, high = (factor, high) if np.minimum(chances * factor, cap).sum() < total else (low, factor)
    return np.asarray(np.minimum(chances * high, cap))


def _maximum_entropy(
    states: Bools, open_: Bools, offset: Floats, chances: Floats, none: float | None, free: NDArray[np.int64]
) -> Floats:
    """Newton's method on the convex dual, log Z(λ) - λ·m, with damping and bounded steps."""
    settled = np.array([chances[c] <= _TINY or chances[c] >= 1 - _TINY for c in free], dtype=bool)
    forced = (states[:, free[settled]] == (chances[free[settled]] > 0.5)).all(axis=1)
    use, free = np.flatnonzero(open_ & forced), free[~settled]
    columns = [states[use][:, free].astype(float)]
    goal = list(chances[free])
    if none is not None and len(free):
        columns.append((~holds_any(states[use], tuple(range(states.shape[1]))))[:, None].astype(float))
        goal.append(none)
    features, aim = np.hstack(columns), np.array(goal)
    multipliers, damping = np.zeros(len(aim)), 1e-12

    def dual(lam: Floats) -> float:
        return float(logsumexp(features @ lam + offset[use]) - lam @ aim)

    value = dual(multipliers)
    for _ in range(300):
        log_p = features @ multipliers + offset[use]
        p = np.exp(log_p - logsumexp(log_p))
        mean = p @ features
        slope = mean - aim
        if np.abs(slope).max(initial=0.0) < 1e-12:
            break
        bend = (features * p[:, None]).T @ features - np.outer(mean, mean)
        step = np.linalg.solve(bend + damping * np.eye(len(aim)), slope)
        step *= min(1.0, 4.0 / np.abs(step).max())
        trial = dual(multipliers - step)
        if trial <= value + 1e-15:
            multipliers, value, damping = multipliers - step, trial, max(damping / 10, 1e-12)
        elif damping > 1e3:
            break
        else:
            damping *= 10
    log_prior = np.full(len(states), -np.inf)
    log_p = features @ multipliers + offset[use]
    log_prior[use] = log_p - logsumexp(log_p)
    return log_prior


def _towards_unions(
    states: Bools, log_prior: Floats, unions: list[UnionChance], target: Floats, first: Floats
) -> bool:
    """Scale the parts' chances (odds) so that each union's chance comes nearer its own; False where all are met."""
    moved = False
    p = np.exp(log_prior)
    for union in unions:
        now = float(p @ holds_any(states, union.columns))
        if not union.of or abs(now - union.chance) < 1e-6 or not 0 < now < 1:
            continue
        shift = np.log(union.chance / (1 - union.chance)) - np.log(now / (1 - now))
        columns = [c for c in union.of if _TINY < first[c] < 1 - _TINY]
        before = target[columns].copy()
        logit = np.log(before / (1 - before)) + shift
        target[columns] = np.clip(1 / (1 + np.exp(-logit)), 1e-6, 0.999)
        moved = moved or bool(np.abs(target[columns] - before).max(initial=0.0) > 1e-8)
    return moved


def _missed(states: Bools, log_prior: Floats, unions: list[UnionChance]) -> list[str]:
    p = np.exp(log_prior)
    return [
        f"{u.name} starts at {now:.2f} rather than {u.chance:.2f}: its parts' own chances leave no other"
        for u in unions
        if abs((now := float(p @ holds_any(states, u.columns))) - u.chance) > 0.005
    ]
