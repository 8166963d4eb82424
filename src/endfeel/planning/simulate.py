"""Simulated patients: from the model itself, and from generators that are wrong about it in a stated way.

A patient comes to a clinic (a draw of what its tests do and share), has a state, an irritability z and a share u_g in
each structure. Finding f of group g is positive where

    η_fS + √r (√κ z + √(1-κ) u_g) + √(1-r) ε > 0          ε standard normal, one for all grades of a sign

which has the margins and the dependence that belief sums over (belief/nodes.py). Of readings that exclude each other
any is seen by the same rule with the sum of their margins, and which one by its part of that sum (belief/exclusive.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from endfeel.belief import RegionModel
from endfeel.belief.exclusive import scaled_margins
from endfeel.belief.prior import solve_prior
from endfeel.belief.probit import to_probit
from endfeel.belief.results import DECISIVE, Result
from endfeel.belief.terms import signs_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# A block of draws that no belief weighs over: up to eight blocks are ever added to one.
FRESH_BLOCK = 1000
# Where something was recorded, patients are drawn in blocks until enough show it, so many at most.
BLOCK = 4000
MOST_DRAWN = 80_000


@dataclass(frozen=True)
class Generator:
    """How patients come about. The defaults are the model's own.

    degrees_of_freedom: of Student's t for z and u_g, scaled to variance 1; None for the normal. clinic_shift: sd of a
    shift of all of a clinic's findings at once, in probits. interaction: sd of what two conditions together add to a
    finding that responds to at least one of them, in probits. prevalence: what every condition's chance is multiplied
    by. own_accuracy: each clinic's accuracies are one draw of what was pooled rather than their mean.
    """

    words: str
    degrees_of_freedom: float | None = None
    clinic_shift: float = 0.0
    interaction: float = 0.0
    prevalence: float = 1.0
    own_accuracy: bool = False


GENERATORS: Mapping[str, Generator] = MappingProxyType(
    {
        "model": Generator("the model itself"),
        "t3": Generator("what findings share follows t with 3 degrees of freedom", degrees_of_freedom=3.0),
        "shift": Generator("each clinic calls all findings more or less readily, sd 0.4 probit", clinic_shift=0.4),
        "interaction": Generator("conditions change each other's findings, sd 0.5 probit", interaction=0.5),
        "half": Generator("every condition half as common", prevalence=0.5),
        "double": Generator("every condition twice as common", prevalence=2.0),
        "accuracy": Generator("each clinic's accuracies are one draw of what was pooled", own_accuracy=True),
    }
)


@dataclass(frozen=True)
class Patients:
    """N simulated patients. state (N,): rows of model.states. positive (N, O): by model.observables."""

    state: Ints
    positive: Bools

    def results(self, patient: int, model: RegionModel, observables: tuple[str, ...]) -> dict[str, bool]:
        """Some of one patient's findings, as positive or not."""
        return {o: bool(self.positive[patient, model.place[o]]) for o in observables}


def simulate_patients(model: RegionModel, generator: Generator, count: int, rng: np.random.Generator) -> Patients:
    """`count` patients of a region. ValueError where the generator can not be."""
    if count < 1:
        raise ValueError(f"count {count!r}: give at least 1")
    if generator.degrees_of_freedom is not None and generator.degrees_of_freedom <= 2:
        raise ValueError(
            f"degrees_of_freedom {generator.degrees_of_freedom!r}: give more than 2, or the variance is none"
        )
    if not generator.prevalence > 0:
        raise ValueError(f"prevalence {generator.prevalence!r}: give a positive factor")
    tables = model.ranging() if generator.own_accuracy else model.weighing(FRESH_BLOCK)
    prior = np.exp(prior_of(model, generator))
    state = rng.choice(len(prior), size=count, p=prior / prior.sum())
    clinic = rng.integers(tables.draws, size=count)
    shift = generator.clinic_shift * rng.standard_normal(tables.draws)[clinic]
    z = _factor(generator, (count,), rng)
    u = _factor(generator, (count, len(model.fitted.groups)), rng)
    positive = np.zeros((count, len(model.observables)), dtype=bool)
    for members in signs_of(model, tables, model.observables):
        own = rng.standard_normal(count)
        group = model.fitted.observed[members[0]].group
        shared = np.sqrt(model.kappa) * z + np.sqrt(1 - model.kappa) * u[:, group]
        pattern = [tables.place[j][state] for j in members]
        r = [tables.r(j)[clinic, p] for j, p in zip(members, pattern, strict=True)]
        eta = [
            tables.eta(j)[clinic, p] + shift + _interplay(model, generator, j, rng)[state]
            for j, p in zip(members, pattern, strict=True)
        ]
        if tables.exclusives[members[0]]:
            margins, _ = scaled_margins(np.stack(eta))
            upto = margins.cumsum(axis=0)
            seen = to_probit(upto[-1]) + np.sqrt(r[0]) * shared + np.sqrt(1 - r[0]) * own > 0
            which = (upto <= rng.random(count) * upto[-1]).sum(axis=0)
            positive[:, members] = seen[:, None] & (which[:, None] == np.arange(len(members)))
            continue
        milder = np.ones(count, dtype=bool)
        for j, eta_j, r_j in zip(members, eta, r, strict=True):
            milder = milder & (eta_j + np.sqrt(r_j) * shared + np.sqrt(1 - r_j) * own > 0)
            positive[:, j] = milder
    return Patients(state, _coarse_from_fine(model, positive))


