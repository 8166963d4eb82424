"""What the recorded findings of one group say about every state, and how groups are brought together."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from endfeel.belief.exclusive import exclusive_cell
from endfeel.belief.model import RegionModel, Tables
from endfeel.belief.nodes import grid
from endfeel.belief.states import patterns_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Ours: a stronger grade is positive in no more than this share of those in whom a milder one is. Grades are studied
# apart, so their rates may cross, and a patient with the milder alone must not thereby become impossible.
_STRONGER_OF_MILDER = 0.9
_SMALLEST = 1e-300


@dataclass(frozen=True)
class GroupTerm:
    """P(a group's results | state, z), for the patterns of the conditions that its recorded findings respond to.

    mask: those conditions as bits. patterns (P,): ascending bit codes. values (P, draws, z nodes), scaled in each draw
    to at most one; log_scale (draws,) holds what was taken out.
    """

    mask: int
    patterns: Ints
    values: Floats
    log_scale: Floats


def group_term(model: RegionModel, tables: Tables, telling: Mapping[str, bool], group: int) -> GroupTerm | None:
    """The term of a group from the results that are evidence; None where it has none."""
    members = sorted(model.place[o] for o in telling if model.observed(o).group == group)
    if not members:
        return None
    mask, patterns, table = _on_t(model, tables, telling, members)
    values = table @ tables.kernel.T
    top = np.maximum(values.max(axis=(0, 2)), _SMALLEST)
    return GroupTerm(mask, patterns, values / top[None, :, None], np.log(top))


def independent_term(
    model: RegionModel, tables: Tables, telling: Mapping[str, bool], group: int
) -> GroupTerm | None:
    """The same results as if the group's findings shared nothing: their margins multiplied.

    Grades of one sign, and readings that exclude each other, remain one finding.
    """
    members = sorted(model.place[o] for o in telling if model.observed(o).group == group)
    if not members:
        return None
    mask, patterns, flat = _multiplied(model, tables, telling, members, lambda j: tables.margin(j).T)
    top = np.maximum(flat.max(axis=0), _SMALLEST)
    nodes = len(grid()[0])
    return GroupTerm(mask, patterns, np.repeat((flat / top)[:, :, None], nodes, axis=2), np.log(top))


def on_t(
    model: RegionModel, tables: Tables, telling: Mapping[str, bool], group: int
) -> tuple[int, Ints, Floats] | None:
    """P(a group's results | state, t): mask, patterns (P,), table (P, draws, nodes); None where it has no result."""
    members = sorted(model.place[o] for o in telling if model.observed(o).group == group)
    return _on_t(model, tables, telling, members) if members else None


def product_over_groups(
    tables: Tables, terms: Iterable[GroupTerm], mask: int, codes: Ints
) -> tuple[Ints, Ints, Floats]:
    """The terms multiplied and weighted by P(z), on patterns fine enough for them and for `mask`.

    Returns patterns (P,), the pattern of each state (S,), and values (P, draws, z nodes).
    """
    weights = tables.z_weights
    held, patterns = 0, np.zeros(1, dtype=np.int64)
    values = np.broadcast_to(weights, (1, tables.draws, len(weights)))
    for term in terms:
        # Patterns are told apart only as groups ask for it: the first few groups cost next to nothing.
        finer, _ = patterns_of(codes, held | term.mask)
        before = np.searchsorted(patterns, finer & held)
        own = np.searchsorted(term.patterns, finer & term.mask)
        product = np.empty((len(finer), *values.shape[1:]))
        for p in range(len(finer)):
            np.multiply(values[before[p]], term.values[own[p]], out=product[p])
        held, patterns, values = held | term.mask, finer, product
    finest, place = patterns_of(codes, held | mask)
    if len(finest) > len(patterns):
        values = values[np.searchsorted(patterns, finest & held)]
    return finest, place, np.asarray(values)


def products_without(
    tables: Tables, terms: Mapping[int, GroupTerm], wanted: frozenset[int], codes: Ints
) -> tuple[Ints, dict[int, Floats]]:
    """For each wanted group, the product over all other groups as product_over_groups gives it, on one set of patterns.

    Halving the groups again and again needs about G log G products of G groups rather than G².
    """
    mask = 0
    for term in terms.values():
        mask |= term.mask
    patterns, place, start = product_over_groups(tables, (), mask, codes)
    found: dict[int, Floats] = {}

    def halve(groups: list[int], product: Floats) -> None:
        if len(groups) == 1:
            found[groups[0]] = product
            return
        middle = len(groups) // 2
        for inside, outside in ((groups[:middle], groups[middle:]), (groups[middle:], groups[:middle])):
            if wanted & set(inside):
                narrowed = product.copy()
                for group in outside:
                    index = np.searchsorted(terms[group].patterns, patterns & terms[group].mask)
                    for p in range(len(patterns)):
                        narrowed[p] *= terms[group].values[index[p]]
                halve(inside, narrowed)

    if wanted:
        halve(sorted(terms), start)
    return place, found


def state_likelihood(tables: Tables, terms: Mapping[int, GroupTerm], codes: Ints) -> Floats:
    """P(results | state) in each draw, up to exp(log_scale) of log_scale_of; (S, draws)."""
    _, place, values = product_over_groups(tables, (terms[g] for g in sorted(terms)), 0, codes)
    return np.asarray(np.maximum(values.sum(axis=2), _SMALLEST)[place])


def log_scale_of(tables: Tables, terms: Mapping[int, GroupTerm]) -> Floats:
    """The logarithm of what the terms' scaling took out, (draws,)."""
    return sum((terms[g].log_scale for g in sorted(terms)), np.zeros(tables.draws))


def signs_of(model: RegionModel, tables: Tables, observables: Iterable[str]) -> list[list[int]]:
    """Places of some observables: grades of one sign together, mild first, and so readings that exclude each other;
    every other by itself."""
    asked = set(observables)
    signs: dict[int, list[int]] = {}
    for j in sorted(model.place[o] for o in asked):
        together = [model.place[o] for o in model.fitted.observed[j].grades if o in model.place]
        sign = [k for k in together or tables.exclusives[j] or (j,) if model.fitted.observed[k].observable in asked]
        signs.setdefault(min(sign), sign)
    return list(signs.values())


def grades_cell(positive: Sequence[Floats], results: Sequence[bool]) -> Floats:
    """P of the results of one sign's grades, mild first: positive at one grade includes all milder ones.

    The strongest positive grade counts, and the mildest negative one above it.
    """
    if len(positive) == 1:
        return positive[0] if results[0] else 1.0 - positive[0]
    nested = [positive[0]]
    for rate in positive[1:]:
        nested.append(np.minimum(rate, _STRONGER_OF_MILDER * nested[-1]))
    strongest = max((i for i, result in enumerate(results) if result), default=None)
    above = [i for i, result in enumerate(results) if not result and (strongest is None or i > strongest)]
    held = np.ones_like(nested[0]) if strongest is None else nested[strongest]
    if not above:
        return np.asarray(held)
    return np.asarray(held - nested[above[0]])


def _reach(tables: Tables, members: list[int]) -> int:
    mask = 0
    for j in members:
        mask |= tables.reach[j]
    return mask


def _on_t(
    model: RegionModel, tables: Tables, telling: Mapping[str, bool], members: list[int]
) -> tuple[int, Ints, Floats]:
    return _multiplied(model, tables, telling, members, tables.positive)


def _multiplied(
    model: RegionModel, tables: Tables, telling: Mapping[str, bool], members: list[int], rate: Callable[[int], Floats]
) -> tuple[int, Ints, Floats]:
    """Mask, patterns (P,) and the product over signs of P(the sign's results), (P, draws, ...); rate(j) gives P(j
    positive) on j's own patterns."""
    observed = model.fitted.observed
    mask = _reach(tables, members)
    patterns, _ = patterns_of(model.codes, mask)
    table: Floats | None = None
    for sign in signs_of(model, tables, (observed[j].observable for j in members)):
        index = [np.searchsorted(tables.patterns[k], patterns & tables.reach[k]) for k in sign]
        results = [telling[observed[k].observable] for k in sign]
        cell = exclusive_cell if tables.exclusives[sign[0]] else grades_cell
        rates = [rate(k) for k in sign]
        if table is None:
            table = np.ones((len(patterns), *rates[0].shape[1:]))
        for p in range(len(patterns)):
            table[p] *= cell([k[i[p]] for k, i in zip(rates, index, strict=True)], results)
    assert table is not None
    return mask, patterns, table
