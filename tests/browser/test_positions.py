"""On the card itself: a test that compares two positions takes two taps, and one alone records nothing."""

from __future__ import annotations

import datetime as dt
import json
import re
import urllib.request

from browsing import Served, kept
from journeys import QUIET, Hand, begin, clear_safety
from playwright.sync_api import Page, expect
from test_access import faults_of

MOST_OFFERS = 40


def test_a_card_of_two_positions_records_with_the_second_tap(served: Served, tablet: Page) -> None:
    page, hand = tablet, Hand(tablet, served.url)
    begin(hand, "P-2", dt.date.today().year - 24, "Male", (0.27, 0.215), "Right shoulder")
    for words in ("An injury", "12 weeks", "Takes much", "Mild", "Minutes"):
        hand.choose(words, "#story")
    hand.link("On to safety")
    clear_safety(hand)
    page.locator(".steps a", has_text="Next findings").click()
    both = page.locator("#next [data-both]")
    for _ in range(MOST_OFFERS):  # what is not done is not offered again, so a test of two positions comes up
        name = hand.next_name()
        if both.count():
            break
        page.wait_for_timeout(QUIET)
        page.locator("#next [value=not-done]").click()
        expect(page.locator(".last").first).to_contain_text(name)
    expect(both.locator("fieldset")).to_have_count(2)
    assert faults_of(page, "both positions") == []
    heights = [b.bounding_box()["height"] for b in both.locator("[data-says]").all()]  # type: ignore[index]
    assert min(heights) >= 72
    problem = page.url.rsplit("/", 1)[0]
    recorded = page.locator(".chip").count()
    page.wait_for_timeout(QUIET)
    first, second = both.locator("fieldset").all()
    first.locator("[data-says]:not([data-settles])").last.click()
    expect(first.locator("[aria-pressed=true]")).to_have_count(1)
    expect(second.locator("[data-says]").first).to_be_focused()
    assert page.locator(".chip").count() == recorded, "one position alone is no result"
    served.kill()
    try:
        second.locator("[data-says]").first.click()
        expect(page.locator("#line")).to_contain_text("1 entry is kept on this device")
    finally:
        served.start()
    page.get_by_role("button", name="Send now").click()
    kept(page)
    chip = page.locator(".chip", has_text=name.split(",")[0])
    expect(chip).to_contain_text(re.compile("positive|negative"))
    bench = json.loads(urllib.request.urlopen(problem + "/bench.json").read())
    observable = bench["recorded"][-1]["observable"]
    noted = json.loads(urllib.request.urlopen(f"{problem}/findings/{observable}.json").read())["noted"]
    assert len(noted) == 2, "what both positions showed stands in the record"