def patients_showing(
    model: RegionModel,
    generator: Generator,
    results: Mapping[str, Result],
    count: int,
    rng: np.random.Generator,
) -> Patients:
    """Patients who show what was recorded: up to `count`, fewer or none where it is rare among a generator's patients.

    results: by observable; unclear and not done may be anything. ValueError as simulate_patients.
    """
    recorded = {model.place[o]: r == "positive" for o, r in results.items() if r in DECISIVE}
    if not recorded:
        return simulate_patients(model, generator, count, rng)
    kept: list[Patients] = []
    drawn = 0
    while sum(len(p.state) for p in kept) < count and drawn < MOST_DRAWN:
        block = simulate_patients(model, generator, BLOCK, rng)
        fits = (block.positive[:, list(recorded)] == np.array(list(recorded.values()))).all(axis=1)
        kept.append(Patients(block.state[fits], block.positive[fits]))
        drawn += BLOCK
    return Patients(np.concatenate([p.state for p in kept])[:count], np.concatenate([p.positive for p in kept])[:count])


def prior_of(model: RegionModel, generator: Generator) -> Floats:
    """log P(state) of the generator's patients, (S,): the model's, or with every finest condition's chance multiplied.

    Chances that could no longer stand together are scaled, and no specific structure gives way first, as in the model.
    """
    if generator.prevalence == 1.0:
        return model.log_prior
    p = np.exp(model.log_prior)
    chances = np.clip(generator.prevalence * (p @ model.states), 0.0, 0.9)
    prior = solve_prior(model.conditions, chances, float(p[~model.states.any(axis=1)].sum()))
    if len(prior.states) != len(model.states):
        raise ValueError("a chance was set by hand to certain: simulate without it")
    return prior.log_prior


def _factor(generator: Generator, shape: tuple[int, ...], rng: np.random.Generator) -> Floats:
    df = generator.degrees_of_freedom
    if df is None:
        return np.asarray(rng.standard_normal(shape))
    return np.asarray(rng.standard_t(df, shape) / np.sqrt(df / (df - 2)))


def _interplay(model: RegionModel, generator: Generator, j: int, rng: np.random.Generator) -> Floats:
    """What pairs of conditions add to finding j in each state, (S,)."""
    added = np.zeros(len(model.states))
    if generator.interaction == 0.0:
        return added
    responds = set(model.fitted.observed[j].plan.responds)
    held = model.states
    for c in range(held.shape[1]):
        for other in range(c + 1, held.shape[1]):
            if c in responds or other in responds:
                added += generator.interaction * rng.standard_normal() * (held[:, c] & held[:, other])
    return added


def _coarse_from_fine(model: RegionModel, positive: Bools) -> Bools:
    """A coarse reading is positive where one of the finer ones it stands for is."""
    for j, observable in enumerate(model.observables):
        fine = [model.place[o] for o in model.observed(observable).coarse_of if o != observable and o in model.place]
        if fine:
            positive[:, j] = positive[:, fine].any(axis=1)
    return positive
