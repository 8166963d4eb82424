"""An edition: one frozen build of the pooled evidence, as posterior draws named by their content.

An edition is one compressed file without code in it; reading it needs no sampler. A visit remembers the id of its
edition, so the same figures come back years later.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache, cached_property
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endfeel.pooling import planar

Array = NDArray[np.float64]
Pair = tuple[str, str]

SHIPPED = Path(__file__).parent / "data" / "edition.npz"

DRAWS = (
    "mu",
    "sigma_study",
    "sigma_rest",
    "kind_mean",
    "condition_effect",
    "condition_sd",
    "pair_sd",
    "pair_correlation",
    "study_effect",
    "design_effect",
)


class EditionError(ValueError):
    """An edition file that can not be read; one clear line."""


class UnknownPairError(KeyError):
    """A pair of observable and condition that the edition does not hold; one clear line."""

    def __str__(self) -> str:
        return str(self.args[0])


@dataclass(frozen=True)
class Edition:
    """Posterior draws of the model of model.py. D draws, P pairs, K kinds, C conditions, S studies.

    id: hash of the content, 12 hexadecimal digits.
    pairs: (observable, condition) in the order of mu. mu (D, P, 2): logit sensitivity and specificity in an average
    study whose people came consecutively and whose examiners were blinded, or where that is not reported.
    sigma_study, sigma_rest (D, 2, 2): covariance of what a study does to all its tests of a condition, and of the rest.
    kinds, kind_mean (D, K, 2): mean of each kind of finding. conditions, condition_effect (D, C, 2): what a condition
    adds; condition_sd (D, 2): its spread. pair_sd (D, 2), pair_correlation (D,): spread of pairs about kind and
    condition. studies: (study, condition), study_effect (D, S, 2).
    design_effect (D, 3): log relative diagnostic odds ratios of data.DESIGN.
    meta: seed, versions, fingerprint of the tables, diagnostics, when built, what was left out.
    """

    id: str
    pairs: tuple[Pair, ...]
    kinds: tuple[str, ...]
    conditions: tuple[str, ...]
    studies: tuple[tuple[str, str], ...]
    mu: Array
    sigma_study: Array
    sigma_rest: Array
    kind_mean: Array
    condition_effect: Array
    condition_sd: Array
    pair_sd: Array
    pair_correlation: Array
    study_effect: Array
    design_effect: Array
    meta: Mapping[str, Any]

    @property
    def draws(self) -> int:
        """Number of posterior draws D."""
        return int(self.mu.shape[0])

    @property
    def left_out(self) -> frozenset[tuple[str, str]]:
        """(study, observable or finding) lines that were not used, as data.pooling_data takes them."""
        return frozenset((str(study), str(named)) for study, named in self.meta.get("left_out", ()))

    @cached_property
    def pair_index(self) -> Mapping[Pair, int]:
        """Where each pair stands in mu."""
        return MappingProxyType({pair: i for i, pair in enumerate(self.pairs)})

    @cached_property
    def study_index(self) -> Mapping[tuple[str, str], int]:
        """Where each (study, condition) stands in study_effect."""
        return MappingProxyType({study: i for i, study in enumerate(self.studies)})

    @cached_property
    def sigma_pair(self) -> Array:
        """Covariance of pairs about their kind and condition, (D, 2, 2)."""
        between = self.pair_correlation * self.pair_sd[:, 0] * self.pair_sd[:, 1]
        rows = [[self.pair_sd[:, 0] ** 2, between], [between, self.pair_sd[:, 1] ** 2]]
        return np.moveaxis(np.array(rows), -1, 0)

    def pair(self, observable: str, condition: str) -> Array:
        """Draws (D, 2) of logit sensitivity and specificity of a studied pair; UnknownPairError where none studied."""
        index = self.pair_index.get((observable, condition))
        if index is None:
            studied = [c for o, c in self.pairs if o == observable]
            hint = f"it was studied for {', '.join(studied)}" if studied else "no study measured that observable"
            raise UnknownPairError(f"edition {self.id} has no study of {observable!r} for {condition!r}; {hint}")
        return self.mu[:, index]

    def pair_centre(self, kind: str, condition: str) -> tuple[Array, Array]:
        """Mean (D, 2) and covariance (D, 2, 2) of a pair nobody studied, given its kind and condition.

        A condition that the edition does not know adds its spread instead of its effect.
        """
        if kind not in self.kinds:
            raise UnknownPairError(f"no kind of finding is called {kind!r}; the kinds are {', '.join(self.kinds)}")
        mean = self.kind_mean[:, self.kinds.index(kind)]
        if condition in self.conditions:
            return mean + self.condition_effect[:, self.conditions.index(condition)], self.sigma_pair
        unknown = np.zeros_like(self.sigma_pair)
        unknown[:, 0, 0], unknown[:, 1, 1] = self.condition_sd[:, 0] ** 2, self.condition_sd[:, 1] ** 2
        return mean, self.sigma_pair + unknown

    def new_pair(self, kind: str, condition: str, rng: np.random.Generator) -> Array:
        """Draws (D, 2) of logit sensitivity and specificity of a pair that nobody studied."""
        mean, covariance = self.pair_centre(kind, condition)
        return mean + planar.apply(planar.lower_factor(covariance), rng.standard_normal((self.draws, 2)))


def make_edition(
    *,
    pairs: tuple[Pair, ...],
    kinds: tuple[str, ...],
    conditions: tuple[str, ...],
    studies: tuple[tuple[str, str], ...],
    arrays: Mapping[str, Array],
    meta: Mapping[str, Any],
) -> Edition:
    """An edition of these draws, kept in single precision as the file keeps them, with its id worked out."""
    kept = {name: np.asarray(arrays[name], dtype=np.float32) for name in DRAWS}
    for name, values in kept.items():
        if not np.isfinite(values).all():
            raise EditionError(f"draws of {name} are not all finite; the fit failed, build again with another seed")
    names = (pairs, kinds, conditions, studies)
    identity = _identity(names, kept, meta)
    wide = {name: values.astype(np.float64) for name, values in kept.items()}
    return Edition(
        id=identity,
        pairs=pairs,
        kinds=kinds,
        conditions=conditions,
        studies=studies,
        meta=MappingProxyType(dict(meta)),
        **wide,
    )


def save_edition(edition: Edition, path: Path) -> None:
    """Write the edition to one file; the folder must exist."""
    arrays: dict[str, Any] = {name: getattr(edition, name).astype(np.float32) for name in DRAWS}
    arrays["pairs"] = np.array(edition.pairs)
    arrays["kinds"] = np.array(edition.kinds)
    arrays["conditions"] = np.array(edition.conditions)
    arrays["studies"] = np.array(edition.studies)
    arrays["meta"] = np.array(json.dumps(dict(edition.meta), sort_keys=True))
    arrays["id"] = np.array(edition.id)
    np.savez_compressed(path, **arrays)


def load_edition(path: Path | None = None) -> Edition:
    """The edition in a file; the shipped one where no file is named (read once a process).

    Raises EditionError with one line where the file is missing, is no edition, or does not match its id.
    """
    return _shipped() if path is None else _load(Path(path))


@cache
def _shipped() -> Edition:
    return _load(SHIPPED)


def _load(path: Path) -> Edition:
    try:
        with np.load(path, allow_pickle=False) as stored:
            held = {name: stored[name] for name in stored.files}
        arrays = {name: held[name] for name in DRAWS}
        edition = make_edition(
            pairs=tuple((str(o), str(c)) for o, c in held["pairs"]),
            kinds=tuple(str(k) for k in held["kinds"]),
            conditions=tuple(str(c) for c in held["conditions"]),
            studies=tuple((str(i), str(c)) for i, c in held["studies"]),
            arrays=arrays,
            meta=json.loads(str(held["meta"])),
        )
        stated = str(held["id"])
    except FileNotFoundError:
        raise EditionError(f"{path}: no such edition; build one with 'endfeel edition build'") from None
    except EditionError as error:
        raise EditionError(f"{path}: {error}") from None
    except (KeyError, OSError, ValueError, EOFError, zipfile.BadZipFile) as error:
        raise EditionError(f"{path}: not an edition file ({error}); build one with 'endfeel edition build'") from None
    if stated != edition.id:
        raise EditionError(f"{path}: the content is {edition.id}, the file says {stated}; take an undamaged copy")
    return edition


def _identity(names: tuple[Any, ...], arrays: Mapping[str, NDArray[np.float32]], meta: Mapping[str, Any]) -> str:
    # The same evidence and seed give the same edition on whatever day it is built.
    lasting = {key: value for key, value in meta.items() if key != "built"}
    digest = hashlib.sha256(json.dumps([names, lasting], sort_keys=True).encode())
    for name in DRAWS:
        digest.update(np.ascontiguousarray(arrays[name], dtype="<f4").tobytes())
    return digest.hexdigest()[:12]


assert set(DRAWS) < {f.name for f in fields(Edition)}
