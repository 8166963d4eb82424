"""A clinic's starting chances that can not stand together are told so, and what the line says does mend it."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from endfeel.belief import Context, compile_region
from endfeel.belief.model import RegionModel
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.pooling.edition import load_edition
from endfeel.web.chances_fit import STANDS, misfit

CATALOGUE, EVIDENCE, EDITION = load_catalogue(), load_evidence(), load_edition()
REGION = CATALOGUE.region("knee")
NONE, FINEST = REGION.none_id, REGION.states_conditions


def model(own: Mapping[str, float], onset: str = "injury") -> RegionModel:
    context = Context("knee", onset=onset, clinic=own)  # type: ignore[arg-type]
    return compile_region(EVIDENCE, EDITION, CATALOGUE, context)


def line(own: Mapping[str, float]) -> str | None:
    return misfit(REGION, model(own), own)


def limits(said: str | None) -> list[float]:
    assert said is not None
    return [float(x) / 100 for x in re.findall(r"([\d.]+) %", said)]


@pytest.mark.parametrize(("tear", "none"), [(0.7, 0.5), (0.5, 0.9), (0.96, 0.35), (0.3, 0.75), (0.333, 0.667)])
def test_a_condition_and_no_specific_structure_either_mend_works(tear: float, none: float) -> None:
    said = line({"acl-tear": tear, NONE: none})
    assert said is not None and "do not fit together" in said
    first = float(re.search(r"first to at most ([\d.]+) %", said)[1]) / 100  # type: ignore[index]
    assert line({"acl-tear": first, NONE: none}) is None
    second = re.search(r"second to at most ([\d.]+) %", said)
    if second:
        assert line({"acl-tear": tear, NONE: float(second[1]) / 100}) is None
    else:
        assert tear > 0.96


@pytest.mark.parametrize("none", [None, 0.1, 0.4])
def test_too_many_at_once_lowering_by_so_much_works(none: float | None) -> None:
    room = 0.95 if none is None else 0.95 * (1 - none)
    own = dict.fromkeys(FINEST[:4], room)
    held = own if none is None else {**own, NONE: none}
    said = line(held)
    assert said is not None and "no more than three stand together" in said
    by = float(re.search(r"lower some by ([\d.]+) %", said)[1]) / 100  # type: ignore[index]
    lowered = {**held, **{c: v - (by + 1e-9) / 4 for c, v in own.items()}}
    assert line(lowered) is None, line(lowered)
    other = re.search(r"or set that to at most ([\d.]+) %", said)
    if other:
        assert line({**held, NONE: float(other[1]) / 100}) is None


@pytest.mark.parametrize(("each", "none"), [(0.01, 0.2), (0.03, 0.5), (0.05, 0.3)])
def test_too_few_in_all_raising_no_specific_structure_works(each: float, none: float) -> None:
    said = line({**dict.fromkeys(FINEST, each), NONE: none})
    assert said is not None and "add up to" in said
    raised = float(re.search(r"raise that to at least ([\d.]+) %", said)[1]) / 100  # type: ignore[index]
    assert line({**dict.fromkeys(FINEST, each), NONE: raised}) is None


def test_a_union_that_does_not_follow_from_its_kinds_left_empty_works() -> None:
    kinds = {"meniscal-tear-medial": 0.2, "meniscal-tear-lateral": 0.1}
    said = line({**kinds, "meniscal-tear": 0.05})
    assert said is not None and "does not follow from its kinds" in said
    assert line(kinds) is None
    come_to = limits(said)[1]
    assert line({**kinds, "meniscal-tear": come_to}) is None


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.dictionaries(st.sampled_from((*FINEST, "meniscal-tear")), st.floats(0.001, 0.95), max_size=6),
    st.none() | st.floats(0.01, 0.95),
)
def test_what_is_let_through_is_what_a_patient_starts_at_and_what_is_not_is_one_line(
    own: dict[str, float], none: float | None
) -> None:
    held = own if none is None else {**own, NONE: none}
    made = model(held)
    said = misfit(REGION, made, held)
    starts = {c: float(np.exp(made.log_prior)[made.membership[c]].sum()) for c in held}
    if said is None:
        for condition, value in held.items():
            assert starts[condition] == pytest.approx(value, abs=max(0.002, STANDS * value))
    else:
        assert "\n" not in said and len(said) < 700 and "-0" not in said and "nan" not in said
        assert any(starts[c] != pytest.approx(v, abs=max(0.002, STANDS * v)) for c, v in held.items())
        assert all(x >= 0 for x in limits(said))
