"""A server as a program of its own, what a page asked for, and the taps that several tests make."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from urllib.parse import urlsplit

from playwright.sync_api import BrowserContext, Error, Locator, Page, TimeoutError

CHROMIUM = "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
TABLET = {"width": 820, "height": 1180}
LAPTOP = {"width": 1366, "height": 768}
PHONE = {"width": 390, "height": 844}


class Served:
    """Endfeel on a port and a data folder; it can be killed and started again on the same ones."""

    def __init__(self, folder: Path, demo: bool = False) -> None:
        self.folder, self.demo = folder, demo
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self.process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        start = "from endfeel.cli import main; main()"
        command = [sys.executable, "-c", start, "serve", "--port", str(self.port), "--data", str(self.folder)]
        if self.demo:
            command.append("--demo")
        self.process = subprocess.Popen(command, env={**os.environ, "OMP_NUM_THREADS": "1"})
        for _ in range(300):
            try:
                urllib.request.urlopen(self.url + "/start", timeout=2).read()
                return
            except OSError:
                time.sleep(0.1)
        raise RuntimeError("the server did not start within 30 seconds")

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


class Watched:
    """What a page's console said and which addresses it asked for."""

    def __init__(self, context: BrowserContext) -> None:
        self.said: list[str] = []
        self.asked: set[str] = set()
        context.on("console", lambda m: self.said.append(m.text) if m.type in ("error", "warning") else None)
        context.on("weberror", lambda e: self.said.append(str(e.error)))
        context.on("request", lambda r: self.asked.add(urlsplit(r.url).hostname or ""))


def tap(scope: Page | Locator, words: str, nth: int = 0) -> None:
    """Tap one choice by its words."""
    scope.locator("label.opt").filter(has_text=re.compile(rf"^\s*{re.escape(words)}\s*$")).nth(nth).click()


def open_demo(page: Page, url: str) -> str:
    """The bench page of the demo visit that is under way; its problem's address."""
    page.goto(url + "/visits")
    page.locator(".visits a", has_text="Right knee").filter(has_text="today").click()
    problem = page.url.rsplit("/", 1)[0]
    page.goto(problem + "/bench")
    return problem


def kept(page: Page) -> None:
    """Wait until nothing waits to be sent."""
    page.wait_for_function("() => !JSON.parse(localStorage.getItem('endfeel.queue') || '[]').length")


def open_page(page: Page, url: str) -> None:
    """Open a page; once more where the one left loads itself anew just then, as it does once what it kept is sent."""
    try:
        page.goto(url)
    except Error as fault:
        if "interrupted by another navigation" not in str(fault):
            raise
        page.wait_for_load_state()
        page.goto(url)


def look_up(page: Page, letters: str) -> Locator:
    """Type letters of a name; the first finding found. Typed again where a page not yet at work took no notice."""
    found = page.locator("#found a").first
    for patience in (4_000, 4_000, 15_000):
        page.fill("#find", "")
        page.fill("#find", letters)
        try:
            found.wait_for(timeout=patience)
            break
        except TimeoutError:
            if patience > 4_000:
                raise
    return found


def ask_all(page: Page) -> int:
    """Answer every safety screen with “I asked all of these: no”; how many taps that took."""
    taps = 0
    page.locator(".screen").first.wait_for()
    button = page.get_by_role("button", name=re.compile("I asked"))
    while (left := page.locator(".screen button:not(.no-js)").count()) > 0:
        button.first.click()
        taps += 1
        page.wait_for_function("n => document.querySelectorAll('.screen button:not(.no-js)').length < n", arg=left)
    return taps
