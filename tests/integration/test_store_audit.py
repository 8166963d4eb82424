"""The audit trail in the store: kept, in order, unchangeable, and without cost to recordings."""

from __future__ import annotations

import csv
import datetime as dt
import sqlite3
import statistics
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from endfeel.storage import Store
from endfeel.storage.audit import AuditTrail, Entry, audit_lines
from endfeel.storage.backup import backup, restore
from endfeel.storage.export import export
from endfeel.visits.events import FindingRecorded, ProblemAdded, VisitOpened

AT = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)


def entry(number: int = 0, **changed: object) -> Entry:
    given = {
        "at": AT + dt.timedelta(seconds=number), "who": "AB", "role": "clinician", "what": "read",
        "page": "/visits/v1/note", "visit_id": "v1", "status": 200, "source": "127.0.0.1", "device": "",
    } | changed  # fmt: skip
    return Entry(**given)  # type: ignore[arg-type]


@pytest.fixture
def store(any_url: str) -> Iterator[Store]:
    with Store(any_url) as opened:
        yield opened


@pytest.fixture
def trail(store: Store, any_url: str) -> Iterator[AuditTrail]:
    opened = AuditTrail(any_url)
    yield opened
    opened.close()


def test_entries_come_back_as_they_were_made_the_newest_first(trail: AuditTrail) -> None:
    made = [entry(n, visit_id=f"v{n % 3}" if n else None, who="AB" if n % 2 else "CD é") for n in range(50)]
    for one in made:
        trail.note(one)
    trail.flush()
    assert trail.entries() == made[::-1]
    assert list(trail.everything()) == made
    assert trail.entries(limit=3, offset=2) == made[::-1][2:5]
    assert trail.entries(who="AB", visit_id="v1") == [e for e in made[::-1] if (e.who, e.visit_id) == ("AB", "v1")]
    since, until = AT + dt.timedelta(seconds=10), AT + dt.timedelta(seconds=20)
    assert trail.count(since=since, until=until) == 10


def test_what_waits_is_written_by_itself(trail: AuditTrail) -> None:
    trail.note(entry())
    until = time.monotonic() + 5
    while not trail.count() and time.monotonic() < until:
        time.sleep(0.02)
    assert trail.count() == 1


def test_two_programs_write_one_trail(trail: AuditTrail, any_url: str) -> None:
    other = AuditTrail(any_url)
    for number in range(200):
        (trail if number % 2 else other).note(entry(number))
    other.close()
    trail.flush()
    assert trail.count() == 200


def test_no_entry_can_be_changed_or_deleted(store: Store, trail: AuditTrail) -> None:
    trail.note(entry())
    trail.flush()
    for statement in ("UPDATE audit SET who = 'X'", "DELETE FROM audit"):
        with pytest.raises(DBAPIError, match="append-only"), store.engine.begin() as connection:
            connection.execute(text(statement))
    assert trail.entries() == [entry()]


def test_odd_and_long_text_is_kept_as_far_as_it_fits(trail: AuditTrail) -> None:
    trail.note(entry(page="/visits/" + "x" * 999, who="a\x00b\nc\ud800", source="::1"))
    trail.flush()
    (found,) = trail.entries()
    assert len(found.page) == 300 and found.who == "a?b?c?"
    assert trail.entries(who="a\x00\ud800") == []


def test_a_locked_store_delays_the_trail_and_loses_nothing(tmp_path: Path) -> None:
    file = tmp_path / "s.sqlite"
    with Store(file):
        trail = AuditTrail(f"sqlite:///{file}", busy_seconds=0.1, every=0.01)
        holder = sqlite3.connect(file, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        for number in range(20):
            trail.note(entry(number))
        until = time.monotonic() + 5
        while trail.trouble is None and time.monotonic() < until:
            time.sleep(0.02)
        assert trail.trouble and "another program holds the store" in trail.trouble
        holder.execute("ROLLBACK")
        trail.flush()
        assert trail.count() == 20 and trail.trouble is None
        trail.close()


def test_the_trail_says_how_much_it_had_to_let_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("endfeel.storage.audit.LONGEST", 10)
    with Store(tmp_path / "s.sqlite") as store:
        trail = AuditTrail(f"sqlite:///{tmp_path / 's.sqlite'}", every=60)
        for number in range(25):
            trail.note(entry(number))
        trail.flush()
        found = trail.entries()
        assert len(found) == 11 and [e.page for e in found if e.what == "lost"] == ["15 entries could not be kept"]
        trail.close()
        assert store.count() == 0


def test_backup_restore_and_export_carry_the_trail(store: Store, trail: AuditTrail, tmp_path: Path) -> None:
    trail.note(entry(who="=1+1"))
    trail.flush()
    store.set_setting("page-secret", "f" * 64)
    store.set_setting("clinic", 1)
    made = backup(store, tmp_path / "b.sqlite")
    restore(made.path, tmp_path / "new")
    with Store(tmp_path / "new"):
        other = AuditTrail(f"sqlite:///{tmp_path / 'new' / 'endfeel.sqlite'}")
        assert other.entries() == trail.entries()
        other.close()
    export(store, tmp_path / "out")
    rows = list(csv.DictReader((tmp_path / "out" / "audit.csv").open(encoding="utf-8")))
    assert [(r["who"], r["page"], r["status"]) for r in rows] == [("'=1+1", "/visits/v1/note", "200")]
    assert "page-secret" not in (tmp_path / "out" / "settings.json").read_text()
    export(store, tmp_path / "shared", deidentified=True)
    assert not (tmp_path / "shared" / "audit.csv").exists()


def test_lines_for_a_spreadsheet_hold_no_formula() -> None:
    lines = list(audit_lines([entry(who="@x", device="+1"), entry(who="plain")]))
    assert lines[1].split(",")[1] == "'@x" and "'+1" in lines[1] and lines[2].split(",")[1] == "plain"


def test_recording_is_not_slowed(tmp_path: Path) -> None:
    file = tmp_path / "s.sqlite"
    with Store(file) as store:
        store.append("v1", VisitOpened(patient_code="T"), "A", "o")
        store.append("v1", ProblemAdded(problem_id="p1", region="knee", side="left"), "A", "p")
        trail = AuditTrail(f"sqlite:///{file}")
        taken: dict[bool, list[float]] = {False: [], True: []}
        for number in range(240):
            watched = bool(number // 20 % 2)  # in turns, so that a busy machine slows both alike
            begun = time.perf_counter()
            event = FindingRecorded(problem_id="p1", observable="lachman", side="left", result="positive")
            store.append("v1", event, "A", f"c{number}")
            if watched:
                trail.note(entry(number))
                trail.note(entry(number))
            taken[watched].append(time.perf_counter() - begun)
        trail.close()
    more = statistics.median(taken[True]) - statistics.median(taken[False])
    assert more < 0.002, f"{1000 * more:.2f} ms more for each recording"
