"""The sums are exact: equal to pyAgrum on the same network, and near enough to a far finer quadrature."""

from __future__ import annotations

import numpy as np
import pytest
import small_world as world
from scipy.special import ndtr

from endfeel.belief import Context, believe, compile_region
from endfeel.belief.dependence import Dependence
from endfeel.belief.infer import state_probability_by_draw
from endfeel.belief.model import RegionModel
from endfeel.belief.nodes import grid, kernel, positive_given_t

RESULTS = {
    "alpha-pull": "positive", "alpha-push": "negative", "alpha-twist": "positive", "beta-press:inner": "positive",
    "beta-turn": "negative", "gamma-squeeze": "positive", "pop-heard": "positive", "alpha-scan": "negative",
    "delta-lift": "positive",
}
ONE_OF_THREE = (
    {"gamma-end:soft": "positive"},
    {"gamma-end:soft": "negative"},
    {"gamma-end:soft": "negative", "gamma-end:springy": "negative"},
    {"gamma-end:soft": "negative", "gamma-end:hard": "positive", "gamma-end:springy": "negative"},
    {"gamma-end:soft": "negative", "gamma-end:hard": "negative", "gamma-end:springy": "negative"},
)


def compiled(r: float | None = None, kappa: float = 0.3) -> RegionModel:
    fixed = None if r is None else Dependence(np.log(r / (1 - r)), 0.0, 0.0, 0.0, 0.0)
    return compile_region(
        world.evidence(), world.edition(), world.catalogue(), Context("knee", onset="injury"), dependence=fixed,
        kappa=kappa,
    )


@pytest.mark.parametrize("draw", [0, 7, 90])
def test_equal_to_pyagrum_draw_by_draw(draw: int) -> None:
    network = pytest.importorskip("network", reason="pyagrum is not installed")
    model = compiled()
    ours = state_probability_by_draw(model, believe(model, RESULTS))[draw]
    theirs = network.posterior(model, network.build(model, draw, tuple(RESULTS)), RESULTS)
    assert np.abs(ours - theirs).max() < 1e-9


@pytest.mark.parametrize("readings", ONE_OF_THREE)
def test_readings_that_exclude_each_other_equal_one_node_of_pyagrum(readings: dict[str, str]) -> None:
    network = pytest.importorskip("network", reason="pyagrum is not installed")
    model = compiled()
    results = {**RESULTS, **readings}
    by_draw = state_probability_by_draw(model, believe(model, results))
    for draw in (0, 33, 127):
        theirs = network.posterior(model, network.build(model, draw, tuple(results)), results)
        assert np.abs(by_draw[draw] - theirs).max() < 1e-9


@pytest.mark.parametrize(("r", "kappa"), [(0.0, 0.3), (0.3, 0.0), (0.7, 0.3), (0.85, 0.3), (0.85, 0.6)])
def test_within_a_thousandth_of_a_far_finer_quadrature(r: float, kappa: float) -> None:
    model = compiled(r if r else 1e-12, kappa)
    draw = 3
    ours = state_probability_by_draw(model, believe(model, RESULTS))[draw]
    tables = model.weighing()
    z = np.linspace(-8, 8, 4001)
    u = np.linspace(-8, 8, 401)
    weight_u = np.exp(-0.5 * u**2)
    weight_u /= weight_u.sum()
    weight_z = np.exp(-0.5 * z**2)
    weight_z /= weight_z.sum()
    t = np.sqrt(kappa) * z[:, None] + np.sqrt(1 - kappa) * u[None, :]
    groups: dict[int, list[str]] = {}
    for observable in RESULTS:
        groups.setdefault(model.observed(observable).group, []).append(observable)
    kept: dict[tuple[object, ...], np.ndarray] = {}

    def given_z(members: list[str], state: int) -> np.ndarray:
        key = tuple((o, int(tables.place[model.place[o]][state])) for o in members)
        if key not in kept:
            product = np.ones_like(t)
            for observable, pattern in key:
                j = model.place[observable]
                eta, share = tables.eta(j)[draw, pattern], tables.r(j)[draw, pattern]
                positive = ndtr((eta + np.sqrt(share) * t) / np.sqrt(1 - share))
                product *= positive if RESULTS[observable] == "positive" else 1 - positive
            kept[key] = product @ weight_u
        return kept[key]

    likelihood = np.array(
        [
            weight_z @ np.prod([given_z(members, s) for members in groups.values()], axis=0)
            for s in range(len(model.states))
        ]
    )
    finer = np.exp(model.log_prior) * likelihood
    finer /= finer.sum()
    held = np.stack([model.membership[c] for c in model.membership], axis=1)
    assert np.abs(ours @ held - finer @ held).max() < 1e-3


@pytest.mark.parametrize("r", [0.0, 0.3, 0.85])
def test_margins_stay_put_whatever_the_dependence(r: float) -> None:
    eta = np.linspace(-3, 3, 25)
    positive = positive_given_t(eta, np.full_like(eta, r))
    _, weights = grid()
    assert np.allclose(positive @ weights, ndtr(eta), atol=1e-6)
    assert np.allclose(positive @ kernel(0.3).T @ weights, ndtr(eta), atol=1e-6)
