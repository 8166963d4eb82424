"""A visit as a clinician lives it, from where it hurts to the paper, in taps."""

from __future__ import annotations

import re
from collections.abc import Callable

from browsing import Served, ask_all, kept, look_up, open_demo, open_page, tap
from playwright.sync_api import Page, expect

MOST_TAPS_TO_FIRST_TEST = 40


def test_a_twisted_knee_from_where_to_paper(served: Served, tablet: Page, begin: Callable[[Page, str], str]) -> None:
    page = tablet
    page.goto(served.url + "/")
    page.get_by_role("button", name="I have read this, begin").click()
    problem = begin(page, served.url)
    taps = 6
    for label in ("An injury", "3 days", "Some effort", "Moderate", "Minutes"):
        tap(page.locator("#story"), label)
        taps += 1
    page.fill("#how", "Landed and the knee turned inwards")
    page.locator("#how").blur()
    kept(page)
    expect(page.locator(".facts")).to_contain_text("day 3")
    page.get_by_role("link", name="On to safety").click()
    expect(page.locator("a.safety")).to_contain_text("not asked")
    taps += 2 + ask_all(page)
    expect(page.locator("a.safety")).to_contain_text("asked, none found")
    page.get_by_role("link", name=re.compile("Next findings")).click()
    taps += 1
    while True:
        expect(page.locator("#next")).to_be_visible()
        name = page.inner_text("#next-name")
        question = page.locator("#next .answers button")
        taps += 1
        page.wait_for_timeout(450)  # a tap just after a recording is taken for a bounce
        if question.count():
            question.first.click()
            expect(page.locator(".last")).to_contain_text(name)
            continue
        if page.locator("#next [data-both]").count():
            page.locator("#next summary").click()
            taps += 1
        page.locator("#next").get_by_role("button", name="Positive", exact=True).click()
        break
    assert taps <= MOST_TAPS_TO_FIRST_TEST, taps
    expect(page.locator(".last")).to_contain_text(f"{name}: positive.")
    expect(page.locator(".chip", has_text=name)).to_contain_text("positive")
    rails = page.locator(".rails").first.inner_text()
    page.get_by_role("button", name=re.compile("Take back")).click()
    expect(page.locator(".chip", has_text=name)).to_have_count(0)
    assert page.locator(".rails").first.inner_text() != rails

    page.get_by_role("link", name=re.compile("^Decide")).click()
    page.locator(".care").first.locator("input[value=start-care]").check()
    page.locator(".care").first.get_by_role("button").click()
    page.wait_for_url(re.compile("/agree$"))
    page.fill("#advice", "Cycle, no turning")
    page.get_by_role("button", name="Told and agreed").click()
    page.get_by_role("button", name="Close the visit").click()
    page.wait_for_url(re.compile("/note$"))
    expect(page.locator(".paper")).to_contain_text("Cycle, no turning")
    expect(page.locator(".paper")).to_contain_text("Landed and the knee turned inwards")
    with page.expect_response(re.compile(r"note\.pdf")) as answer:
        page.evaluate("fetch(document.querySelector('a[href$=\"note.pdf\"]').href)")
    assert answer.value.headers["content-type"] == "application/pdf"
    assert problem.endswith("/p1")


def test_a_finding_opened_and_recorded_with_what_was_seen(demo: Served, tablet: Page) -> None:
    page = tablet
    open_demo(page, demo.url)
    look_up(page, "lach").wait_for()
    page.locator("#found").get_by_role("link", name="Lachman test", exact=False).first.click()
    sheet = page.locator("dialog[open]")
    expect(sheet.get_by_role("heading", name="Lachman test")).to_be_visible()
    expect(sheet.locator("svg.posture")).to_be_visible()
    for said in ("clearly more", "none"):
        tap(sheet, said)
    expect(sheet.locator("#criterion")).to_contain_text("positive")
    sheet.get_by_role("button", name="Positive", exact=True).click()
    expect(page.locator("dialog[open]")).to_have_count(0)
    expect(page.locator(".last")).to_contain_text("Lachman test: positive")
    page.locator(".chip", has_text="Lachman test").first.click()
    expect(page.locator("dialog[open] input[value='clearly more']")).to_be_checked()
    page.locator("dialog[open]").get_by_role("button", name="Unclear", exact=True).click()
    expect(page.locator(".chip", has_text="Lachman test")).to_have_count(1)
    expect(page.locator(".last")).to_contain_text("no evidence either way")


def test_a_raised_screen_turns_the_page_over(served: Served, tablet: Page, begin: Callable[[Page, str], str]) -> None:
    page = tablet
    problem = begin(page, served.url)
    page.goto(problem + "/safety")
    tap(page.locator(".screen").first, "Yes")
    kept(page)
    expect(page.locator(".flag")).to_be_visible()
    ground = page.locator(".flag").evaluate("e => getComputedStyle(e).backgroundColor")
    ink = page.evaluate("getComputedStyle(document.body).color")
    assert ground == ink, "a flag is ink with paper letters"
    page.goto(problem + "/bench")
    expect(page.locator(".flag")).to_be_visible()
    page.locator(".flag a").click()
    page.get_by_role("button", name="Send now", exact=True).click()
    page.goto(problem + "/decide")
    expect(page.locator(".lines")).to_contain_text("Send now")


def test_nothing_is_lost_when_a_form_is_left_in_the_middle(
    served: Served, tablet: Page, begin: Callable[[Page, str], str]
) -> None:
    page = tablet
    problem = begin(page, served.url)
    page.fill("#how", "Half a sen")
    open_page(page, problem + "/safety")
    open_page(page, problem + "/story")
    expect(page.locator("#how")).to_have_value("Half a sen")
