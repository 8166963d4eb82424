"""Splits of a study into people with and without a condition that its printed rates allow.

A line of rates.csv prints sensitivity, specificity and a total, not how many had the condition. Every split n1 + n0
of the total for which whole counts round to the printed rates is possible. All lines of one study and one condition
were read on the same people, so they share the split; its likelihood is

    L(theta) = sum_n1 p(n1) prod_lines P(tp in window | n1, theta_1) P(tn in window | n0, theta_2)

where a window holds the counts that round to the printed rate. p(n1) is Beta(2, 2) in n1 / total, our own stated
assumption: neither nearly nobody nor nearly everybody in an accuracy study has the condition.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, log_expit, logsumexp

Array = NDArray[np.float64]

NODES = 40
"""How many splits stand for all of them in the model; exact where no more than this are possible."""

LARGEST_ENUMERATED = 20_000


@dataclass(frozen=True)
class PrintedRates:
    """What one line prints: rates as fractions, people in all, fraction with the condition where printed."""

    sensitivity: float
    specificity: float
    total: int
    prevalence: float | None = None


@dataclass(frozen=True)
class Splits:
    """Possible splits of one study and condition.

    n1, n0: people with and without the condition (J,). tp, tn: middle of the window of counts that round to the
    printed rate, one row per line (L, J). log_weight (J,): log prior of the split times the number of counts in the
    windows and the binomial coefficients, so that

        log L = logsumexp_j(log_weight_j + sum_l [tp log p + (n1 - tp) log(1 - p) + tn log q + (n0 - tn) log(1 - q)])
    """

    n1: Array
    n0: Array
    tp: Array
    tn: Array
    log_weight: Array

    def log_likelihood(self, theta: Array) -> Array:
        """Log likelihood of all lines; theta (..., L, 2) logit sensitivity and specificity, result (...)."""
        one, two = theta[..., 0, None], theta[..., 1, None]
        terms = (
            self.tp * log_expit(one)
            + (self.n1 - self.tp) * log_expit(-one)
            + self.tn * log_expit(two)
            + (self.n0 - self.tn) * log_expit(-two)
        )
        result: Array = logsumexp(terms.sum(axis=-2) + self.log_weight, axis=-1)
        return result


def possible_splits(lines: Sequence[PrintedRates], nodes: int = NODES) -> Splits | None:
    """The splits that the figures of all lines allow together, thinned to at most `nodes`.

    lines share one total. None where no split allows them all (the lines were then not read on the same people).
    Consecutive splits are gathered into strata, finer where one group is small and the likelihood changes fast with
    its size; the middle one carries the stratum's weight.
    """
    total = lines[0].total
    n1 = np.unique(np.linspace(1, total - 1, min(total - 1, LARGEST_ENUMERATED)).round())
    n0 = total - n1
    allowed = np.ones(n1.shape, dtype=bool)
    ways = np.zeros(n1.shape)
    tps: list[Array] = []
    tns: list[Array] = []
    for line in lines:
        digits = max(2, _digits(line.sensitivity), _digits(line.specificity))
        for rate, size, middles in ((line.sensitivity, n1, tps), (line.specificity, n0, tns)):
            low, high = _window(rate, digits, size)
            allowed &= high >= low
            ways += np.log(np.maximum(high - low + 1, 1))
            middles.append((low + high) / 2)
        if line.prevalence is not None:
            half = 0.5 * 10.0 ** -max(2, _digits(line.prevalence))
            allowed &= np.abs(n1 / total - line.prevalence) <= half + 1e-9
    if not allowed.any():
        return None
    keep = np.flatnonzero(allowed)
    share = n1[keep] / total
    log_prior = np.log(share) + np.log1p(-share)
    log_prior -= logsumexp(log_prior)
    log_mass = log_prior + ways[keep]
    strata = _strata(share, nodes)
    middle = keep[[s[s.size // 2] for s in strata]]
    tp, tn = np.array(tps)[:, middle], np.array(tns)[:, middle]
    log_weight = np.array([logsumexp(log_mass[s]) for s in strata])
    log_weight += (_log_choose(n1[middle], tp) + _log_choose(n0[middle], tn)).sum(axis=0)
    return Splits(n1=n1[middle], n0=n0[middle], tp=tp, tn=tn, log_weight=log_weight)


def full_log_likelihood(lines: Sequence[PrintedRates], theta: Array) -> float:
    """The sum over every possible split and every count in its windows, nothing thinned; theta (L, 2).

    Slow and plain: what the thinned sum is checked against. -inf where no split allows the lines.
    """
    total = lines[0].total
    log_terms, log_priors = [], []
    for n1 in range(1, total):
        log_prior = np.log(n1 / total) + np.log1p(-n1 / total)
        term, possible = 0.0, True
        for line, (one, two) in zip(lines, theta, strict=True):
            digits = max(2, _digits(line.sensitivity), _digits(line.specificity))
            if line.prevalence is not None:
                half = 0.5 * 10.0 ** -max(2, _digits(line.prevalence))
                possible &= abs(n1 / total - line.prevalence) <= half + 1e-9
            for rate, size, logit in ((line.sensitivity, n1, one), (line.specificity, total - n1, two)):
                low, high = (int(v) for v in _window(rate, digits, np.array(float(size))))
                if high < low:
                    possible = False
                    continue
                counts = np.arange(low, high + 1, dtype=float)
                mass = _log_choose(np.array(float(size)), counts)
                term += float(logsumexp(mass + counts * log_expit(logit) + (size - counts) * log_expit(-logit)))
        if possible:
            log_terms.append(log_prior + term)
            log_priors.append(log_prior)
    return float(logsumexp(log_terms) - logsumexp(log_priors)) if log_terms else -np.inf


def _digits(value: float) -> int:
    text = repr(value)
    return len(text.split(".")[1]) if "." in text and "e" not in text else 0


def _strata(share: Array, nodes: int) -> list[NDArray[np.int64]]:
    members = np.arange(share.size)
    if share.size <= nodes:
        return list(members[:, None])
    position = np.log(share) - np.log1p(-share)
    span = position[-1] - position[0]
    score = (position - position[0]) / span + members / (share.size - 1)
    cut = np.minimum((score / score[-1] * nodes).astype(int), nodes - 1)
    return [members[cut == c] for c in np.unique(cut)]


def _window(rate: float, digits: int, size: Array) -> tuple[Array, Array]:
    half = 0.5 * 10.0**-digits
    low = np.ceil((rate - half) * size - 1e-7)
    high = np.floor((rate + half) * size + 1e-7)
    return np.clip(low, 0, size), np.clip(high, -1, size)


def _log_choose(n: Array, k: Array) -> Array:
    result: Array = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    return result
