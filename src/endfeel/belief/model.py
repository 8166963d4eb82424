"""One patient's model: a region's fitted findings and the starting distribution over its states.

    P(results | S) = E over draws, z [ Π over groups E over t [ Π over the group's findings P(result | S, t) | z ] ]

z is the patient's general irritability, t a group's own share of it and of the structure (nodes.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from endfeel.belief.context import YOUNGEST, Context
from endfeel.belief.controls import ControlsGap
from endfeel.belief.dependence import Dependence, shipped_dependence
from endfeel.belief.exclusive import MOST, Crowded, reading_given_t, scaled_margins
from endfeel.belief.fit import response_at
from endfeel.belief.fitted import DrawSet, FittedRegion, Residual, fit_region
from endfeel.belief.nodes import kernel, positive_given_t, shifted_weights
from endfeel.belief.observed import Observed
from endfeel.belief.prior import UnionChance, solve_prior
from endfeel.belief.refusal import BeliefError
from endfeel.belief.rules import Rule
from endfeel.belief.starting import StartingChance, starting_chances
from endfeel.belief.states import codes_of, holds_any, mask_of, patterns_of
from endfeel.catalogue.regions import Catalogue
from endfeel.evidence.base import EvidenceBase
from endfeel.pooling.edition import Edition

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DRAWS = 128
KAPPA = 0.3
SEED = 20260101


@dataclass(frozen=True)
class RegionModel:
    """Everything needed to turn results into chances. S states, C finest conditions, D draws.

    states: bool (S, C), row 0 is no specific structure. log_prior (S,). starting: by condition id, unions and none
    included. prior_notes: what was scaled so that the starting chances can stand together. kappa: the share of z.
    z_shift: how far this patient's irritability is assumed to lie from most people's, in standard deviations.
    """

    region: str
    context: Context
    conditions: tuple[str, ...]
    none_id: str
    unions: Mapping[str, tuple[int, ...]]
    states: NDArray[np.bool_]
    log_prior: Floats
    starting: Mapping[str, StartingChance]
    prior_notes: tuple[str, ...]
    observables: tuple[str, ...]
    fitted: FittedRegion
    kappa: float
    draws: int
    z_shift: float = 0.0
    _kept: dict[int, Tables] = field(default_factory=dict, compare=False, repr=False)

    @cached_property
    def codes(self) -> Ints:
        """Each state as bits, (S,): bit c for condition c, and one more after them for the state none."""
        none = ~holds_any(self.states, tuple(range(len(self.conditions))))
        return codes_of(self.states) | (none.astype(np.int64) << len(self.conditions))

    @cached_property
    def place(self) -> Mapping[str, int]:
        """Where each observable, and after them each validated rule, stands in `fitted.observed`."""
        return {item.observable: i for i, item in enumerate(self.fitted.observed)}

    @cached_property
    def rules(self) -> tuple[Rule, ...]:
        """The region's validated rules, those counted in most people first."""
        return tuple(item.rule for item in self.fitted.observed if item.rule is not None)

    @cached_property
    def membership(self) -> Mapping[str, NDArray[np.bool_]]:
        """Which states hold each condition, union and none: bool (S,) by id."""
        found = {c: holds_any(self.states, (i,)) for i, c in enumerate(self.conditions)}
        found.update({u: holds_any(self.states, columns) for u, columns in self.unions.items()})
        found[self.none_id] = ~holds_any(self.states, tuple(range(len(self.conditions))))
        return found

    @property
    def residuals(self) -> tuple[Residual, ...]:
        """Where the studies of one finding for several conditions can not all hold."""
        return self.fitted.residuals()

    @cached_property
    def control_gaps(self) -> tuple[ControlsGap, ...]:
        """What healthy controls say of people with no specific structure, beside what the fit says."""
        return self.fitted.control_gaps()

    @cached_property
    def crowded(self) -> tuple[Crowded, ...]:
        """Where readings that exclude each other were studied at rates that add up to more than one."""
        tables, found = self.weighing(), []
        for members in dict.fromkeys(filter(None, tables.exclusives)):
            first = members[0]
            _, totals = scaled_margins(np.stack([tables.eta(k) for k in members]))
            for code, total in zip(tables.patterns[first].tolist(), totals.mean(axis=0), strict=True):
                if total > MOST:
                    held = tuple(c for i, c in enumerate(self.conditions) if code >> i & 1)
                    names = tuple(self.fitted.observed[k].observable for k in members)
                    found.append(Crowded(names, held, float(total)))
        return tuple(found)

    @property
    def edition(self) -> str:
        """Id of the edition behind the model."""
        return self.fitted.edition.id

    def observed(self, observable: str) -> Observed:
        """What is known about an observable; BeliefError where it means nothing in this region."""
        if observable not in self.place:
            raise BeliefError(f"{observable}: nothing in {self.region} moves by it; see the region's list of findings")
        return self.fitted.observed[self.place[observable]]

    def group_of(self, observable: str) -> str:
        """The structure it loads with others, or a name of its own."""
        return self.fitted.groups[self.observed(observable).group].name

    def responds_to(self, observable: str) -> tuple[str, ...]:
        """The finest conditions that an observable moves directly."""
        return tuple(self.conditions[c] for c in self.observed(observable).plan.responds)

    def assumed_for(self, observable: str) -> tuple[str, ...]:
        """The targets whose accuracy nobody studied: what is used for them is an assumption."""
        return tuple(p.condition for p in self.observed(observable).pairs if p.assumed)

    def weighing(self, block: int = 0) -> Tables:
        """Tables of the draws that chances are weighted over, block by block."""
        if block not in self._kept:
            self._kept[block] = self._tables(self.fitted.weighing(block))
        return self._kept[block]

    def ranging(self) -> Tables:
        """Tables of the draws that ranges come from."""
        if -1 not in self._kept:
            self._kept[-1] = self._tables(self.fitted.ranging())
        return self._kept[-1]

    def p_positive(self, observable: str) -> Floats:
        """P(positive | state) in each weighing draw for a patient as irritable as most, (draws, S)."""
        tables = self.weighing()
        return tables.margin(self.place[observable])[:, tables.place[self.place[observable]]]

    def thin(self, draws: int) -> RegionModel:
        """The same model on its first `draws` weighing draws: for many looks ahead at less cost."""
        return replace(self, draws=min(draws, self.draws), _kept={})

    def _tables(self, drawn: DrawSet) -> Tables:
        draws = drawn.first(min(self.draws, drawn.draws))
        return Tables(self.fitted, self.codes, draws, self.kappa, self.z_shift)


