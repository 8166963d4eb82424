"""Backup, restore, export and doctor on real stores."""

from __future__ import annotations

import csv
import datetime as dt
import json
import random
import sqlite3
import threading
from pathlib import Path

import pytest
from sqlalchemy import text

from endfeel.storage import Store, StoreError
from endfeel.storage.backup import backup, restore
from endfeel.storage.connect import make_engine, migrate, store_url
from endfeel.storage.doctor import doctor
from endfeel.storage.export import EVENT_COLUMNS, export
from endfeel.visits.events import (
    Activity,
    Closed,
    ContextSet,
    Corrected,
    Decided,
    Event,
    FindingRecorded,
    OutcomeRecorded,
    ProblemAdded,
    Provoker,
    StoredEvent,
    StoryTold,
    VisitOpened,
)
from endfeel.visits.state import replay

START = dt.datetime(2026, 3, 2, 9, 30, tzinfo=dt.UTC)
SECRET = "Quillon Brandywine"  # invented; must not be found in a de-identified export


def fill(store: Store, code: str = "K-17", count: int = 3, first: int = 0) -> list[str]:
    ids = []
    for number in range(first, first + count):
        visit_id = store.new_visit_id()
        ids.append(visit_id)
        events: tuple[Event, ...] = (
            VisitOpened(
                patient_code=f"{code}",
                initials="QB",
                birth_year=1931,
                previous_visit_id=ids[-2] if len(ids) > 1 else None,
            ),
            ProblemAdded(problem_id="left-knee-of-quillon", region="knee", side="left"),
            StoryTold(
                problem_id="left-knee-of-quillon",
                onset="injury",
                onset_date=dt.date(2026, 2, 20),
                how=f"{SECRET} twisted it",
                provokers=(Provoker(what=SECRET, minutes_to_settle=5),),
                activities=(Activity(name=SECRET, score=3),),
            ),
            ContextSet(problem_id="left-knee-of-quillon", age=95, precautions={"pregnancy": "no"}),
            FindingRecorded(
                problem_id="left-knee-of-quillon",
                observable="lachman",
                side="left",
                result="positive",
                observations={"travel": "clearly more", "angle": 12.5, "own": True, "typed": SECRET},
                blind_to=(SECRET,),
                rater=SECRET,
                experience=SECRET,
            ),
            Decided(
                problem_id="left-knee-of-quillon", action="start-care", review_on=dt.date(2026, 3, 16), words=SECRET
            ),
            OutcomeRecorded(
                problem_id="left-knee-of-quillon",
                source=SECRET,
                on=dt.date(2200, 1, 1),
                condition="acl-tear",
                present=None,
                not_verified_because=SECRET,
            ),
            Corrected(of=6, replacement=Decided(
                problem_id="left-knee-of-quillon", action="set-aside", words=SECRET), reason=SECRET),
            Closed(summary=f"膝 {SECRET}"),
        )
        for seq, event in enumerate(events):
            at = START + dt.timedelta(days=number, minutes=seq)
            store.append(visit_id, event, SECRET, f"{visit_id}-{seq}", at=at)
    return ids


@pytest.fixture
def store(any_url: str) -> Store:
    return Store(any_url, busy_seconds=20)


def test_a_backup_restores_to_the_same_record(store: Store, tmp_path: Path) -> None:
    ids = fill(store)
    store.set_setting("clinic", ["α"])
    made = backup(store, tmp_path / "kept" / "b.sqlite")
    assert (made.contents.visits, made.contents.events) == (3, 27)
    assert [p.name for p in made.path.parent.iterdir()] == ["b.sqlite"], "one file, nothing left beside it"
    assert made.path.stat().st_mode & 0o077 == 0
    assert restore(made.path, tmp_path / "new") == made.contents
    with Store(tmp_path / "new") as other:
        for visit_id in ids:
            assert other.events(visit_id) == store.events(visit_id)
        assert other.visits() == store.visits()
        assert other.setting("clinic") == ["α"]
    with pytest.raises(StoreError, match="a file of this name already"):
        backup(store, made.path)
    assert backup(store, tmp_path / "kept").path.parent == tmp_path / "kept"


