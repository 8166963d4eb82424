"""Photographs every page at three sizes, and the three visits, from real servers: ./run screenshots

Run: python tests/browser/photograph.py [--only WORD]
They go to docs/screenshots, quantised to few tones.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from browsing import CHROMIUM, FLAGS, LAPTOP, PHONE, TABLET, Served, kept, open_demo
from journeys import JOURNEYS, Hand
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

OUT = Path(__file__).parents[2] / "docs" / "screenshots"
SIZES = {"tablet": TABLET, "laptop": LAPTOP, "phone": PHONE}
TONES = 40  # two tones and what a screen mixes of them
MOST = 6_000_000  # bytes of all pictures together
WHOM = "onset=injury&setting=primary&age=24"

# Name of the picture, address: {visit} and {problem} are those of the demo's visit under way.
PAGES = (
    ("start", "/start"), ("visits", "/visits"), ("new-visit", "/visits/new"), ("device", "/device"),
    ("clinic", "/clinic"), ("where", "{visit}/where"), ("story", "{problem}/story"), ("safety", "{problem}/safety"),
    ("neighbours", "{problem}/neighbours"), ("look", "{problem}/look"), ("bench", "{problem}/bench"),
    ("finding", "{problem}/findings/lachman"), ("condition", "{problem}/conditions/acl-tear"),
    ("worse", "{problem}/worse"), ("decide", "{problem}/decide"), ("agree", "{problem}/agree"),
    ("note", "{visit}/note"), ("evidence", "/evidence"), ("evidence-region", "/evidence/knee"),
    ("evidence-finding", "/evidence/knee/finding/lachman"),
    ("evidence-condition", "/evidence/knee/condition/acl-tear"),
    ("evidence-visit", "{problem}/evidence"), ("own-studies", "/evidence/studies/own"),
    ("own-study", "/evidence/studies/own/new?region=knee"), ("costs", "/costs"), ("costs-region", "/costs/knee"),
    ("starting-chances", "/chances?region=knee&onset=injury"), ("scans", "/scans?region=lumbar-pelvis"),
    ("strategies", "/strategies"), ("strategy", f"/strategies/knee?{WHOM}"), ("drawings", "/drawings"),
    ("drawings-region", "/drawings/knee"), ("accounts", "/accounts"), ("audit", "/audit"), ("devices", "/devices"),
    ("sign-in", "/sign-in"), ("no-such-page", "/visits/nothing"),
)  # fmt: skip


def main() -> None:
    """Take the pictures, quantise them, say how much they weigh."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="", help="only pages whose name holds this word, or “visits”")
    only = parser.parse_args().only
    with tempfile.TemporaryDirectory(prefix="endfeel-") as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        demo, fresh = Served(Path(folder) / "demo", demo=True), Served(Path(folder) / "fresh")
        try:
            if only != "visits":
                of_pages(browser, demo.url, only)
            if only in ("", "visits"):
                of_visits(browser, fresh.url)
        finally:
            demo.kill()
            fresh.kill()
            browser.close()
    total = sum(path.stat().st_size for path in OUT.rglob("*.png"))
    print(f"{total / 1e6:.1f} MB in {OUT.relative_to(OUT.parents[1])}")
    if total > MOST:
        raise SystemExit(f"more than {MOST / 1e6:g} MB: fewer tones or fewer pictures")


def of_pages(browser: Browser, url: str, only: str) -> None:
    """Every page at three sizes, and the bench as the README shows it."""
    for size, viewport in SIZES.items():
        context = browser.new_context(viewport=viewport, reduced_motion="reduce")  # type: ignore[arg-type]
        page = context.new_page()
        page.set_default_timeout(60_000)
        problem = open_demo(page, url).removeprefix(url)
        places = {"problem": problem, "visit": problem.rsplit("/", 1)[0]}
        if size == "tablet":
            with_a_result(page)
            page.screenshot(path=OUT / "bench-tablet.png")
            quantise(OUT / "bench-tablet.png")
        (OUT / size).mkdir(parents=True, exist_ok=True)
        for name, address in PAGES:
            if only not in name:
                continue
            answer = page.goto(url + address.format(**places))
            if answer is None or (answer.status >= 400 and name != "no-such-page"):
                print(f"{name}: {answer.status if answer else 'no answer'}, no picture")
                continue
            settle(page)
            page.screenshot(path=OUT / size / f"{name}.png")
            quantise(OUT / size / f"{name}.png")
        context.close()


def of_visits(browser: Browser, url: str) -> None:
    """The three visits, as they are walked in the tests."""
    folder = OUT / "visits"
    for name, walk in JOURNEYS.items():
        (folder / name).mkdir(parents=True, exist_ok=True)
        context = browser.new_context(viewport=TABLET, reduced_motion="reduce")  # type: ignore[arg-type]
        page = context.new_page()
        page.set_default_timeout(15_000)
        hand = Hand(page, url, folder / name)
        walk(hand)
        print(f"{name}: {hand.marks}, {hand.taps} taps in all")
        context.close()
        for picture in (folder / name).glob("*.png"):
            quantise(picture)


def with_a_result(page: Page) -> None:
    """The bench just after a result: the rails show where they stood before."""
    page.wait_for_selector("#next, #stop")
    page.fill("#find", "lachman")
    page.locator("#found a").first.click()
    page.locator("dialog[open]").get_by_role("button", name="Positive", exact=True).click()
    kept(page)
    settle(page)
    page.evaluate("window.scrollTo(0, 0)")


def settle(page: Page) -> None:
    """Wait until what comes later has come: the plan, a strategy, pictures."""
    page.wait_for_load_state("networkidle")
    if page.locator("#ahead").count():
        page.wait_for_selector("#next, #stop")
    if page.locator("#strategy").count():
        page.wait_for_selector("#strategy[aria-busy=false]", timeout=180_000)
    page.mouse.move(0, 0)
    page.wait_for_timeout(250)


def quantise(path: Path) -> None:
    """A picture of few colours in few bytes."""
    with Image.open(path) as picture:
        few = picture.convert("RGB").quantize(TONES, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    few.save(path, optimize=True)


if __name__ == "__main__":
    main()
