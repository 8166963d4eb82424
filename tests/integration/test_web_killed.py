"""The server's process killed at random moments through a thousand recordings: what was acknowledged is there, once."""

from __future__ import annotations

import random
import socket
import subprocess
import sys
import time
import uuid
from collections import Counter
from pathlib import Path

import httpx
from web_server import Person

from endfeel.storage import Store
from endfeel.storage.doctor import doctor

RECORDINGS = 1000
VISITS = 20
KILLS = 8
OBSERVABLES = ("lachman", "anterior-drawer", "bulge-sign", "mcmurray:medial", "joint-line-tenderness:lateral")
SERVE = "from endfeel.cli import main; main()"


class Killable:
    """`endfeel serve` as a process of its own, on one port and one folder whatever happens to it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        words = [sys.executable, "-c", SERVE, "serve", "--port", str(self.port), "--data", str(self.folder)]
        self.process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        until = time.monotonic() + 90
        while True:
            try:
                httpx.get(self.url + "/start", timeout=5)
                return
            except httpx.TransportError:
                assert time.monotonic() < until and self.process.poll() is None, "the server did not come up"
                time.sleep(0.05)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()


def test_every_acknowledged_recording_survives_the_server(tmp_path: Path) -> None:
    rng = random.Random(20261125)
    moments = set(rng.sample(range(20, RECORDINGS - 20), KILLS))
    server = Killable(tmp_path)
    try:
        person = Person(server.url)
        problems = [person.visit() for _ in range(VISITS)]
        person.http.headers["X-Endfeel-Queue"] = "1"
        sent: dict[str, str] = {}
        for number in range(RECORDINGS):
            problem, client_id = problems[number % VISITS], str(uuid.uuid4())
            fields = {"observable": rng.choice(OBSERVABLES), "result": rng.choice(("positive", "negative", "unclear"))}
            if number in moments:
                # In the middle of a recording: its answer is lost, and the page's queue sends it again.
                _send_and_kill(person, server, f"{problem}/record", {"client_id": client_id, **fields}, rng)
                server.start()
            answer = person.post(f"{problem}/record", **fields, client_id=client_id)
            assert answer.status_code < 400, answer.text[:300]
            sent[client_id] = problem
    finally:
        server.kill()
    with Store(f"sqlite:///{tmp_path / 'endfeel.sqlite'}", check="full") as store:
        kept = Counter(
            event.client_id
            for visit in {p.split("/")[2] for p in problems}
            for event in store.events(visit)
            if event.event.type == "finding-recorded"
        )
    assert len(sent) == RECORDINGS
    assert set(kept) == set(sent), "something acknowledged is missing, or something is there that nobody sent"
    assert set(kept.values()) == {1}, "a recording sent twice is there twice"
    report = doctor(tmp_path)
    assert report.ok, [check for check in report.checks if not check.ok]


def _send_and_kill(person: Person, server: Killable, path: str, fields: dict[str, str], rng: random.Random) -> None:
    body = httpx.QueryParams(fields)
    with socket.create_connection(("127.0.0.1", server.port), timeout=10) as line:
        cookies = "; ".join(f"{c.name}={c.value}" for c in person.http.cookies.jar)
        head = (
            f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nCookie: {cookies}\r\n"
            f"X-Endfeel-Token: {person.token}\r\nX-Endfeel-Queue: 1\r\n"
            f"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {len(str(body))}\r\n\r\n{body}"
        )
        line.sendall(head.encode())
        time.sleep(rng.uniform(0, 0.03))
        server.kill()
