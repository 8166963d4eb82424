"""Everything by keyboard, and a foot pedal that sends page-up, page-down and enter."""

from __future__ import annotations

from browsing import Served, look_up, open_demo
from playwright.sync_api import Page, expect
from test_access import faults_of

QUIET = 450  # milliseconds: just after a recording a further tap is taken for a bounce


def test_a_pedal_records_and_opens(demo: Served, tablet: Page) -> None:
    page = tablet
    open_demo(page, demo.url)
    seen = 0
    for key, result in (("PageDown", "positive"), ("PageUp", "negative")):
        while page.locator("#next, #stop").first.wait_for() is None and page.locator("#next .answers").count():
            name = page.inner_text("#next-name")
            page.wait_for_timeout(QUIET)
            page.locator("#next .answers button").first.click()
            expect(page.locator(".last")).to_contain_text(name)
        if not page.locator("#next").count():
            break
        name = page.inner_text("#next-name")
        page.wait_for_timeout(QUIET)
        page.keyboard.press("Enter")
        expect(page.locator("dialog[open] h1")).to_have_text(name)
        page.keyboard.press("Enter")
        expect(page.locator("dialog[open]")).to_have_count(0)
        page.wait_for_timeout(QUIET)
        page.keyboard.press(key)
        expect(page.locator(".last")).to_contain_text(f"{name}: {result}")
        seen += 1
    assert seen, "at least one test was recorded with the pedal"


def test_the_pedals_keys_can_be_set(demo: Served, tablet: Page) -> None:
    page = tablet
    open_demo(page, demo.url)
    page.goto(demo.url + "/device")
    page.get_by_role("button", name="Positive Page down").click()
    page.keyboard.press("F9")
    expect(page.locator("[data-key-name=positive]")).to_have_text("F9")
    open_demo(page, demo.url)
    look_up(page, "valgus").click()
    name = page.inner_text("dialog[open] h1")
    page.locator("dialog[open] h1").focus()
    page.keyboard.press("F9")
    expect(page.locator(".last")).to_contain_text(f"{name}: positive")
    page.keyboard.press("z")
    expect(page.locator(".chip", has_text=name)).to_have_count(0)


def test_keys_are_listed_on_question_mark_and_find_is_a_stroke_away(demo: Served, tablet: Page) -> None:
    page = tablet
    open_demo(page, demo.url)
    page.keyboard.press("/")
    expect(page.locator("#find")).to_be_focused()
    page.keyboard.type("mcm?")
    expect(page.locator("#find")).to_have_value("mcm?")
    page.locator("#find").blur()
    page.keyboard.press("?")
    sheet = page.locator("dialog[open]")
    expect(sheet.get_by_role("heading", name="Foot pedal")).to_be_visible()
    expect(sheet.get_by_role("button", name="Positive Page down")).to_be_visible()
    assert page.url.endswith("/bench"), "over the page where one is"
    assert faults_of(page, "keys") == []
    page.keyboard.press("Escape")
    expect(page.locator("dialog[open]")).to_have_count(0)


def test_a_mark_can_be_made_without_a_pointer(demo: Served, tablet: Page) -> None:
    page = tablet
    problem = open_demo(page, demo.url)
    page.goto(problem.rsplit("/", 1)[0] + "/where")
    page.locator("summary", has_text="Name the place").focus()
    page.keyboard.press("Enter")
    page.select_option("#place", "calf-left")
    page.get_by_role("button", name="Add this place").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#where")).to_contain_text("Left calf")


def test_a_pedal_answers_both_positions(demo: Served, tablet: Page) -> None:
    page = tablet
    open_demo(page, demo.url)
    look_up(page, "moving").click()
    sheet = page.locator("dialog[open]")
    name = sheet.locator("h1").inner_text()
    expect(sheet.locator("[data-both] fieldset")).to_have_count(2)
    sheet.locator("h1").focus()
    for key in ("PageDown", "PageDown", "Enter"):  # none, some: taken
        page.keyboard.press(key)
    expect(sheet.locator("[data-both] [aria-pressed=true]")).to_have_text("some")
    expect(page.locator(".chip", has_text=name)).to_have_count(0)
    page.keyboard.press("Enter")  # the second position: none
    expect(page.locator(".last")).to_contain_text(f"{name}: positive")
    page.locator(".chip", has_text=name).click()
    expect(page.locator("dialog[open] [data-both] [aria-pressed=true]")).to_have_text(["some", "none"])
