"""Build an edition: the full fit by the no-U-turn sampler, with its diagnostics. Needs the extra `editions`.

Hoffman & Gelman, J Mach Learn Res 2014;15:1593-1623 (sampler); Vehtari et al., Bayesian Anal 2021;16:667-718 (split
R-hat, effective sample size); Betancourt, arXiv:1604.00695 (energy diagnostic).
"""

from __future__ import annotations

import platform
from collections.abc import Callable
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endfeel.evidence import EvidenceBase
from endfeel.pooling.data import PoolingData, pooling_data
from endfeel.pooling.edition import Edition, make_edition

try:
    import jax
    import numpyro
    from numpyro.diagnostics import effective_sample_size, split_gelman_rubin
    from numpyro.infer import MCMC, NUTS, init_to_median

    from endfeel.pooling.model import accuracy_model, model_inputs
except ImportError as error:
    raise ImportError("building an edition needs jax and numpyro: pip install 'endfeel[editions]'") from error

Array = NDArray[np.float64]
Progress = Callable[[int, int], None]

KEPT_DRAWS = 1000
BLOCK = 250

_SCALES = ("pair_sd", "pair_correlation", "rest_sd", "rest_correlation", "condition_sd", "kind_sd", "design_effect")
_STUDY = ("study_sd", "study_correlation", "study_effect")
_EFFECTS = ("mu", "kind_mean", "condition_effect")


def build_edition(
    evidence: EvidenceBase,
    seed: int,
    chains: int = 2,
    warmup: int = 1000,
    samples: int = 4000,
    left_out: frozenset[tuple[str, str]] = frozenset(),
    progress: Progress | None = None,
) -> Edition:
    """Fit all the evidence and keep about a thousand evenly spaced draws.

    samples: draws per chain after warm-up. left_out: (study, observable or finding) lines not to use.
    progress: called with (iterations done, iterations in all), per chain.
    """
    data = pooling_data(evidence, left_out)
    if not data.pairs:
        raise ValueError("the evidence has no accuracy line to pool; add one to accuracy.csv")
    posterior, health = sample_posterior(data, seed, chains, warmup, samples, progress=progress)
    diagnostics = {**health, **_convergence(posterior)}
    thin = max(1, chains * samples // KEPT_DRAWS)
    flat = {name: values.reshape(-1, *values.shape[2:])[::thin] for name, values in posterior.items()}
    arrays = {
        "mu": flat["mu"],
        "sigma_study": covariance_of(flat["study_sd"], flat["study_correlation"]),
        "sigma_rest": covariance_of(flat["rest_sd"], flat["rest_correlation"]),
        "kind_mean": flat["kind_mean"],
        "condition_effect": flat["condition_effect"],
        "condition_sd": flat["condition_sd"],
        "pair_sd": flat["pair_sd"],
        "pair_correlation": flat["pair_correlation"],
        "study_effect": flat["study_effect"],
        "design_effect": flat["design_effect"],
    }
    meta = {
        "seed": seed,
        "chains": chains,
        "warmup": warmup,
        "samples": samples,
        "evidence": data.fingerprint,
        "lines": {"counts": len(data.counted.sources), "rates": len(data.rated.sources)},
        "left_out": sorted([study, observable] for study, observable in left_out),
        "versions": {
            "endfeel": version("endfeel"),
            "python": platform.python_version(),
            **{name: version(name) for name in ("numpy", "jax", "numpyro")},
        },
        "built": datetime.now(UTC).isoformat(timespec="seconds"),
        "diagnostics": diagnostics,
    }
    return make_edition(
        pairs=data.pairs, kinds=data.kinds, conditions=data.conditions, studies=data.studies, arrays=arrays, meta=meta
    )


def sample_posterior(
    data: PoolingData,
    seed: int,
    chains: int,
    warmup: int,
    samples: int,
    *,
    shared_study: bool = True,
    progress: Progress | None = None,
) -> tuple[dict[str, Array], dict[str, Any]]:
    """Draws by name, (chains, samples, ...), and the sampler's health.

    shared_study False fits the model without the shared study effect, for comparison.
    """
    numpyro.enable_x64()
    numpyro.set_host_device_count(chains)
    parallel = jax.local_device_count() >= chains
    names = (*_SCALES, *_EFFECTS, *(_STUDY if shared_study else ()))
    block = min(BLOCK, samples)
    sampler = MCMC(
        NUTS(accuracy_model, target_accept_prob=0.9, init_strategy=init_to_median(num_samples=10)),
        num_warmup=warmup,
        num_samples=block,
        num_chains=chains,
        chain_method="parallel" if parallel else "vectorized",
        progress_bar=False,
    )
    watched = ("num_steps", "diverging", "energy", "accept_prob")
    inputs = model_inputs(data)
    key = jax.random.PRNGKey(seed)
    sampler.warmup(key, inputs, shared_study, extra_fields=watched)
    kept: dict[str, list[Array]] = {name: [] for name in names}
    fields: dict[str, list[Array]] = {name: [] for name in watched}
    done = 0
    while done < samples:
        if progress is not None:
            progress(warmup + done, warmup + samples)
        sampler.run(sampler.post_warmup_state.rng_key, inputs, shared_study, extra_fields=watched)
        sampler.post_warmup_state = sampler.last_state
        drawn = sampler.get_samples(group_by_chain=True)
        for name in names:
            kept[name].append(np.asarray(drawn[name], dtype=np.float64))
        extra = sampler.get_extra_fields(group_by_chain=True)
        for name in watched:
            fields[name].append(np.asarray(extra[name], dtype=np.float64))
        done += block
    if progress is not None:
        progress(warmup + samples, warmup + samples)
    posterior = {name: np.concatenate(values, axis=1)[:, :samples] for name, values in kept.items()}
    seen = {name: np.concatenate(values, axis=1) for name, values in fields.items()}
    energy = seen["energy"]
    health = {
        "divergences": int(seen["diverging"].sum()),
        "mean_leapfrog_steps": round(float(seen["num_steps"].mean()), 1),
        "mean_acceptance": round(float(seen["accept_prob"].mean()), 3),
        "energy_bfmi": [round(float(np.mean(np.diff(e) ** 2) / np.var(e)), 3) for e in energy],
    }
    return posterior, health


def covariance_of(sd: Array, correlation: Array) -> Array:
    """Covariance matrices (D, 2, 2) from spreads (D, 2) and correlations (D,)."""
    between = correlation * sd[:, 0] * sd[:, 1]
    return np.moveaxis(np.array([[sd[:, 0] ** 2, between], [between, sd[:, 1] ** 2]]), -1, 0)


def _convergence(posterior: dict[str, Array]) -> dict[str, Any]:
    split, size = {}, {}
    for name, values in posterior.items():
        split[name] = round(float(np.nanmax(split_gelman_rubin(values))), 4)
        size[name] = round(float(np.nanmin(effective_sample_size(values))), 1)
    return {
        "r_hat_worst": split,
        "effective_size_least": size,
        "r_hat_max": max(split.values()),
        "effective_size_min": min(size.values()),
    }
