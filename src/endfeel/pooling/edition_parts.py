"""An edition taken apart into named contents, and put together again to the last bit.

Draws of each pair are a content of their own: an edition with a clinic's own study differs from the shipped one in the
pairs that the study touches, and shares everything else with it wherever contents are kept once.

Public: edition_parts, edition_of_parts.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np

from endfeel.pooling.edition import DRAWS, Array, Edition, EditionError, make_edition

_NAMES = "names.json"


def edition_parts(edition: Edition) -> dict[str, bytes]:
    """The edition as named contents: `names.json`, one per array, and `mu/NNNN`, the draws of each pair in order.

    Arrays are little-endian single precision, as the edition's file keeps them; their shapes stand in names.json.
    """
    arrays = {name: np.ascontiguousarray(getattr(edition, name), dtype="<f4") for name in DRAWS}
    said = {
        "id": edition.id,
        "pairs": edition.pairs,
        "kinds": edition.kinds,
        "conditions": edition.conditions,
        "studies": edition.studies,
        "meta": dict(edition.meta),
        "shapes": {name: list(values.shape) for name, values in arrays.items()},
    }
    parts = {_NAMES: json.dumps(said, sort_keys=True).encode()}
    parts |= {name: values.tobytes() for name, values in arrays.items() if name != "mu"}
    for i in range(len(edition.pairs)):
        parts[_mu(i)] = np.ascontiguousarray(arrays["mu"][:, i]).tobytes()
    return parts


def edition_of_parts(parts: Mapping[str, bytes]) -> Edition:
    """The edition of these contents. EditionError with one line where they are none, or not those of its id."""
    try:
        said: dict[str, Any] = json.loads(parts[_NAMES])
        shapes = {name: tuple(int(n) for n in said["shapes"][name]) for name in DRAWS}
        arrays = {name: _array(parts[name], shapes[name]) for name in DRAWS if name != "mu"}
        draws, pairs, two = shapes["mu"]
        columns = [_array(parts[_mu(i)], (draws, two)) for i in range(pairs)]
        arrays["mu"] = np.stack(columns, axis=1) if columns else np.empty((draws, 0, two))
        edition = make_edition(
            pairs=tuple((str(o), str(c)) for o, c in said["pairs"]),
            kinds=tuple(str(k) for k in said["kinds"]),
            conditions=tuple(str(c) for c in said["conditions"]),
            studies=tuple((str(i), str(c)) for i, c in said["studies"]),
            arrays=arrays,
            meta=said["meta"],
        )
    except EditionError:
        raise
    except (KeyError, TypeError, ValueError) as error:
        raise EditionError(f"the kept edition can not be put together ({error}); restore a backup") from None
    if edition.id != said["id"]:
        raise EditionError(f"the kept edition is {edition.id}, not {said['id']} as it says; restore a backup")
    return edition


def _array(content: bytes, shape: tuple[int, ...]) -> Array:
    return np.frombuffer(content, dtype="<f4").reshape(shape).astype(np.float64)


def _mu(i: int) -> str:
    return f"mu/{i:04d}"
