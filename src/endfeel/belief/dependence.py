"""How strongly findings that load the same structure repeat each other.

r_{g,s} is the share of a finding's probit variance that comes from what is shared: in people without (s = 0) and with
(s = 1) a condition it responds to. Prior: logit r_{g,s} ~ N(m_s, spread²), m_0 ~ N(logit 0.3, 0.8²),
m_1 - m_0 ~ N(0, 0.4²). Half of spread² is the structure's own and the same with and without the condition (ours): what
makes two tests alike lies in what they load, whoever is examined. Estimates from published combinations narrow it.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from endfeel.belief.refusal import BeliefError

Floats = NDArray[np.float64]

SHIPPED = Path(__file__).parent / "data" / "dependence.toml"

# A shared share above this would make two findings one; the node grid is exact enough up to it.
LARGEST = 0.85


@dataclass(frozen=True)
class Dependence:
    """Mean and standard deviation of m_0 and of m_1 - m_0, and the spread of groups about them, on the logit scale.

    shared: the part of spread² that both classes of a group share. groups: for a structure that published combinations
    tell of, (mean, sd) of logit r without and with the condition; together: the correlation of the two.
    """

    mean: float = float(np.log(0.3 / 0.7))
    mean_sd: float = 0.8
    gap: float = 0.0
    gap_sd: float = 0.4
    spread: float = 0.6
    groups: Mapping[str, tuple[tuple[float, float], tuple[float, float]]] = field(default_factory=dict)
    source: str = "Endfeel's own prior; no combination was used"
    shared: float = 0.5
    together: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "groups", MappingProxyType(dict(self.groups)))
        object.__setattr__(self, "together", MappingProxyType(dict(self.together)))

    def draw(self, names: tuple[str, ...], shared: Floats, own: Floats) -> Floats:
        """r for every draw, group and class (draws, groups, 2), from standard normals shared (draws, 2) and own
        (draws, groups, 2)."""
        centre = self.mean + self.mean_sd * shared[:, 0]
        with_condition = centre + self.gap + self.gap_sd * shared[:, 1]
        logit = np.stack([centre, with_condition], axis=-1)[:, None, :] + self.spread * _alike(own, self.shared)
        for place, name in enumerate(names):
            if name in self.groups:
                noise = _alike(own[:, place], self.together.get(name, 0.0))
                for s, (mean, sd) in enumerate(self.groups[name]):
                    logit[:, place, s] = mean + sd * noise[:, s]
        return np.asarray(np.minimum(expit(logit), LARGEST))


@cache
def shipped_dependence() -> Dependence:
    """The estimates shipped with the package (data/dependence.toml), used where no other dependence is given."""
    return read_dependence(SHIPPED)


def read_dependence(path: Path) -> Dependence:
    """A dependence from its file; BeliefError with one line where the file is missing or is none."""
    try:
        held = tomllib.loads(path.read_text(encoding="utf-8"))
        groups = {
            name: (_pair(entry["without"]), _pair(entry["with"])) for name, entry in held.get("group", {}).items()
        }
        m = held["logit_r"]
        # Files written before classes shared a part of the spread say neither and are read as they were meant.
        together = {name: float(entry.get("together", 0.0)) for name, entry in held.get("group", {}).items()}
        return Dependence(
            float(m["mean"]), float(m["mean_sd"]), float(m["gap"]), float(m["gap_sd"]), float(m["spread"]), groups,
            str(held["source"]), float(m.get("shared", 0.0)), together,
        )
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise BeliefError(f"{path}: not a dependence file ({error}); take an undamaged copy") from None


def dependence_text(dependence: Dependence, made_from: Mapping[str, str], clusters: tuple[str, ...]) -> str:
    """The file of a dependence, with what it was made from and which published combinations it rests on."""
    d = dependence
    lines = [
        "# How strongly findings that load the same structure repeat each other, from published combinations.",
        "# Made by endfeel.belief.estimate; do not edit by hand.",
        f"source = {json.dumps(d.source)}",
        "clusters = [",
        *(f"  {json.dumps(line)}," for line in clusters),
        "]",
        "",
        "[made_from]",
        *(f"{key} = {json.dumps(value)}" for key, value in made_from.items()),
        "",
        "[logit_r]",
        f"mean = {d.mean:.4f}",
        f"mean_sd = {d.mean_sd:.4f}",
        f"gap = {d.gap:.4f}",
        f"gap_sd = {d.gap_sd:.4f}",
        f"spread = {d.spread:.4f}",
        f"shared = {d.shared:.4f}",
    ]
    for name, (without, with_condition) in sorted(d.groups.items()):
        lines += [
            "",
            f"[group.{json.dumps(name)}]",
            f"without = [{without[0]:.4f}, {without[1]:.4f}]",
            f"with = [{with_condition[0]:.4f}, {with_condition[1]:.4f}]",
            f"together = {d.together.get(name, 0.0):.4f}",
        ]
    return "\n".join(lines) + "\n"


def _alike(own: Floats, correlation: float) -> Floats:
    """Standard normals (..., 2) whose two classes have this correlation, from independent ones."""
    second = correlation * own[..., 0] + np.sqrt(1 - correlation**2) * own[..., 1]
    return np.stack([own[..., 0], second], axis=-1)


def _pair(values: list[float]) -> tuple[float, float]:
    mean, sd = values
    return float(mean), float(sd)
