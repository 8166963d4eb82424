"""An edition taken apart and put together again is the same to the last bit; what was tampered with is refused."""

from __future__ import annotations

import json
from dataclasses import fields

import numpy as np
import pytest

from endfeel.evidence import load_evidence
from endfeel.pooling.data import pooling_data
from endfeel.pooling.edition import EditionError, load_edition
from endfeel.pooling.edition_parts import edition_of_parts, edition_parts
from endfeel.pooling.refit import counted_line, refit_pair, with_refits

EDITION = load_edition()
PARTS = edition_parts(EDITION)


def test_it_comes_back_to_the_last_bit() -> None:
    again = edition_of_parts(PARTS)
    assert again.id == EDITION.id
    for field in fields(EDITION):
        one, other = getattr(EDITION, field.name), getattr(again, field.name)
        if isinstance(one, np.ndarray):
            assert one.dtype == other.dtype and one.tobytes() == other.tobytes(), field.name
        else:
            assert json.dumps(dict(one) if field.name == "meta" else one) == json.dumps(
                dict(other) if field.name == "meta" else other
            ), field.name


def test_one_refitted_pair_changes_one_content_and_the_names() -> None:
    data = pooling_data(load_evidence(), EDITION.left_out)
    refit = refit_pair(EDITION, data, *EDITION.pairs[7], added=[counted_line("own", 40, 4, 3, 80)])
    other = edition_parts(with_refits(EDITION, (refit,), "own"))
    assert other.keys() == PARTS.keys()
    assert sorted(name for name in PARTS if other[name] != PARTS[name]) == ["mu/0007", "names.json"]
    assert np.allclose(edition_of_parts(other).mu[:, 7], refit.aligned, atol=1e-5)


@pytest.mark.parametrize("name", ["names.json", "mu/0003", "study_effect"])
def test_what_is_missing_is_one_line(name: str) -> None:
    with pytest.raises(EditionError, match="can not be put together"):
        edition_of_parts({n: c for n, c in PARTS.items() if n != name})


def test_another_draw_or_another_length_is_refused() -> None:
    with pytest.raises(EditionError, match="as it says"):
        edition_of_parts({**PARTS, "mu/0003": PARTS["mu/0004"]})
    with pytest.raises(EditionError, match="can not be put together"):
        edition_of_parts({**PARTS, "mu/0003": PARTS["mu/0003"][:-4]})
