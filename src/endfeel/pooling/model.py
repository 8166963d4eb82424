"""The hierarchical model of all pooled accuracies, for numpyro. Only this file and build.py import jax.

Observable f (of one kind), condition c, study i, sides 1 (logit sensitivity) and 2 (logit specificity):

    tp ~ Binomial(n1, expit theta_1)          tn ~ Binomial(n0, expit theta_2)
    theta_if = mu_fc + (B x_i) / 2 + s_ic + e_if
    s_ic ~ Normal2(0, Sigma_study)            e_if ~ Normal2(0, Sigma_rest)
    mu_fc = M_kind + a_c + b_fc               b_fc ~ Normal2(0, Sigma_pair)
    a_c ~ Normal2(0, diag condition_sd^2)     M_kind ~ Normal2(centre, diag kind_sd^2)

The bivariate binomial-normal model (Reitsma et al., J Clin Epidemiol 2005;58:982-990; Chu & Cole, J Clin Epidemiol
2006;59:1331-1332; Harbord et al., Biostatistics 2007;8:239-251), with what one study does to all its tests of a
condition (s) split from the residual (e). Zero-mean effects are sampled as standard normals (non-centred) and scaled.

B: log relative diagnostic odds ratios of study designs, half on each side.

- two-gate sampling: Normal(1.1, 0.3). Lijmer et al., JAMA 1999;282:1061-1066: relative odds ratio 3.0 (2.0 to 4.5);
  Rutjes et al., CMAJ 2006;174:469-476: 4.9 (0.6 to 37.3) for severe cases against healthy controls.
- the paper proposes the test: Normal(0.3, 0.3), our own stated assumption.
- index test not blinded: Normal(0.26, 0.2). Lijmer 1999 gives 1.3 (1.0 to 1.9) for a reference standard read with
  knowledge of the test; we carry it over to the test read with knowledge of the condition.

All other priors are our own weakly informative ones.
"""

from __future__ import annotations

from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
import numpyro
import numpyro.distributions as dist

from endfeel.pooling.data import PoolingData

DESIGN_PRIOR_MEAN = (1.1, 0.3, 0.26)
DESIGN_PRIOR_SD = (0.3, 0.3, 0.2)


def model_inputs(data: PoolingData) -> dict[str, Any]:
    """The arrays of `data` that `accuracy_model` takes."""
    counted, rated = data.counted, data.rated
    return {
        "sizes": (len(data.kinds), len(data.conditions), len(data.pairs), len(data.studies)),
        "pair_kind": data.pair_kind,
        "pair_condition": data.pair_condition,
        "row_pair": np.concatenate([counted.pair, rated.pair]),
        "row_study": np.concatenate([counted.study, rated.study]),
        "row_design": np.concatenate([counted.design, rated.design]),
        "hits": np.stack([counted.tp, counted.tn], axis=1),
        "misses": np.stack([counted.n1 - counted.tp, counted.n0 - counted.tn], axis=1),
        "weight": counted.weight,
        "rated": rated,
    }


def accuracy_model(inputs: dict[str, Any], shared_study: bool = True) -> None:
    """The numpyro model; shared_study False leaves s out (for comparison only)."""
    kinds, conditions, pairs, studies = inputs["sizes"]
    rows = inputs["row_pair"].size

    centre = numpyro.sample("centre", dist.Normal(jnp.array([0.5, 1.0]), 1.0).to_event(1))
    kind_sd = numpyro.sample("kind_sd", dist.HalfNormal(jnp.array([0.7, 0.7])).to_event(1))
    condition_sd = numpyro.sample("condition_sd", dist.HalfNormal(jnp.array([0.7, 0.7])).to_event(1))
    kind_mean = centre + kind_sd * _standard("kind_z", kinds)
    condition_effect = condition_sd * _standard("condition_z", conditions)
    pair_scale, _ = _scale("pair", 1.0)
    rest_scale, _ = _scale("rest", 1.0)
    mu = kind_mean[inputs["pair_kind"]] + condition_effect[inputs["pair_condition"]]
    mu = mu + _standard("pair_z", pairs) @ pair_scale.T
    design = numpyro.sample(
        "design_effect", dist.Normal(jnp.array(DESIGN_PRIOR_MEAN), jnp.array(DESIGN_PRIOR_SD)).to_event(1)
    )
    theta = mu[inputs["row_pair"]] + (inputs["row_design"] @ design)[:, None] / 2.0
    if shared_study:
        study_scale, _ = _scale("study", 1.0)
        study_effect = numpyro.deterministic("study_effect", _standard("study_z", studies) @ study_scale.T)
        theta = theta + study_effect[inputs["row_study"]]
    theta = theta + _standard("rest_z", rows) @ rest_scale.T

    numpyro.deterministic("mu", mu)
    numpyro.deterministic("kind_mean", kind_mean)
    numpyro.deterministic("condition_effect", condition_effect)
    counted = inputs["hits"].shape[0]
    numpyro.factor("counts", _count_likelihood(inputs, theta[:counted]))
    if rows > counted:
        numpyro.factor("rates", _rate_likelihood(inputs["rated"], theta[counted:]))


def _standard(name: str, size: int) -> jax.Array:
    value: jax.Array = numpyro.sample(name, dist.Normal(0.0, 1.0).expand([size, 2]).to_event(2))
    return value


def _scale(name: str, spread: float) -> tuple[jax.Array, jax.Array]:
    """Lower factor of a 2x2 covariance: half-normal sds, LKJ(2) correlation."""
    sd = numpyro.sample(f"{name}_sd", dist.HalfNormal(jnp.array([spread, spread])).to_event(1))
    half = numpyro.sample(f"{name}_correlation_half", dist.Beta(2.0, 2.0))
    rho = numpyro.deterministic(f"{name}_correlation", 2.0 * half - 1.0)
    lower = jnp.array([[1.0, 0.0], [0.0, 0.0]]) * sd[0]
    lower = lower.at[1, 0].set(rho * sd[1])
    lower = lower.at[1, 1].set(jnp.sqrt(4.0 * half * (1.0 - half)) * sd[1])
    return lower, sd


def _count_likelihood(inputs: dict[str, Any], theta: jax.Array) -> jax.Array:
    log_p, log_q = jax.nn.log_sigmoid(theta), jax.nn.log_sigmoid(-theta)
    return jnp.sum(inputs["weight"] * (inputs["hits"] * log_p + inputs["misses"] * log_q))


def _rate_likelihood(rated: Any, theta: jax.Array) -> jax.Array:
    one, two = theta[:, 0, None], theta[:, 1, None]
    n1, n0 = rated.n1[rated.group], rated.n0[rated.group]
    terms = (
        rated.tp * jax.nn.log_sigmoid(one)
        + (n1 - rated.tp) * jax.nn.log_sigmoid(-one)
        + rated.tn * jax.nn.log_sigmoid(two)
        + (n0 - rated.tn) * jax.nn.log_sigmoid(-two)
    )
    groups = rated.n1.shape[0]
    joint = jnp.zeros((groups, rated.tp.shape[1])).at[rated.group].add(rated.weight[:, None] * terms)
    return jnp.sum(jax.scipy.special.logsumexp(joint + rated.log_weight, axis=1))
