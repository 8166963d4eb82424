"""Every page in the light and the dark room by axe-core (WCAG 2.2 A and AA), at three sizes and at 200 % zoom."""

from __future__ import annotations

import json
import re
import urllib.request
from pathlib import Path

import pytest
from browsing import LAPTOP, PHONE, TABLET, Served, look_up, open_demo
from playwright.sync_api import Page

AXE = (Path(__file__).parent / "axe" / "axe.min.js").read_text()
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
ZOOMED = {"width": 683, "height": 384}  # a laptop at 200 %
STEPS = (
    "story", "safety", "neighbours", "look", "bench", "decide", "agree", "findings/lachman", "conditions/acl-tear",
    "worse",
)  # fmt: skip
OF_A_REGION = ("/strategies/knee", "/drawings/knee", "/costs/knee", "/evidence/knee")
SIGNED_IN = ("/sign-in", "/password", "/join")  # of accounts, which the demo has none of
RUN = """tags => axe.run(document, {runOnly: {type: 'tag', values: tags}}).then(r => r.violations.map(
  v => v.id + ': ' + v.nodes.slice(0, 3).map(
    n => n.target.join(' ') + ' ' + (n.failureSummary || '').split('\\n')[1]).join(' | ')))"""


def every(page: Page, url: str) -> list[str]:
    problem = open_demo(page, url)
    visit = problem.rsplit("/", 1)[0]
    others = [*_open_pages(url), *OF_A_REGION, "/visits/nothing"]
    return [*(url + o for o in others), visit + "/where", visit + "/note", *(f"{problem}/{s}" for s in STEPS)]


def _open_pages(url: str) -> list[str]:
    """Every page of the server that needs nothing but its address."""
    paths = json.loads(urllib.request.urlopen(url + "/openapi.json").read())["paths"]
    return [
        path
        for path, how in paths.items()
        if "{" not in path and path not in SIGNED_IN and "text/html" in str(how.get("get", {}).get("responses"))
    ]


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_every_page_is_accessible(demo: Served, tablet: Page, theme: str) -> None:
    page = tablet
    page.context.add_cookies([{"name": "endfeel_theme", "value": theme, "url": demo.url}])
    faults = []
    for address in every(page, demo.url):
        page.goto(address)
        if address.endswith("/bench"):
            page.wait_for_selector("#next, #stop")
        page.evaluate("() => document.querySelectorAll('main details').forEach((d) => { d.open = true; })")
        faults += faults_of(page, address)
    assert not faults, "\n".join(faults)


def test_an_open_sheet_is_accessible(demo: Served, tablet: Page) -> None:
    page = tablet
    open_demo(page, demo.url)
    look_up(page, "lach").click()
    page.wait_for_selector("dialog[open] h1")
    assert faults_of(page, "sheet") == []


@pytest.mark.parametrize("size", [TABLET, LAPTOP, PHONE, ZOOMED], ids=["tablet", "laptop", "phone", "zoomed"])
def test_no_page_scrolls_sideways(demo: Served, tablet: Page, size: dict[str, int]) -> None:
    page = tablet
    addresses = every(page, demo.url)
    page.set_viewport_size(size)  # type: ignore[arg-type]
    wide = []
    for address in addresses:
        page.goto(address)
        if page.evaluate("document.documentElement.scrollWidth") > size["width"]:
            wide.append(address)
    assert wide == []


def test_targets_at_the_table_are_big(demo: Served, tablet: Page) -> None:
    page = tablet
    problem = open_demo(page, demo.url)
    page.goto(problem + "/findings/lachman")
    heights = [b.bounding_box()["height"] for b in page.locator(".acts button").all()]  # type: ignore[index]
    assert len(heights) == 4 and min(heights) >= 72
    page.goto(problem + "/bench")
    page.wait_for_selector("#next, #stop")
    offers = [o.bounding_box()["height"] for o in page.locator("#ahead .offer").all()]  # type: ignore[index]
    assert min(offers) >= 56
    widths = {round(b.bounding_box()["width"]) for b in page.locator(".acts button").all()}  # type: ignore[index]
    assert len(widths) <= 1, "results carry equal weight"


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_what_is_read_at_arms_length_has_seven_to_one(demo: Served, tablet: Page, theme: str) -> None:
    page = tablet
    page.context.add_cookies([{"name": "endfeel_theme", "value": theme, "url": demo.url}])
    problem = open_demo(page, demo.url)
    for step in ("bench", "look", "safety"):
        page.goto(f"{problem}/{step}")
        if step == "bench":
            page.wait_for_selector("#next, #stop")
        page.evaluate(AXE)
        only = "axe.run(document, {runOnly: ['color-contrast-enhanced']}).then(r => [r.passes, r.violations])"
        passed, failed = page.evaluate(only)
        assert passed and not failed, [n["html"] for v in failed for n in v["nodes"]][:3]


def test_nothing_moves_where_no_motion_is_wanted(demo: Served, tablet: Page) -> None:
    page = tablet
    open_demo(page, demo.url)
    for motion, seconds in (("no-preference", "0.15s"), ("reduce", "0s")):
        page.emulate_media(reduced_motion=motion)  # type: ignore[arg-type]
        took = page.locator("#bench .disc").first.evaluate("e => getComputedStyle(e).transitionDuration")
        assert took == seconds


def test_on_a_phone_the_next_finding_and_its_results_need_no_scrolling(demo: Served, tablet: Page) -> None:
    page = tablet
    page.set_viewport_size(PHONE)  # type: ignore[arg-type]
    open_demo(page, demo.url)
    page.wait_for_selector("#next")
    page.evaluate("window.scrollTo(0, 0)")
    for part in ("#next-name", "#next [value=negative]", "#next [value=positive]"):
        box = page.locator(part).bounding_box()
        assert box is not None and box["y"] > 0 and box["y"] + box["height"] <= PHONE["height"], (part, box)
    rails = page.locator("#bench .rail:visible")
    assert rails.count() == 2, "the two likeliest stand folded above it"
    page.get_by_role("button", name=re.compile("^All .* conditions")).click()
    assert rails.count() > 5
    page.get_by_role("button", name="Only the two likeliest").click()
    assert rails.count() == 2


def faults_of(page: Page, where: str) -> list[str]:
    page.evaluate(AXE)
    found = page.evaluate(RUN, TAGS)
    return [f"{where}: {fault}" for fault in found]
