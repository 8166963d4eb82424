"""The evidence and cost pages in Chromium: axe in both rooms, three sizes, plots that load, a study added by hand."""

from __future__ import annotations

import pytest
from browsing import LAPTOP, PHONE, TABLET, Served, open_demo
from playwright.sync_api import Page
from test_access import ZOOMED, faults_of

PAGES = (
    "/evidence", "/evidence/knee", "/evidence/knee?can=in&least=2&condition=acl-tear", "/evidence/knee/finding/lachman",
    "/evidence/knee/finding/mcmurray", "/evidence/knee/condition/acl-tear", "/evidence/knee/lachman/acl-tear/hangs",
    "/evidence/studies/own", "/evidence/studies/own/new?region=knee", "/evidence/studies/pmid-31281835", "/costs",
    "/costs/knee?onset=injury", "/chances?region=knee&onset=injury", "/chances?region=lumbar-pelvis&ages=50-59",
    "/scans?region=knee",
)  # fmt: skip


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_every_page_is_accessible(demo: Served, tablet: Page, theme: str) -> None:
    page = tablet
    page.context.add_cookies([{"name": "endfeel_theme", "value": theme, "url": demo.url}])
    faults = []
    for path in PAGES:
        page.goto(demo.url + path)
        page.wait_for_load_state("networkidle")
        page.evaluate("() => document.querySelectorAll('main details').forEach((d) => { d.open = true; })")
        faults += faults_of(page, path)
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize("size", [TABLET, LAPTOP, PHONE, ZOOMED], ids=["tablet", "laptop", "phone", "zoomed"])
def test_no_page_scrolls_sideways(demo: Served, tablet: Page, size: dict[str, int]) -> None:
    page = tablet
    page.set_viewport_size(size)  # type: ignore[arg-type]
    wide = []
    for path in PAGES:
        page.goto(demo.url + path)
        page.evaluate("() => document.querySelectorAll('main details').forEach((d) => { d.open = true; })")
        if page.evaluate("document.documentElement.scrollWidth") > size["width"]:
            wide.append(path)
    assert wide == []


@pytest.mark.parametrize("theme", ["light", "dark", "auto"])
def test_plots_load_and_their_words_are_set_in_the_shipped_typeface(demo: Served, tablet: Page, theme: str) -> None:
    page = tablet
    page.context.add_cookies([{"name": "endfeel_theme", "value": theme, "url": demo.url}])
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.goto(demo.url + "/evidence/knee/finding/lachman")
    for plot in page.locator(".plot img").all():
        plot.scroll_into_view_if_needed()
        page.wait_for_function("(i) => i.complete && i.naturalWidth > 200", arg=plot.element_handle())
        shown = plot.evaluate("i => i.currentSrc")
        assert ("room=dark" in shown) is (theme == "dark"), shown
        assert "Lachman" in (plot.get_attribute("alt") or "") or "sensitivity" in (plot.get_attribute("alt") or "")
        assert "font/woff2;base64" in page.request.get(shown).text()
    assert said == [], "the page's own rules allow all that it loads"


def test_what_a_reading_hangs_on_comes_a_moment_later(demo: Served, tablet: Page) -> None:
    page = tablet
    page.goto(demo.url + "/evidence/knee/finding/lever-sign")
    page.wait_for_selector("details summary:has-text('one study'), details summary:has-text('would read otherwise')")


def test_from_a_chance_to_the_studies_behind_it_in_two_taps(demo: Served, tablet: Page) -> None:
    page = tablet
    open_demo(page, demo.url)
    page.wait_for_selector(".rail")
    page.locator(".rail .what a", has_text="Front cruciate ligament tear").first.click()
    page.locator("dialog[open] a", has_text="The studies behind it").click()
    page.wait_for_url("**/evidence/knee/condition/acl-tear")
    assert page.locator(".pair-line a", has_text="Lachman test").count() >= 1
    assert page.locator("text=Where it was read").count() >= 1


def test_a_study_is_looked_at_kept_and_taken_out_again(demo: Served, tablet: Page) -> None:
    page = tablet
    page.goto(demo.url + "/evidence/studies/own")
    page.select_option("#region", "knee")
    page.click("text=Add a study")
    page.fill("#citation", "Invented C et al., not published")
    page.fill("#year", "2025")
    for name, value in (
        ("setting", "primary"), ("sampling", "consecutive"), ("reference_standard", "mri"), ("index_blind", "yes"),
        ("reference_blind", "unclear"), ("proposes_test", "no"), ("observable-1", "lachman"),
        ("condition-1", "acl-tear"), ("basis-1", "counts"), ("source_kind-1", "paper-table"),
    ):  # fmt: skip
        page.select_option(f"#{name}", value)
    for name, value in (
        ("criterion-1", "no firm stop"), ("tp-1", "30"), ("fn-1", "10"), ("fp-1", "5"), ("tn-1", "many"),
        ("source_url-1", "https://example.org"), ("read_at-1", "Table 1"),
    ):  # fmt: skip
        page.fill(f"#{name}", value)
    page.click("text=Look at what it would move")
    assert "Line 1: negative without it: “many”" in page.inner_text("[role=alert]")
    page.fill("#tn-1", "70")
    page.click("text=Look at what it would move")
    assert "Lachman test" in page.inner_text(".told")
    page.click("text=One more line")
    assert page.input_value("#tn-1") == "70" and page.input_value("#source_url-3") == ""
    page.click("button:has-text('Keep')")
    page.wait_for_url("**/changes/1")
    assert faults_of(page, "change") == []
    problem = open_demo(page, demo.url)
    page.click("text=What would differ")
    assert page.url == problem + "/evidence" and "The visit keeps the evidence" in page.inner_text("main")
    assert faults_of(page, "what would differ") == []
    page.goto(demo.url + "/evidence/studies/own")
    page.click("text=Invented C")
    page.fill("#why", "was only to see")
    page.click("button:has-text('Use it no longer')")
    page.wait_for_url("**/evidence/studies/own")
    assert "was only to see" in page.inner_text("main")


def test_a_cost_that_closes_the_middle_zone_is_refused_beside_what_was_typed(demo: Served, tablet: Page) -> None:
    page = tablet
    page.goto(demo.url + "/costs/knee?onset=injury")
    before = page.input_value("#scan-mri")
    page.fill("#scan-mri", "50")
    page.click("button:has-text('Keep')")
    assert "would never be the cheapest" in page.inner_text("[role=alert]")
    assert page.input_value("#scan-mri") == "50"
    page.goto(demo.url + "/costs/knee")
    assert page.input_value("#scan-mri") == before


def test_a_starting_chance_is_tried_with_enter_and_kept_with_a_tap(demo: Served, tablet: Page) -> None:
    page = tablet
    page.goto(demo.url + "/chances?region=hip&onset=injury")
    field = page.get_by_label("Yours").first
    name = field.get_attribute("name")
    field.fill("22 %")
    field.press("Enter")
    page.get_by_text("Not kept yet.").wait_for()
    assert page.locator(f'[name="{name}"]').input_value() == "22 %"
    assert page.get_by_role("heading", name="History").count() == 0, "Enter shows what it moves and keeps nothing"
    page.get_by_role("button", name="Keep").first.click()
    page.get_by_role("heading", name="History").wait_for()
    assert page.locator(f'[name="{name}"]').input_value() == "22 %"
    page.get_by_role("button", name="Back to ours", exact=True).first.click()
    page.wait_for_load_state()
    assert page.locator(f'[name="{name}"]').input_value() == ""
