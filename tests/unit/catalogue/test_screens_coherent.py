"""A safety rule that names what is not there is refused, with its place."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from spoilt import assert_refused

from endfeel.catalogue import CatalogueError, load_catalogue
from endfeel.catalogue.load import SHIPPED


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            'shown_by = [{ item = "side-stress-straight" }]',
            'shown_by = [{ item = "side-stress" }]',
            "screens.toml [knee-dislocation] opens-straight: shown_by 'side-stress' is no base item or neighbour",
        ),
        (
            'shown_by = [{ item = "head-nerves-clear" }]',
            'shown_by = [{ item = "head-nerves-clear", sides = "both" }]',
            "both sides, but the item is not looked at side by side",
        ),
        (
            'shown_by = [{ item = "side-stress-straight" }]',
            'shown_by = [{ item = "side-stress-straight", at_most = 3 }]',
            "at_most, but the item is not measured",
        ),
        (
            'shown_by = [{ item = "side-stress-straight" }]',
            'shown_by = [{ item = "foot-pulses", feels = "firm, capsule" }]',
            "feels, but the item has no end feel",
        ),
        (
            'shown_by = [{ item = "side-stress-straight" }]',
            'shown_by = [{ person = "hot-joint" }]',
            "shown_by 'hot-joint' is no precaution that is asked",
        ),
        (
            'shown_by = [{ item = "side-stress-straight" }]',
            'shown_by = [{ item = "gait", person = "diabetes" }]',
            "shown_by needs either item or person",
        ),
        (
            'shown_by = [{ item = "side-stress-straight" }]',
            'shown_by = [{ person = "diabetes", at_most = 3 }]',
            "belong to an item",
        ),
        (
            'fed_by = ["fibular-head-tenderness"]',
            'fed_by = ["bone-points"]',
            "fed_by 'bone-points' is no finding of its regions",
        ),
    ],
)
def test_a_mark_that_can_not_hold_is_refused(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert_refused(tmp_path, "screens.toml", old, new, told)


@pytest.mark.parametrize(
    ("file", "old", "new", "told"),
    [
        (
            "cervical/findings-outlet.toml",
            '"shoulder-clear"',
            '"shoulder-trauma-screen"',
            "first 'shoulder-trauma-screen' can't be met in this region's visit",
        ),
        (
            "knee/findings-laxity.toml",
            'first = ["knee-trauma-screen", "lifts-straight-leg", "posterior-sag"',
            'first = ["lachman", "knee-trauma-screen", "lifts-straight-leg", "posterior-sag"',
            "first goes round in a circle",
        ),
    ],
)
def test_a_finding_that_could_never_be_first_is_refused(
    tmp_path: Path, file: str, old: str, new: str, told: str
) -> None:
    copy = tmp_path / "catalogue"
    shutil.copytree(SHIPPED, copy)
    text = (copy / file).read_text(encoding="utf-8")
    assert old in text
    (copy / file).write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(CatalogueError) as caught:
        load_catalogue(copy)
    assert any(told in fault for fault in caught.value.faults), caught.value.faults
