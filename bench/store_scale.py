"""The list page over a store of 50 000 visits, what the audit trail adds to a recording, and who asks.

Run: OMP_NUM_THREADS=1 python bench/store_scale.py > bench/results_record.md
Wall-clock time over a real server on loopback, its store on disk with full sync. Every visit is invented: four events,
written row by row into the tables; the list of visits is then rebuilt by the store itself.
"""

from __future__ import annotations

import datetime as dt
import os
import platform
import random
import re
import socket
import statistics
import tempfile
import threading
import time
import uuid
from collections.abc import Callable
from pathlib import Path

import httpx
import uvicorn
from sqlalchemy import insert

from endfeel.cli.sharing import listen
from endfeel.storage import Store
from endfeel.storage import tables as t
from endfeel.visits.events import Closed, FindingRecorded, ProblemAdded, VisitOpened, event_json
from endfeel.web.accounts import password_digest
from endfeel.web.app import create_app
from endfeel.web.settings import Settings

VISITS = 50_000
ROUNDS = 40
REGIONS = ("knee", "shoulder", "hip", "elbow", "wrist-hand")
START = dt.datetime(2024, 1, 1, 8, tzinfo=dt.UTC)


def main() -> None:
    """Print the tables."""
    print("# The record: time and size\n")
    print(
        f"Made by bench/store_scale.py on {os.cpu_count()} cores ({platform.machine()}, Python "
        f"{platform.python_version()}), shared with other work; wall-clock, median and longest of {ROUNDS}.\n"
    )
    with tempfile.TemporaryDirectory(prefix="endfeel-scale-") as folder:
        rebuilt = _fill(Path(folder))
        size = (Path(folder) / "endfeel.sqlite").stat().st_size / 2**20
        print(f"{VISITS} visits, {4 * VISITS} events: {size:.0f} MB. Making the list anew from the events: ", end="")
        print(f"{rebuilt:.0f} s.\n")
        app = create_app(Settings(Path(folder)))
        listening = listen(socket.AF_INET, "127.0.0.1", 0, "--port")
        server = uvicorn.Server(uvicorn.Config(app, log_level="critical"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.01)
        url = f"http://127.0.0.1:{listening.getsockname()[1]}"
        _measure(url, app)
        server.should_exit = True
        thread.join(timeout=10)


def _measure(url: str, app: object) -> None:
    desk = app.state.desk  # type: ignore[attr-defined]
    with httpx.Client(base_url=url, timeout=60) as http:
        token = re.search(r'endfeel-token" content="(\w+)"', http.get("/start").text)[1]  # type: ignore[index]
        print("| page | median ms | longest ms |\n| --- | --- | --- |")
        for words, path in (
            ("list of visits", "/visits"),
            ("list, a code that one visit has", "/visits?q=q-49999"),
            ("list, two words that 10 000 visits have", "/visits?q=knee+left"),
            ("list, words that no visit has", "/visits?q=nothing+like+it"),
            ("list, the last page", f"/visits?offset={VISITS - 30}"),
            ("list as JSON", "/visits.json"),
        ):
            _row(words, lambda path=path: http.get(path).raise_for_status())  # type: ignore[misc]
        desk.people.add("KB", "lead", password_digest("slow green river 7", "KB"), "bench", dt.datetime.now(dt.UTC))
        fields = {"name": "KB", "password": "slow green river 7"}
        http.post("/sign-in", data=fields, headers={"X-Endfeel-Token": token})
        _row("list of visits, signed in to an account", lambda: http.get("/visits").raise_for_status())
    print("\n| recording, straight to the store | median ms | longest ms |\n| --- | --- | --- |")
    _recordings(desk)


def _recordings(desk: object) -> None:
    from endfeel.storage.audit import Entry

    store, trail = desk.store, desk.trail  # type: ignore[attr-defined]
    taken: dict[bool, list[float]] = {False: [], True: []}
    for number in range(20 * ROUNDS):
        watched = bool(number // 20 % 2)
        event = FindingRecorded(problem_id="p1", observable="lachman", side="left", result="positive")
        begun = time.perf_counter()
        store.append(f"w{number % 100}", event, "KB", str(uuid.uuid4()))
        if watched:
            now = dt.datetime.now(dt.UTC)
            trail.note(Entry(now, "KB", "lead", "write", f"/visits/w{number % 100}/p1/record", "w0", 200, "::1", ""))
        taken[watched].append(1000 * (time.perf_counter() - begun))
    for watched, words in ((False, "without an entry in the audit trail"), (True, "with one")):
        print(f"| {words} | {statistics.median(taken[watched]):.2f} | {max(taken[watched]):.1f} |")
    more = statistics.median(taken[True]) - statistics.median(taken[False])
    print(f"\nThe trail adds {more:.2f} ms to the median recording (aim: under 2 ms).")


def _row(words: str, ask: Callable[[], object]) -> None:
    ask()
    taken = []
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        ask()
        taken.append(1000 * (time.perf_counter() - begun))
    print(f"| {words} | {statistics.median(taken):.0f} | {max(taken):.0f} |")


def _fill(folder: Path) -> float:
    rng = random.Random(7)
    with Store(folder / "endfeel.sqlite") as store:
        for first in range(0, VISITS, 5000):
            visits, events = [], []
            for number in range(first, first + 5000):
                at = START + dt.timedelta(minutes=20 * number)
                side = rng.choice(("left", "right"))
                visits.append({"visit_id": f"w{number}", "opened_at": at})
                told = [
                    VisitOpened(patient_code=f"q-{number}", birth_year=rng.randint(1940, 2004)),
                    ProblemAdded(problem_id="p1", region=REGIONS[number % 5], side=side),
                    FindingRecorded(problem_id="p1", observable="x", side=side, result="negative"),
                    Closed(summary=None),
                ]
                for seq, event in enumerate(told[: 3 if number > VISITS - 20 else 4], start=1):
                    events.append(
                        {
                            "visit_id": f"w{number}", "seq": seq, "at": at + dt.timedelta(minutes=seq), "actor": "KB",
                            "client_id": f"w{number}-{seq}", "type": event.type, "payload": event_json(event),
                        }
                    )  # fmt: skip
            with store.engine.begin() as connection:
                connection.execute(insert(t.visits), visits)
                connection.execute(insert(t.events), events)
        begun = time.perf_counter()
        store.rebuild()
        return time.perf_counter() - begun


if __name__ == "__main__":
    main()
