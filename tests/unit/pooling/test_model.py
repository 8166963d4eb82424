"""The full model: its likelihood by hand, and small builds that must stay finite."""

from __future__ import annotations

import invented_studies as invented
import numpy as np
import pytest
from scipy.special import expit, log_expit
from scipy.stats import binom

from endfeel.pooling.data import pooling_data
from endfeel.pooling.edition import Edition
from endfeel.pooling.summary import pool

jax = pytest.importorskip("jax", reason="building needs the extra 'editions'")
numpyro = pytest.importorskip("numpyro")

from endfeel.pooling.build import build_edition  # noqa: E402
from endfeel.pooling.model import accuracy_model, model_inputs  # noqa: E402


def mixed_evidence() -> object:
    return invented.evidence(
        [
            invented.line(1, 14, 3, 2, 17),
            invented.line(1, 9, 6, 7, 14, finding="knee-press"),
            invented.line(2, 30, 4, 12, 40, basis="approx"),
            invented.line(3, 8, 2, 4, 9),
            invented.line(3, 6, 1, 6, 10, criterion="twice"),
        ],
        [invented.rates(4, 0.8, 0.92, 45), invented.rates(4, 0.7, 0.6, 45, finding="knee-press")],
        [invented.study(2, sampling="two-gate")],
    )


def test_the_log_density_is_that_of_the_formulas() -> None:
    numpyro.enable_x64()
    data = pooling_data(mixed_evidence())
    rng = np.random.default_rng(2)
    kinds, conditions, pairs, studies = model_inputs(data)["sizes"]
    rows = len(data.counted.sources) + len(data.rated.sources)
    values = {
        "centre": np.array([0.4, 1.1]), "kind_sd": np.array([0.3, 0.5]), "condition_sd": np.array([0.2, 0.6]),
        "kind_z": rng.standard_normal((kinds, 2)), "condition_z": rng.standard_normal((conditions, 2)),
        "pair_sd": np.array([0.9, 0.7]), "pair_correlation_half": 0.3, "rest_sd": np.array([0.5, 0.4]),
        "rest_correlation_half": 0.4, "study_sd": np.array([0.6, 0.8]), "study_correlation_half": 0.7,
        "pair_z": rng.standard_normal((pairs, 2)), "study_z": rng.standard_normal((studies, 2)),
        "rest_z": rng.standard_normal((rows, 2)), "design_effect": np.array([1.0, 0.3, 0.2]),
    }  # fmt: skip

    def factor(name: str) -> np.ndarray:
        rho, sd = 2 * values[f"{name}_correlation_half"] - 1, values[f"{name}_sd"]
        return np.linalg.cholesky(np.array([[1, rho], [rho, 1]]) * np.outer(sd, sd))

    seeded = numpyro.handlers.substitute(numpyro.handlers.seed(accuracy_model, 0), values)
    trace = numpyro.handlers.trace(seeded).get_trace(model_inputs(data))
    kind_mean = values["centre"] + values["kind_sd"] * values["kind_z"]
    mu = kind_mean[data.pair_kind] + (values["condition_sd"] * values["condition_z"])[data.pair_condition]
    mu = mu + values["pair_z"] @ factor("pair").T
    assert np.asarray(trace["mu"]["value"]) == pytest.approx(mu)

    counted, rated = data.counted, data.rated
    study, rest = values["study_z"] @ factor("study").T, values["rest_z"] @ factor("rest").T
    theta = mu[counted.pair] + study[counted.study] + rest[: counted.tp.size]
    theta[2] += 0.5  # the two-gate study: half of 1.0 on each side
    expected = counted.weight[:, 0] * (
        counted.tp * log_expit(theta[:, 0]) + (counted.n1 - counted.tp) * log_expit(-theta[:, 0])
    )
    expected += counted.weight[:, 1] * (
        counted.tn * log_expit(theta[:, 1]) + (counted.n0 - counted.tn) * log_expit(-theta[:, 1])
    )
    assert float(trace["counts"]["fn"].log_factor) == pytest.approx(expected.sum())

    theta = mu[rated.pair] + study[rated.study] + rest[counted.tp.size :]
    total = 0.0
    # Study 4 by brute force: every split and count that rounds to all four rates, prior n1 n0.
    prior = sum(n1 * (45 - n1) for n1 in range(1, 45) if _allowed(n1))
    for n1 in filter(_allowed, range(1, 45)):
        term = n1 * (45 - n1) / prior
        for (sens, spec), at in zip(((0.8, 0.92), (0.7, 0.6)), theta, strict=True):
            term *= _window(sens, n1, at[0]) * _window(spec, 45 - n1, at[1])
        total += term
    assert float(trace["rates"]["fn"].log_factor) == pytest.approx(np.log(total), abs=1e-6)


def _counts(rate: float, size: int) -> list[int]:
    return [count for count in range(size + 1) if abs(count / size - rate) <= 0.005 + 1e-9]


def _allowed(n1: int) -> bool:
    return all(_counts(r, n1) for r in (0.8, 0.7)) and all(_counts(r, 45 - n1) for r in (0.92, 0.6))


def _window(rate: float, size: int, logit: float) -> float:
    return float(sum(binom.pmf(count, size, expit(logit)) for count in _counts(rate, size)))


def build(evidence: object, **options: object) -> Edition:
    return build_edition(evidence, seed=3, chains=2, warmup=50, samples=50, **options)


def test_a_small_build_keeps_its_provenance_and_is_repeatable() -> None:
    seen: list[tuple[int, int]] = []
    evidence, left_out = mixed_evidence(), frozenset({("ref-invented-2", "knee-pull")})
    edition = build(evidence, left_out=left_out, progress=lambda done, total: seen.append((done, total)))
    assert seen[0] == (50, 100) and seen[-1] == (100, 100)
    assert edition.draws == 100
    assert edition.meta["evidence"] == evidence.fingerprint
    assert edition.left_out == left_out
    assert edition.meta["lines"] == {"counts": 4, "rates": 2}
    assert {"r_hat_max", "effective_size_min", "divergences", "energy_bfmi"} <= set(edition.meta["diagnostics"])
    assert ("ref-invented-2", "band-tear") not in edition.studies
    assert build(evidence, left_out=left_out).id == edition.id


HARD = {
    "one-study": [(10, 0, 0, 10)],
    "identical": [(12, 3, 4, 15)] * 3,
    "no-true-positive": [(0, 5, 9, 8), (0, 2, 12, 20)],
    "perfect": [(9, 0, 0, 9), (14, 0, 0, 6)],
    "beyond-32-bits": [(2**40, 5, 2**39, 9)],
}


@pytest.mark.parametrize("names", [tuple(HARD), ("one-study",)], ids=["together", "nothing else"])
def test_hard_tables_give_finite_figures(names: tuple[str, ...]) -> None:
    lines = [invented.line(i + 1, *row, condition=name) for name in names for i, row in enumerate(HARD[name])]
    evidence = invented.evidence(lines)
    edition = build(evidence)
    for name in names:
        accuracy = pool(edition, evidence, "knee-pull", name)
        for interval in (accuracy.pooled.sensitivity, accuracy.predictive.specificity, accuracy.lr_positive):
            assert np.isfinite([interval.mean, interval.low, interval.high]).all()
        assert 0 < accuracy.pooled.sensitivity.mean < 1


def test_no_line_at_all_is_told() -> None:
    with pytest.raises(ValueError, match="no accuracy line to pool"):
        build_edition(invented.evidence([]), seed=1)