class Tables:
    """P(positive | state, t) of every observable in one set of draws, worked out when first asked for.

    exclusives[j]: observable j and the readings that exclude it, where there are any. reach[j]: bits of the conditions
    that j, or a reading that excludes it, responds to, and of the state none where healthy controls tell of it.
    patterns[j]: distinct patterns of these, ascending bit codes;
    place[j] (S,): the pattern of each state.
    """

    def __init__(
        self, fitted: FittedRegion, codes: Ints, drawn: DrawSet, kappa: float, z_shift: float = 0.0
    ) -> None:
        self.fitted, self.drawn, self.draws = fitted, drawn, drawn.draws
        self.kernel, self.z_weights = kernel(kappa), shifted_weights(z_shift)
        self.none_bit = 1 << len(fitted.conditions)
        self.patterns: list[Ints] = []
        self.place: list[Ints] = []
        self.exclusives: list[tuple[int, ...]] = []
        self.reach: list[int] = []
        at = {item.observable: j for j, item in enumerate(fitted.observed)}
        for j, item in enumerate(fitted.observed):
            members = tuple(at[o] for o in item.exclusives if o in at)
            self.exclusives.append(members if len(members) > 1 else ())
            reach = mask_of(tuple({c for k in self.exclusives[j] or (j,) for c in fitted.observed[k].plan.responds}))
            if any(fitted.observed[k].controls is not None for k in self.exclusives[j] or (j,)):
                reach |= self.none_bit
            patterns, place = patterns_of(codes, reach)
            self.reach.append(reach)
            self.patterns.append(patterns)
            self.place.append(place)
        self._positive: dict[int, Floats] = {}

    def eta(self, j: int) -> Floats:
        """η of observable j, (draws, patterns)."""
        item = self.fitted.observed[j]
        held = np.array(
            [[bool(code >> c & 1) for c in item.plan.responds] for code in self.patterns[j].tolist()], dtype=bool
        ).reshape(len(self.patterns[j]), len(item.plan.responds))
        theta, offset, none = self.drawn.response(j)
        eta = response_at(item.plan, theta, offset, held)
        if none is not None:
            eta += none[:, None] * ((self.patterns[j] & self.none_bit) != 0)
        return eta

    def r(self, j: int) -> Floats:
        """The shared part of observable j's variance, (draws, patterns): r_{g,1} where one of its conditions is."""
        both = self.drawn.r[:, self.fitted.observed[j].group, :]
        present = (self.patterns[j] & ~self.none_bit) != 0
        return np.where(present[None, :], both[:, 1:], both[:, :1])

    def margin(self, j: int) -> Floats:
        """P(positive) of observable j, (draws, patterns)."""
        if members := self.exclusives[j]:
            return np.asarray(scaled_margins(np.stack([self.eta(k) for k in members]))[0][members.index(j)])
        return np.asarray(ndtr(self.eta(j)))

    def positive(self, j: int) -> Floats:
        """P(positive | t) of observable j, (patterns, draws, nodes)."""
        if j not in self._positive:
            if members := self.exclusives[j]:
                eta = np.stack([self.eta(k) for k in members])
                given = reading_given_t(eta, members.index(j), self.r(j))
            else:
                given = positive_given_t(self.eta(j), self.r(j))
            self._positive[j] = np.ascontiguousarray(np.moveaxis(given, 1, 0))
        return self._positive[j]


