"""A visit whose figures are not today's any more, in Chromium: said, led to, accessible, never too wide."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from browsing import LAPTOP, PHONE, TABLET, Served
from playwright.sync_api import Page, expect
from test_access import ZOOMED, faults_of


@pytest.fixture(scope="module")
def known() -> dict[str, str]:
    return {}


def old_visit(page: Page, served: Served, begin: Callable[[Page, str], str], known: dict[str, str]) -> str:
    """A visit that began before a miss became dearer; the problem's address."""
    if "problem" not in known:
        known["problem"] = begin(page, served.url)
        page.goto(served.url + "/costs/knee")
        page.locator('input[name="miss knee-cruciate"]').fill("8")
        page.locator('button[value="keep"]').first.click()
        expect(page.locator("h1")).to_be_visible()
    return known["problem"]


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_page_of_both_figures_is_led_to_and_accessible(
    served: Served, tablet: Page, begin: Callable[[Page, str], str], known: dict[str, str], theme: str
) -> None:
    page = tablet
    problem = old_visit(page, served, begin, known)
    page.context.add_cookies([{"name": "endfeel_theme", "value": theme, "url": served.url}])
    for step in ("story", "bench", "decide"):
        page.goto(f"{problem}/{step}")
        expect(page.get_by_text("Figures as they stood on").first).to_be_visible()
        assert faults_of(page, step) == []
    page.get_by_role("link", name="What would differ").first.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Figures of this visit and of today")
    expect(page.get_by_text("The costs changed since this visit began").first).to_be_visible()
    assert faults_of(page, "both figures") == []
    page.get_by_role("link", name="Back to the visit").click()
    expect(page).to_have_url(f"{problem}/bench")


@pytest.mark.parametrize("size", [TABLET, LAPTOP, PHONE, ZOOMED], ids=["tablet", "laptop", "phone", "zoomed"])
def test_it_does_not_scroll_sideways(
    served: Served, tablet: Page, begin: Callable[[Page, str], str], known: dict[str, str], size: dict[str, int]
) -> None:
    problem = old_visit(tablet, served, begin, known)
    tablet.set_viewport_size(size)  # type: ignore[arg-type]
    for step in ("evidence", "decide", "bench"):
        tablet.goto(f"{problem}/{step}")
        over = tablet.evaluate("() => document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert over <= 0, f"{step}: {over} px too wide"
