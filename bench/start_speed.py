"""From starting the command to the first page, with everything installed and warm: `python bench/start_speed.py`.

Each round starts `endfeel serve` as a program of its own on a folder that holds a record already, and asks for a page
until it is there. The first round is left out (files read from disk). "first bench page" goes on in the same new
server to the demo's bench page, whose region has to be laid out and planned. Aim: the first page within 2 s.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "browser"))

from browsing import CHROMIUM, FLAGS, TABLET, Served, open_demo
from playwright.sync_api import sync_playwright

ROUNDS = 10
EACH_LOOK = 0.01


def main() -> None:
    """Measure and print; times in seconds."""
    with tempfile.TemporaryDirectory() as folder:
        server = Served(Path(folder), demo=True)
        problem = _demo_problem(server)
        server.kill()
        firsts, benches = [], []
        for turn in range(ROUNDS + 1):
            first, bench = _round(server, problem)
            if turn:
                firsts.append(first)
                benches.append(bench)
    print(f"cores {os.cpu_count()}, load {os.getloadavg()[0]:.1f}")
    for name, times in (("start to first page", firsts), ("start to first bench page", benches)):
        print(f"{name}: median {statistics.median(times):.2f} s, longest {max(times):.2f} s, n {len(times)}")


def _demo_problem(server: Served) -> str:
    """The path of the demo visit's problem."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        problem = open_demo(browser.new_page(viewport=TABLET), server.url)  # type: ignore[arg-type]
        browser.close()
    return problem.removeprefix(server.url)


def _round(server: Served, problem: str) -> tuple[float, float]:
    command = [sys.executable, "-c", "from endfeel.cli import main; main()", "serve"]
    command += ["--port", str(server.port), "--data", str(server.folder), "--demo"]
    start = time.perf_counter()
    server.process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    while not _answers(server.url + "/visits"):
        time.sleep(EACH_LOOK)
    first = time.perf_counter() - start
    urllib.request.urlopen(server.url + problem + "/bench", timeout=30).read()
    bench = time.perf_counter() - start
    server.kill()
    return first, bench


def _answers(url: str) -> bool:
    try:
        urllib.request.urlopen(url, timeout=10).read()
    except OSError:
        return False
    return True


if __name__ == "__main__":
    main()