def compile_region(
    evidence: EvidenceBase,
    edition: Edition,
    catalogue: Catalogue,
    context: Context,
    *,
    draws: int = DRAWS,
    kappa: float = KAPPA,
    seed: int = SEED,
    dependence: Dependence | None = None,
    z_shift: float = 0.0,
) -> RegionModel:
    """The model of one patient's region.

    draws: weighing draws in a block; more blocks are added where a patient's results leave too few that count. kappa in
    [0, 1): the part of a group's shared variance that is the patient's irritability; the data do not tell it.
    dependence: the shipped estimates where None. z_shift: an assumption about this patient's irritability, within ±3; 0
    leaves every finding's pooled accuracy as it is. BeliefError under 16 years, since the studies are of adults.
    """
    if context.age is not None and context.age < YOUNGEST:
        raise BeliefError(f"age {context.age}: no chances under {YOUNGEST}, since the studies are of adults")
    if not 0 <= kappa < 1:
        raise BeliefError(f"kappa {kappa!r}: give a number from 0 up to 1")
    if not -3 <= z_shift <= 3:
        raise BeliefError(f"z_shift {z_shift!r}: give a number from -3 to 3")
    if draws < 1:
        raise BeliefError(f"draws {draws!r}: give at least 1")
    region = catalogue.region(context.region)
    fitted = fit_region(
        evidence, edition, region, draws=draws, seed=seed, dependence=dependence or shipped_dependence()
    )
    starting = starting_chances(evidence, region, context)
    columns = {c: i for i, c in enumerate(fitted.conditions)}
    unions = tuple(
        UnionChance(
            region.conditions[u].name, parts, _gives_way(parts, fitted.conditions, starting), starting[u].chance,
            starting[u].by_hand,
        )
        for u, parts in fitted.unions.items()
        if u in starting
    )
    none = starting[fitted.none_id]
    prior = solve_prior(
        tuple(region.conditions[c].name for c in fitted.conditions),
        np.array([starting[c].chance for c in fitted.conditions]),
        none.chance,
        by_hand=frozenset(columns[c] for c in columns if starting[c].by_hand),
        none_by_hand=none.by_hand,
        unions=unions,
    )
    return RegionModel(
        region=context.region, context=context, conditions=fitted.conditions, none_id=fitted.none_id,
        unions=fitted.unions, states=prior.states, log_prior=prior.log_prior, starting=starting,
        prior_notes=prior.notes, observables=tuple(o.observable for o in fitted.observed if o.rule is None),
        fitted=fitted, kappa=kappa,
        draws=draws, z_shift=z_shift,
    )


def _gives_way(
    parts: tuple[int, ...], conditions: tuple[str, ...], starting: Mapping[str, StartingChance]
) -> tuple[int, ...]:
    """Which parts of a union are scaled to meet its chance: assumed ones, else published ones, never hand-set ones."""
    assumed = tuple(c for c in parts if starting[conditions[c]].assumed)
    return assumed or tuple(c for c in parts if not starting[conditions[c]].by_hand)
