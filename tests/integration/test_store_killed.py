"""Durability: the recording program is killed at random moments; what it acknowledged is there, once."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from endfeel.storage import Store
from endfeel.storage.doctor import doctor
from endfeel.visits.events import FindingRecorded, ProblemAdded, VisitOpened

RECORDINGS = 1000
RECORDER = '''
import sys
from endfeel.storage import Store
from endfeel.visits.events import FindingRecorded

url, visit_id, start = sys.argv[1], sys.argv[2], int(sys.argv[3])
with Store(url) as store:
    print("ready", flush=True)
    for number in range(start, 100_000):
        finding = FindingRecorded(problem_id="p1", observable=f"o{number % 50}", side="left", result="positive")
        stored = store.append(visit_id, finding, "A", f"r{number}")
        print(number, stored.seq, flush=True)
'''


def test_a_thousand_recordings_with_the_program_killed_at_random(any_url: str, tmp_path: Path) -> None:
    rng = random.Random(20260302)
    script = tmp_path / "recorder.py"
    script.write_text(RECORDER)
    with Store(any_url) as store:
        visit_id = store.new_visit_id()
        store.append(visit_id, VisitOpened(patient_code="K-17"), "A", "open")
        store.append(visit_id, ProblemAdded(problem_id="p1", region="knee", side="left"), "A", "p1")
    acknowledged: dict[int, int] = {}
    kills = 0
    while len(acknowledged) < RECORDINGS:
        # As the page does: what was sent but not acknowledged is sent again under the same id.
        command = [sys.executable, str(script), any_url, visit_id, str(len(acknowledged))]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as recorder:
            assert recorder.stdout is not None
            if rng.random() < 0.9:
                # After some recordings, and then somewhere within the next one or two.
                said = "".join(recorder.stdout.readline() for _ in range(rng.randint(1, 160)))
                time.sleep(rng.uniform(0, 0.01))
            else:
                said = ""
                time.sleep(rng.uniform(0, 1.0))  # while it starts, or soon after
            recorder.send_signal(signal.SIGKILL)
            said += recorder.stdout.read()
            assert recorder.wait() == -signal.SIGKILL
        kills += 1
        for line in said.splitlines():
            if line != "ready" and len(line.split()) == 2:
                number, seq = map(int, line.split())
                assert acknowledged.setdefault(number, seq) == seq
    assert sorted(acknowledged) == list(range(len(acknowledged)))
    assert kills >= 5
    with Store(any_url, check="full") as store:
        events = store.events(visit_id)
        assert [e.seq for e in events] == list(range(1, len(events) + 1))
        there = {e.client_id: e.seq for e in events}
        assert len(there) == len(events), "none is there twice"
        assert {f"r{n}": seq for n, seq in acknowledged.items()}.items() <= there.items(), "every one is there"
        assert len(there) - 2 - len(acknowledged) in (0, 1), "at most the last was stored but not acknowledged"
        assert isinstance(events[-1].event, FindingRecorded)
    assert doctor(any_url).ok
