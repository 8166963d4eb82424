"""Three visits in taps from start to finish, with what goes wrong on the way: nothing lost, nothing cleared unsaid."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from browsing import Served
from journeys import JOURNEYS, Hand
from playwright.sync_api import Page

MOST_TO_FIRST_TEST = 40
MOST_TO_RECORD = 2
DOCS = Path(__file__).parents[2] / "docs" / "visits"


@pytest.fixture(scope="module")
def walked() -> dict[str, Hand]:
    """The visits of this module so far: the return visit follows the knee's."""
    return {}


@pytest.mark.parametrize("name", JOURNEYS)
def test_a_visit_from_start_to_finish(served: Served, tablet: Page, walked: dict[str, Hand], name: str) -> None:
    hand = Hand(tablet, served.url)
    if name == "return-visit" and "twisted-knee" not in walked:
        JOURNEYS["twisted-knee"](Hand(tablet, served.url))
    JOURNEYS[name](hand)
    walked[name] = hand
    assert hand.marks["first special test"] <= MOST_TO_FIRST_TEST, hand.marks
    assert hand.marks.get("a recording", 0) <= MOST_TO_RECORD, hand.marks
    page = (DOCS / f"{name}.md").read_text(encoding="utf-8")
    told = re.search(r"first special test after \*\*(\d+) taps\*\*", page)
    assert told and int(told[1]) == hand.marks["first special test"], f"docs/visits/{name}.md: {hand.marks}"