def test_a_backup_can_be_taken_while_others_write(store: Store, tmp_path: Path) -> None:
    fill(store, count=20)
    stop = threading.Event()
    written: list[str] = []

    def write() -> None:
        number = 100
        while not stop.is_set():
            written.extend(fill(store, count=1, first=number))
            number += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        made = [backup(store, tmp_path / f"b{i}.sqlite") for i in range(3)]
    finally:
        stop.set()
        writer.join()
    assert len(written) > 0
    for one in made:
        restore(one.path, tmp_path / f"r-{one.path.stem}")
        assert doctor(tmp_path / f"r-{one.path.stem}").ok


def test_a_backup_can_be_restored_into_postgresql(postgres_url: str, tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as source:
        ids = fill(source)
        made = backup(source, tmp_path / "b.sqlite")
    assert restore(made.path, postgres_url) == made.contents
    with Store(postgres_url) as target:
        assert [e.event for e in target.events(ids[0])][-1] == Closed(summary=f"膝 {SECRET}")
        assert target.count() == 3
    with pytest.raises(StoreError, match="restore into an empty one"):
        restore(made.path, postgres_url)


def test_restoring_never_destroys_what_was_there(tmp_path: Path) -> None:
    data = tmp_path / "data"
    with Store(data) as store:
        fill(store)
        made = backup(store, tmp_path / "b.sqlite")
        later = fill(store, count=1, first=9)
    with pytest.raises(StoreError, match="holds 4 visits"):
        restore(made.path, data)
    with Store(data) as store, pytest.raises(StoreError, match="another program has this store open") as caught:
        store.count()
        restore(made.path, data, replace=True)
    assert caught.value.kind == "locked"
    restore(made.path, data, replace=True)
    with Store(data) as store:
        assert store.count() == 3
    (aside,) = data.glob("endfeel-before-restore-*.sqlite")
    with Store(aside) as store:
        assert store.count() == 4
        assert store.events(later[0])


def test_a_damaged_backup_is_refused_and_the_store_stays(tmp_path: Path) -> None:
    with Store(tmp_path / "data") as store:
        fill(store, count=40)
        made = backup(store, tmp_path / "b.sqlite")
    broken = bytearray(made.path.read_bytes())
    broken[40_000:60_000] = b"\xff" * 20_000
    (tmp_path / "broken.sqlite").write_bytes(broken)
    (tmp_path / "text.sqlite").write_text("hello")
    for name in ("broken.sqlite", "text.sqlite"):
        with pytest.raises(StoreError) as caught:
            restore(tmp_path / name, tmp_path / "data", replace=True)
        assert caught.value.kind == "corrupt"
    with pytest.raises(StoreError, match="there is no backup"):
        restore(tmp_path / "missing.sqlite", tmp_path / "data", replace=True)
    with Store(tmp_path / "data") as store:
        assert store.count() == 40


def test_export_holds_everything_in_open_formats(store: Store, tmp_path: Path) -> None:
    ids = fill(store)
    store.set_setting("clinic", "α")
    assert export(store, tmp_path / "out") == 3
    lines = (tmp_path / "out" / "events.jsonl").read_text(encoding="utf-8").splitlines()
    events = [StoredEvent.model_validate_json(line) for line in lines]
    for visit_id in ids:
        assert tuple(e for e in events if e.visit_id == visit_id) == store.events(visit_id)
    with (tmp_path / "out" / "events.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == EVENT_COLUMNS
    assert len(rows) == 27
    finding = next(r for r in rows if r["type"] == "finding-recorded")
    assert (finding["about"], finding["side"], finding["value"]) == ("lachman", "left", "positive")
    corrected = next(r for r in rows if r["type"] == "corrected")
    assert (corrected["about"], corrected["value"]) == ("event 6", "set-aside")
    with (tmp_path / "out" / "visits.csv").open(encoding="utf-8", newline="") as file:
        visits = list(csv.DictReader(file))
    assert {v["decisions"] for v in visits} == {"set-aside"}
    assert json.loads((tmp_path / "out" / "settings.json").read_text()) == {"clinic": "α"}
    with pytest.raises(StoreError, match="a new or an empty folder"):
        export(store, tmp_path / "out")


def test_a_deidentified_export_names_nobody(store: Store, tmp_path: Path) -> None:
    ids = fill(store, count=2)
    fill(store, code="other patient", count=1)
    (tmp_path / "out").mkdir()
    known = frozenset({"clearly more"})
    assert export(store, tmp_path / "out", deidentified=True, rng=random.Random(7), words=known) == 3
    whole = "".join(p.read_text(encoding="utf-8") for p in (tmp_path / "out").iterdir())
    for named in (SECRET, "QB", "K-17", "other patient", "quillon", "1931", "2026-02-20", "膝", *ids):
        assert named not in whole
    assert not (tmp_path / "out" / "settings.json").exists()

    lines = (tmp_path / "out" / "events.jsonl").read_text().splitlines()
    events = [StoredEvent.model_validate_json(line) for line in lines]
    states = [replay(e for e in events if e.visit_id == v) for v in dict.fromkeys(e.visit_id for e in events)]
    codes = [s.opened.patient_code for s in states]
    assert sorted(codes.count(c) for c in set(codes)) == [1, 2], "visits of one patient stay together"
    same = [s for s in states if codes.count(s.opened.patient_code) == 2]
    first, second = sorted(same, key=lambda s: s.opened_at)
    assert second.opened_at - first.opened_at == dt.timedelta(days=1), "intervals stay true"
    assert second.opened.previous_visit_id == first.visit_id
    assert first.opened_at.time() == START.time() and first.opened_at.date() != START.date()
    for state in states:
        (problem,) = state.problems.values()
        assert problem.story.onset_date is not None
        shift = state.opened_at - START
        assert problem.story.onset_date - dt.date(2026, 2, 20) in (shift, shift - dt.timedelta(days=1))
        assert problem.context.age == 90
        recorded = problem.findings[("lachman", "left")].event
        assert recorded.observations == {
            "travel": "clearly more", "angle": 12.5, "own": True, "typed": "left out",
        }  # fmt: skip
        assert problem.results() == {"lachman": "positive"}
        assert problem.decision is not None and problem.decision.event.action == "set-aside"


def test_chosen_words_of_the_shipped_catalogue_are_kept(tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as store:
        fill(store, count=1)
        export(store, tmp_path / "out", deidentified=True)
    text_out = (tmp_path / "out" / "events.jsonl").read_text()
    assert "clearly more" in text_out and SECRET not in text_out


def test_the_doctor_finds_a_well_store_well(any_url: str) -> None:
    with Store(any_url) as store:
        fill(store)
        report = doctor(any_url)
    assert report.ok, [c.words for c in report.checks if not c.ok]
    assert "27 events in 3 visits" in " ".join(c.words for c in report.checks)


def test_the_doctor_says_what_is_ill(tmp_path: Path) -> None:
    def ill(folder: Path | str) -> str:
        return "; ".join(c.words for c in doctor(folder).checks if not c.ok)

    assert "there is no store" in ill(tmp_path / "nowhere")
    data = tmp_path / "data"
    with Store(data) as store:
        ids = fill(store)
        with store.engine.begin() as connection:
            connection.execute(text("UPDATE visit_lines SET line = replace(line, 'K-17', 'K-18')"))
    assert f"rebuild the list; it differs for {min(ids)}" in ill(data)
    with Store(data) as store:
        store.rebuild()
    assert ill(data) == ""
    (data / "endfeel.sqlite").chmod(0o644)
    assert "others on this machine can read" in ill(data)
    (data / "endfeel.sqlite").chmod(0o600)
    with sqlite3.connect(data / "endfeel.sqlite") as raw:
        raw.execute("DROP TRIGGER events_no_delete")
        raw.execute("DELETE FROM events WHERE seq = 4 AND visit_id = ?", (ids[0],))
    assert f"numbers are missing in visits {ids[0]}" in ill(data)
    with sqlite3.connect(data / "endfeel.sqlite") as raw:
        raw.execute("DROP TRIGGER events_no_update")
        raw.execute("UPDATE events SET payload = '{' WHERE seq = 3 AND visit_id = ?", (ids[1],))
    assert f"event 3 of visit {ids[1]} can't be read" in ill(data)
    old = tmp_path / "old"
    old.mkdir()
    engine = make_engine(store_url(old), 5)
    migrate(engine, "0001")
    engine.dispose()
    (old / "endfeel.sqlite").chmod(0o600)
    assert "starting Endfeel takes them to" in ill(old)
