"""Accounts in the browser: signing in, pages by axe, and a queue that goes out under its own author only."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest
from browsing import PHONE, TABLET, Served, ask_all, kept, tap
from playwright.sync_api import Page, expect
from test_access import faults_of

from endfeel.storage import Store
from endfeel.storage.people import People
from endfeel.web.accounts import password_digest

PASSWORD = "slow green river 7"


@pytest.fixture(scope="module")
def manned(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A server with a lead and a clinician."""
    folder: Path = tmp_path_factory.mktemp("manned")
    with Store(folder) as store:
        for name, role in (("KB", "lead"), ("MO", "clinician")):
            digest = password_digest(PASSWORD, name)
            People(store).add(name, role, digest, "test", dt.datetime.now(dt.UTC))
        store.set_setting("cautions-read", {"by": "KB"})
    server = Served(folder)
    yield server
    server.kill()


def sign_in(page: Page, url: str, name: str) -> None:
    page.goto(url + "/sign-in")
    page.get_by_label("Your name here").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(url + "/visits")


def test_nothing_is_seen_before_one_signs_in_and_one_comes_back_to_where_one_was(manned: Served, tablet: Page) -> None:
    page = tablet
    page.goto(manned.url + "/evidence/knee")
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    assert page.locator(".house nav li").count() == 0
    page.get_by_label("Your name here").fill("kb")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(manned.url + "/evidence/knee")
    page.get_by_role("button", name="Sign out KB").click()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_pages_of_accounts_are_accessible_and_fit(manned: Served, tablet: Page, theme: str) -> None:
    page = tablet
    page.context.add_cookies([{"name": "endfeel_theme", "value": theme, "url": manned.url}])
    faults = []
    page.goto(manned.url + "/sign-in")
    faults += faults_of(page, "sign-in")
    sign_in(page, manned.url, "KB")
    for path in ("/accounts", "/devices", "/pair", "/password", "/audit", "/audit?who=KB&day=2026-01-01"):
        for size in (TABLET, PHONE):
            page.set_viewport_size(size)  # type: ignore[arg-type]
            page.goto(manned.url + path)
            page.evaluate("() => document.querySelectorAll('main details').forEach((d) => { d.open = true; })")
            faults += faults_of(page, path)
            assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], path
    assert not faults, "\n".join(faults)


def test_what_waits_goes_out_under_its_author_only(manned: Served, tablet: Page) -> None:
    page = tablet
    sign_in(page, manned.url, "KB")
    page.goto(manned.url + "/visits/new")
    page.fill("#code", "B-7")
    page.fill("#birth_year", "1998")
    tap(page, "Female")
    page.get_by_role("button", name="Begin").or_(page.locator("main form button.btn.main")).first.click()
    page.wait_for_url("**/where")
    visit = page.url.rsplit("/", 1)[0]
    token = page.locator('meta[name="endfeel-token"]').get_attribute("content")
    headers = {"X-Endfeel-Token": token or ""}
    page.request.post(f"{visit}/problems", form={"problem": "knee/right"}, headers=headers)
    page.goto(f"{visit}/p1/safety")
    ask_all(page)
    entry = {
        "id": "waits-1", "who": "KB", "path": f"{visit[len(manned.url):]}/p1/record",
        "body": "client_id=waits-1&observable=lachman&result=positive", "words": "a finding",
    }  # fmt: skip
    page.goto(manned.url + "/visits")
    page.get_by_role("button", name="Sign out KB").click()
    sign_in(page, manned.url, "MO")
    page.evaluate("e => localStorage.setItem('endfeel.queue', JSON.stringify([{...e, at: Date.now()}]))", entry)
    page.reload()
    expect(page.locator("#line")).to_contain_text("when KB signs in here")
    page.wait_for_timeout(1500)
    assert page.evaluate("JSON.parse(localStorage.getItem('endfeel.queue')).length") == 1
    page.get_by_role("button", name="Sign out MO").click()
    sign_in(page, manned.url, "KB")
    kept(page)
    with Store(manned.folder) as store:
        (line,) = store.visits("B-7")
        last = store.events(line.visit_id)[-1]
    assert (last.actor, last.client_id, last.event.type) == ("KB", "waits-1", "finding-recorded")
