"""From a tap on a result to repainted rails, in Chromium with the server on this machine: `python bench/page_speed.py`.

Each round records a finding on the demo's bench page and takes it back. The time runs inside the page from the click
to the second animation frame after the rails changed, so it holds the request, the swap and the paint. Aim: the 95th
percentile under 100 ms. Nothing else should run meanwhile; the number of cores and the load are printed.
"""

from __future__ import annotations

import json
import os
import statistics
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "browser"))

from browsing import CHROMIUM, FLAGS, TABLET, Served, open_demo
from playwright.sync_api import Page, sync_playwright

ROUNDS = 40
TIMED = """selector => new Promise((done) => {
  const rails = document.querySelector('#bench');
  const start = performance.now();
  const watch = new MutationObserver(() => {
    if (document.querySelector('#bench') === rails) return;
    watch.disconnect();
    requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - start)));
  });
  watch.observe(document.querySelector('main'), {childList: true, subtree: true});
  document.querySelector(selector).click();
})"""
LOADED = "() => performance.getEntriesByType('navigation').map((n) => n.loadEventEnd - n.startTime)[0]"


def main() -> None:
    """Measure and print; times in milliseconds."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        server = Served(Path(folder), demo=True)
        try:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
            page = browser.new_page(viewport=TABLET)  # type: ignore[arg-type]
            problem = open_demo(page, server.url)
            taps, undos = _rounds(page)
            loads = _loads(page, problem)
            weight = _weight(page, problem)
            browser.close()
        finally:
            server.kill()
    load = os.getloadavg()[0]
    print(f"cores {os.cpu_count()}, load {load:.1f}")
    for name, times in (("tap to repainted rails", taps), ("take back", undos), ("bench page, whole load", loads)):
        ordered = sorted(times)
        print(
            f"{name}: median {statistics.median(ordered):.0f} ms, 95th percentile "
            f"{ordered[int(0.95 * (len(ordered) - 1))]:.0f} ms, longest {ordered[-1]:.0f} ms, n {len(ordered)}"
        )
    print(f"bench page with all it loads: {weight / 1000:.0f} kB over the wire")


def _rounds(page: Page) -> tuple[list[float], list[float]]:
    taps, undos = [], []
    for _ in range(ROUNDS):
        page.wait_for_selector("#ahead [data-acts] button, #stop")
        page.wait_for_timeout(1500)
        selector = "#ahead [data-acts] button:not([data-says])"
        if not page.locator(selector).count():
            raise SystemExit("the demo visit offers no finding; start it on an empty folder")
        taps.append(page.evaluate(TIMED, selector))
        page.wait_for_timeout(700)
        undos.append(page.evaluate(TIMED, "[data-undo]"))
    return taps, undos


def _loads(page: Page, problem: str) -> list[float]:
    times = []
    for _ in range(20):
        page.goto(problem + "/bench", wait_until="load")
        times.append(page.evaluate(LOADED))
        time.sleep(0.3)
    return times


def _weight(page: Page, problem: str) -> int:
    fresh = page.context.browser.new_context()  # type: ignore[union-attr]
    other = fresh.new_page()
    other.goto(problem + "/bench", wait_until="networkidle")
    total = other.evaluate(
        "() => performance.getEntriesByType('resource').concat(performance.getEntriesByType('navigation'))"
        ".reduce((sum, e) => sum + e.transferSize, 0)"
    )
    fresh.close()
    assert json.loads(urllib.request.urlopen(problem + "/bench.json").read())["rails"]
    return int(total)


if __name__ == "__main__":
    main()
