"""How strongly findings that load the same structure repeat each other.

r_{g,s} is the share of a finding's probit variance that comes from what is shared: in people without (s = 0) and with
(s = 1) a condition it responds to. Prior: logit r_{g,s} ~ N(m_s, spread²), m_0 ~ N(logit 0.3, 0.8²),
m_1 - m_0 ~ N(0, 0.4²). Estimates from published combinations narrow it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

Floats = NDArray[np.float64]

# A shared share above this would make two findings one; the node grid is exact enough up to it.
LARGEST = 0.85


@dataclass(frozen=True)
class Dependence:
    """Mean and standard deviation of m_0 and of m_1 - m_0, and the spread of groups about them, on the logit scale.

    groups: for a structure that published combinations tell of, (mean, sd) of logit r without and with the condition.
    """

    mean: float = float(np.log(0.3 / 0.7))
    mean_sd: float = 0.8
    gap: float = 0.0
    gap_sd: float = 0.4
    spread: float = 0.6
    groups: Mapping[str, tuple[tuple[float, float], tuple[float, float]]] = field(default_factory=dict)
    source: str = "Endfeel's own prior; no combination was used"

    def __post_init__(self) -> None:
        object.__setattr__(self, "groups", MappingProxyType(dict(self.groups)))

    def draw(self, names: tuple[str, ...], shared: Floats, own: Floats) -> Floats:
        """r for every draw, group and class (draws, groups, 2), from standard normals shared (draws, 2) and own
        (draws, groups, 2)."""
        centre = self.mean + self.mean_sd * shared[:, 0]
        with_condition = centre + self.gap + self.gap_sd * shared[:, 1]
        logit = np.stack([centre, with_condition], axis=-1)[:, None, :] + self.spread * own
        for place, name in enumerate(names):
            if name in self.groups:
                for s, (mean, sd) in enumerate(self.groups[name]):
                    logit[:, place, s] = mean + sd * own[:, place, s]
        return np.asarray(np.minimum(expit(logit), LARGEST))


def shipped_dependence() -> Dependence:
    """The dependence that models use where none is given."""
    return Dependence()
