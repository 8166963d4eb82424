"""Strategies and drawings in Chromium: shown while they grow, adopted and retired, fit for all, at every size."""

from __future__ import annotations

import re

import pytest
from browsing import LAPTOP, PHONE, TABLET, Served
from playwright.sync_api import Page, expect
from test_access import ZOOMED, faults_of

WHOM = "onset=gradual&setting=primary&age=45"
SLOW = 120_000  # milliseconds: a strategy is worked out while others use the machine


def test_a_strategy_grows_before_the_eyes_is_adopted_and_retired(demo: Served, tablet: Page) -> None:
    page = tablet
    page.goto(demo.url + "/evidence")
    page.get_by_role("link", name=re.compile("^Strategies")).click()
    page.get_by_role("link", name=re.compile("^Neck")).click()
    expect(page.locator("#strategy")).to_contain_text("Working.")
    page.fill("#age", "45")
    page.get_by_role("button", name="Show").click()
    expect(page.locator("#strategy")).to_have_attribute("aria-busy", "false", timeout=SLOW)
    assert page.locator(".tree li.end").count() > 1
    expect(page.locator(".ways-table")).to_contain_text("Every test")
    page.fill("#name", "Neck, all of us")
    page.get_by_role("button", name="Adopt").click()
    expect(page.get_by_role("heading", name="Neck, all of us")).to_be_visible()
    expect(page.locator("main")).to_contain_text("House protocol, adopted")
    assert faults_of(page, "house protocol") == []
    page.goto(demo.url + "/strategies")
    page.get_by_role("link", name=re.compile("^Neck, all of us")).click()
    page.fill("#why", "Shown once")
    page.get_by_role("button", name="Retire").click()
    expect(page.locator("main")).to_contain_text("Not in use")
    page.goto(demo.url + "/strategies")
    expect(page.locator("main")).to_contain_text("None adopted yet")


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_they_are_accessible_and_fit_every_size(demo: Served, tablet: Page, theme: str) -> None:
    page = tablet
    page.context.add_cookies([{"name": "endfeel_theme", "value": theme, "url": demo.url}])
    faults = []
    for path in ("/strategies", f"/strategies/cervical?{WHOM}", "/drawings", "/drawings/ankle-foot"):
        page.goto(demo.url + path)
        if page.locator("#strategy").count():
            expect(page.locator("#strategy")).to_have_attribute("aria-busy", "false", timeout=SLOW)
        faults += faults_of(page, path)
        for size in (TABLET, LAPTOP, PHONE, ZOOMED):
            page.set_viewport_size(size)  # type: ignore[arg-type]
            if page.evaluate("document.documentElement.scrollWidth") > size["width"]:
                faults.append(f"{path} scrolls sideways at {size['width']}")
        page.set_viewport_size(TABLET)  # type: ignore[arg-type]
    assert not faults, "\n".join(faults)


def test_every_drawing_of_a_region_is_seen(demo: Served, tablet: Page) -> None:
    page = tablet
    page.goto(demo.url + "/drawings/ankle-foot")
    page.evaluate("document.querySelectorAll('img').forEach((i) => { i.loading = 'eager'; })")
    page.wait_for_function(
        "() => [...document.querySelectorAll('.gallery img')].every((i) => i.complete)", timeout=SLOW
    )
    pictures = "[...document.querySelectorAll('.gallery img')]"
    broken = page.evaluate(pictures + ".filter((i) => !i.naturalWidth).map((i) => i.src)")
    assert broken == [] and page.locator(".gallery img").count() > 10
