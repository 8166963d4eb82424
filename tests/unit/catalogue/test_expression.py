"""The criterion language: three-valued, so that what was not observed decides nothing."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from endfeel.catalogue.expression import ExpressionError, parse


@pytest.mark.parametrize(
    ("text", "values", "holds"),
    [
        ('travel != "same" or stop != "firm"', {"travel": "same", "stop": "soft"}, True),
        ('travel != "same" or stop != "firm"', {"travel": "same", "stop": "firm"}, False),
        ('travel != "same" or stop != "firm"', {"travel": "same"}, False),
        ('travel != "same" or stop != "firm"', {"travel": "clearly more"}, True),
        ("angle < 10 and not (pain >= 7)", {"angle": 8, "pain": 3}, True),
        ("angle < 10 and not (pain >= 7)", {"angle": 8}, False),
        ('posterior-sag == "positive"', {"posterior-sag": "positive"}, True),
        ('fear.free == "none" and done.both', {"fear.free": "none", "done.both": True}, True),
        ("not relaxed", {"relaxed": "no"}, True),
        ("not relaxed", {}, False),
        ('a == "x" or b == "y" and c == "z"', {"a": "x"}, True),
    ],
)
def test_what_holds(text: str, values: dict[str, object], holds: bool) -> None:
    assert parse(text).holds(values) is holds  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "text", ["", "a ==", 'a = "b"', '(a == "b"', 'a == "b" c', 'a < "b"', "1 == a", 'a == "b" and', "$"]
)
def test_what_can_not_be_read_is_said_in_one_line(text: str) -> None:
    with pytest.raises(ExpressionError) as caught:
        parse(text)
    assert "\n" not in str(caught.value)


def test_names_are_known_for_checking() -> None:
    assert parse('a-b == "x" and not c.d or e > 2').names == {"a-b", "c.d", "e"}


_values = st.dictionaries(st.sampled_from(["a", "b", "c"]), st.sampled_from(["x", "y"]))


@given(_values, st.dictionaries(st.sampled_from(["a", "b", "c"]), st.sampled_from(["x", "y"])))
def test_more_observations_never_take_back_what_held(some: dict[str, str], more: dict[str, str]) -> None:
    for text in ('a == "x" or b != "y"', 'not (a == "x") and c == "y"', 'a != "x" and (b == "y" or not c == "x")'):
        if parse(text).holds(some):
            assert parse(text).holds({**more, **some})
