"""It never loses a tap: the server is killed in mid-visit, what is tapped waits, and is applied once and in order."""

from __future__ import annotations

import json
import urllib.request
from collections.abc import Callable

from browsing import Served, kept, open_demo, tap
from playwright.sync_api import Page, Route, expect


def test_taps_while_the_server_is_dead_arrive_once_and_in_order(
    served: Served, tablet: Page, begin: Callable[[Page, str], str]
) -> None:
    page = tablet
    problem = begin(page, served.url)
    tap(page, "Came on gradually")
    kept(page)
    page.goto(problem + "/safety")
    first = page.locator(".screen").first
    served.kill()
    try:
        tap(first, "Yes")
        expect(page.locator("#line")).to_contain_text("1 entry is kept on this device")
        tap(first, "No")
        tap(first, "Unsure", -1)
        expect(page.locator("#line")).to_contain_text("3 entries are kept on this device")
        waiting = json.loads(page.evaluate("localStorage.getItem('endfeel.queue')"))
        assert len({e["id"] for e in waiting}) == 3
    finally:
        served.start()
    page.get_by_role("button", name="Send now").click()
    kept(page)
    expect(page.locator("#line")).to_be_empty()
    twin = json.loads(urllib.request.urlopen(problem + "/safety.json").read())
    items = twin["screens"][0]["items"]
    assert items[0]["answer"] == "no", "the later of two answers counts"
    assert items[-1]["answer"] == "unsure"


def test_a_result_tapped_while_the_server_is_dead_moves_the_rails_when_it_is_back(demo: Served, tablet: Page) -> None:
    page = tablet
    problem = open_demo(page, demo.url)
    before = json.loads(urllib.request.urlopen(problem + "/bench.json").read())["head"]["seq"]
    page.fill("#find", "pivot shift")
    page.locator("#found a").first.click()
    expect(page.locator("dialog[open]")).to_be_visible()
    demo.kill()
    try:
        page.locator("dialog[open]").get_by_role("button", name="Negative", exact=True).click()
        expect(page.locator("#line")).to_contain_text("kept on this device")
        page.evaluate("document.querySelector('dialog').close()")
    finally:
        demo.start()
    page.get_by_role("button", name="Send now").click()
    kept(page)
    expect(page.locator(".chip", has_text="Pivot shift")).to_contain_text("negative")
    after = json.loads(urllib.request.urlopen(problem + "/bench.json").read())["head"]["seq"]
    assert after == before + 1


def test_a_lost_answer_is_asked_for_again_and_applied_once(
    served: Served, tablet: Page, begin: Callable[[Page, str], str]
) -> None:
    page = tablet
    problem = begin(page, served.url)
    lost: list[int] = []

    def swallow(route: Route) -> None:
        if route.request.method != "POST" or lost:
            route.continue_()
            return
        route.fetch()
        lost.append(1)
        route.abort()

    page.route("**/story", swallow)
    tap(page, "An injury")
    kept(page)
    assert lost
    twin = json.loads(urllib.request.urlopen(problem + "/story.json").read())
    assert twin["onset"] == "injury" and twin["head"]["seq"] == 4, "opened, marked, problem, story: once each"
