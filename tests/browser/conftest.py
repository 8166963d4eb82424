"""A real server as a program of its own, and a real Chromium that may speak to this machine only."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

import pytest
from browsing import CHROMIUM, FLAGS, TABLET, Served, Watched, tap
from playwright.sync_api import Browser, Page, expect, sync_playwright

expect.set_options(timeout=15_000)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    server = Served(tmp_path_factory.mktemp("served"))
    yield server
    server.kill()


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    server = Served(tmp_path_factory.mktemp("demo"), demo=True)
    yield server
    server.kill()


@pytest.fixture()
def tablet(chromium: Browser) -> Iterator[Page]:
    """A page on a tablet; at the end nothing was complained of and nobody else was asked for anything."""
    context = chromium.new_context(viewport=TABLET, reduced_motion="reduce")  # type: ignore[arg-type]
    watched = Watched(context)
    page = context.new_page()
    page.set_default_timeout(15_000)
    yield page
    context.close()
    assert watched.asked <= {"127.0.0.1"}, watched.asked
    expected = (
        "ERR_CONNECTION_REFUSED", "ERR_FAILED", "htmx:sendError", "htmx:sendAbort", "htmx:afterRequest",
        "404 (Not Found)", "400 (Bad Request)",
    )  # fmt: skip
    assert [s for s in watched.said if not any(e in s for e in expected)] == []


@pytest.fixture()
def begin() -> Callable[[Page, str], str]:
    """Open a visit for a right knee hurt three days ago; the problem's address."""

    def opened(page: Page, url: str) -> str:
        page.goto(url + "/visits/new")
        page.fill("#code", "B-7")
        page.fill("#birth_year", "1998")
        tap(page, "Female")
        page.get_by_role("button", name="Begin").click()
        box = page.locator("svg[data-view=front]").bounding_box()
        assert box is not None
        page.mouse.click(box["x"] + 0.39 * box["width"], box["y"] + 0.735 * box["height"])
        page.get_by_role("button", name="Right knee").click()
        page.wait_for_url(re.compile("/story$"))
        return page.url.removesuffix("/story")

    return opened
