"""It never loses a tap: the server is killed in mid-visit, what is tapped waits, and is applied once and in order."""

from __future__ import annotations

import json
import re
import urllib.request
from collections.abc import Callable

from browsing import Served, kept, look_up, open_demo, open_page, tap
from playwright.sync_api import Page, Route, expect
from test_access import faults_of


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
    look_up(page, "pivot shift").click()
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
    page.wait_for_function("() => JSON.parse(localStorage.getItem('endfeel.queue') || '[]').length")
    kept(page)
    assert lost
    twin = json.loads(urllib.request.urlopen(problem + "/story.json").read())
    assert twin["onset"] == "injury" and twin["head"]["seq"] == 4, "opened, marked, problem, story: once each"


def test_a_page_opened_while_the_server_is_away_says_so_and_goes_on_by_itself(demo: Served, tablet: Page) -> None:
    page = tablet
    problem = open_demo(page, demo.url)
    before = json.loads(urllib.request.urlopen(problem + "/bench.json").read())["head"]["seq"]
    page.evaluate("async () => { await navigator.serviceWorker.ready; }")
    page.wait_for_function("() => navigator.serviceWorker.controller")
    look_up(page, "posterior drawer").click()
    expect(page.locator("dialog[open]")).to_be_visible()
    demo.kill()
    try:
        page.locator("dialog[open]").get_by_role("button", name="Negative", exact=True).click()
        expect(page.locator("#line")).to_contain_text("1 entry is kept on this device")
        page.reload()  # the tablet slept, and its browser threw the page away
        expect(page.get_by_role("heading", name="The server is away")).to_be_visible()
        expect(page.locator("#waiting")).to_contain_text("1 recording waits on this device")
        assert page.url == problem + "/bench"
        assert page.locator("body").evaluate("e => getComputedStyle(e).backgroundColor") != "rgba(0, 0, 0, 0)"
        assert faults_of(page, "away") == []
        shown = page.content()
        assert "Right knee" not in shown and "K-1042" not in shown, "nothing of a visit"
        page.goto(demo.url + "/visits")
        expect(page.get_by_role("heading", name="The server is away")).to_be_visible()
        page.goto(problem + "/bench")
    finally:
        demo.start()
    expect(page.locator("#bench")).to_be_visible()
    kept(page)
    expect(page.locator(".chip", has_text="Posterior drawer")).to_contain_text("negative")
    after = json.loads(urllib.request.urlopen(problem + "/bench.json").read())["head"]["seq"]
    assert after == before + 1, "sent once"


def test_a_decision_sent_while_the_server_is_away_is_kept_and_counts_once(demo: Served, tablet: Page) -> None:
    page = tablet
    problem = open_demo(page, demo.url)
    page.evaluate("async () => { await navigator.serviceWorker.ready; }")
    page.wait_for_function("() => navigator.serviceWorker.controller")
    before = json.loads(urllib.request.urlopen(problem + "/decide.json").read())["head"]["seq"]
    page.goto(problem + "/decide")
    care = page.locator(".care").first
    care.locator("input[value=start-care]").check()
    demo.kill()
    try:
        care.get_by_role("button").click()
        expect(page.locator("#waiting")).to_contain_text("1 recording waits on this device")
    finally:
        demo.start()
    expect(page.get_by_role("heading", name="Decide", exact=True)).to_be_visible()
    kept(page)
    after = json.loads(urllib.request.urlopen(problem + "/decide.json").read())
    assert after["head"]["seq"] == before + 1, "sent once"
    open_page(page, problem + "/decide")
    expect(page.locator("main")).to_contain_text("Start care")
    page.locator(".care").first.locator("input[value=start-care]").check()
    page.locator(".care").first.get_by_role("button").click()
    page.wait_for_url(re.compile("/agree$"))
    assert page.evaluate("localStorage.getItem('endfeel.queue')") in (None, "[]"), "nothing is kept of what arrived"
    expect(page.locator("#line")).to_be_empty()


def test_the_worker_keeps_words_only_and_clears_what_an_older_one_kept(demo: Served, tablet: Page) -> None:
    page = tablet
    open_demo(page, demo.url)
    page.evaluate("async () => { await navigator.serviceWorker.ready; }")
    everything = """async () => {
        const out = [];
        for (const name of await caches.keys())
          for (const one of await (await caches.open(name)).keys()) out.push(new URL(one.url).pathname);
        return out.sort(); }"""
    wanted = ["/static/away.html", "/static/away.js", "/static/endfeel.css", "/static/mark.svg"]
    assert page.evaluate(everything) == wanted
    page.evaluate(
        """async () => {
        await (await caches.open("endfeel-away-older")).put("/static/old.css", new Response("x"));
        await (await navigator.serviceWorker.ready).unregister(); }"""
    )
    page.reload()
    page.evaluate("async () => { await navigator.serviceWorker.ready; }")
    page.wait_for_function("async () => (await caches.keys()).length === 1")
    assert page.evaluate(everything) == wanted
