"""The store against real databases: SQLite always, PostgreSQL where a server is found."""

from __future__ import annotations

import datetime as dt
import multiprocessing
import sqlite3
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from endfeel.storage import ClientIdTaken, SettingChanged, Store, StoreError
from endfeel.storage.connect import migrate, revision, revisions
from endfeel.visits.admission import EventRefused
from endfeel.visits.events import (
    Closed,
    Corrected,
    Decided,
    EventError,
    FindingRecorded,
    ProblemAdded,
    VisitOpened,
)
from endfeel.visits.line import line_of

START = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)


def opened(store: Store, code: str = "K-17", **more: object) -> str:
    visit_id = store.new_visit_id()
    event = VisitOpened.model_validate({"patient_code": code, **more})
    store.append(visit_id, event, "A", f"{visit_id}-open", at=START)
    store.append(visit_id, ProblemAdded(problem_id="p1", region="knee", side="left"), "A", f"{visit_id}-p1")
    return visit_id


def finding(result: str = "positive", observable: str = "lachman") -> FindingRecorded:
    return FindingRecorded.model_validate(
        {"problem_id": "p1", "observable": observable, "side": "left", "result": result}
    )


def test_a_restart_loses_nothing(any_url: str) -> None:
    with Store(any_url) as store:
        visit_id = opened(store)
        stored = store.append(visit_id, finding(), "A", "c1")
        store.set_setting("clinic", {"name": "Invented", "pathway": ["α", 1, None]})
        before = store.events(visit_id)
    with Store(any_url) as store:
        assert store.events(visit_id) == before
        assert before[-1] == stored
        assert store.state(visit_id).problems["p1"].results() == {"lachman": "positive"}
        assert store.setting("clinic") == {"name": "Invented", "pathway": ["α", 1, None]}
        assert store.setting("never set") is None


def test_a_setting_is_changed_only_where_it_still_is_what_one_saw(any_url: str) -> None:
    with Store(any_url) as one, Store(any_url) as two:
        one.change_setting("costs", None, {"knee": 1})
        with pytest.raises(SettingChanged, match="costs was changed meanwhile"):
            two.change_setting("costs", None, {"hip": 1})
        with pytest.raises(SettingChanged):
            two.change_settings({"a": (None, 1), "costs": ({"knee": 2}, 3)})
        assert two.settings() == {"costs": {"knee": 1}}, "all or none"
        two.change_settings({"a": (None, 1), "costs": ({"knee": 1}, {"knee": 2})})
        assert one.settings() == {"a": 1, "costs": {"knee": 2}}
        with pytest.raises(ValueError, match="setting costs"):
            one.change_setting("costs", {"knee": 2}, float("nan"))


def test_of_many_who_change_a_setting_at_once_each_change_counts(any_url: str) -> None:
    with Store(any_url, busy_seconds=30) as one, Store(any_url, busy_seconds=30) as two:
        gate = threading.Barrier(6)

        def add(n: int) -> int:
            store, tries = (one, two)[n % 2], 0
            gate.wait()
            while True:
                tries += 1
                seen = store.setting("list")
                try:
                    store.change_setting("list", seen, [*(seen or []), n])
                    return tries
                except SettingChanged:
                    time.sleep(0.01)

        with ThreadPoolExecutor(6) as pool:
            list(pool.map(add, range(6)))
        assert sorted(one.setting("list")) == list(range(6))


def test_the_same_client_id_is_applied_once(any_url: str) -> None:
    with Store(any_url) as store:
        visit_id = opened(store)
        first = store.append(visit_id, finding(), "A", "c1", at=START)
        again = store.append(visit_id, finding(), "B", "c1", at=START + dt.timedelta(hours=1))
        assert again == first
        assert len(store.events(visit_id)) == 3
        with pytest.raises(ClientIdTaken, match="used before for another event"):
            store.append(visit_id, finding("negative"), "A", "c1")
        with pytest.raises(ClientIdTaken):
            store.append(opened(store), finding(), "A", "c1")


def test_what_is_refused_leaves_nothing_behind(any_url: str) -> None:
    with Store(any_url) as store:
        visit_id = opened(store)
        with pytest.raises(EventRefused, match="no problem p9"):
            store.append(visit_id, finding().model_copy(update={"problem_id": "p9"}), "A", "c1")
        with pytest.raises(EventRefused, match="not open yet"):
            store.append("v-unknown", Closed(), "A", "c2")
        with pytest.raises(EventError, match="actor"):
            store.append(visit_id, finding(), "", "c3")
        with pytest.raises(EventError, match="client_id"):
            store.append(visit_id, finding(), "A", "no spaces; here")
        with pytest.raises(StoreError, match="no visit v-unknown"):
            store.events("v-unknown")
        assert len(store.events(visit_id)) == 2
        assert store.count() == 1
        assert store.append(visit_id, finding(), "A", "c1").seq == 3, "a refused client id can be used again"


def test_events_can_not_be_changed_or_deleted(any_url: str) -> None:
    with Store(any_url) as store:
        visit_id = opened(store)
        for statement in ("UPDATE events SET actor = 'X'", "DELETE FROM events"):
            with pytest.raises(DBAPIError, match="append-only"), store.engine.begin() as connection:
                connection.execute(text(statement))
        assert len(store.events(visit_id)) == 2


def test_unicode_and_very_long_text(any_url: str) -> None:
    words = ("膝の痛み 🦵 ضغط e\u0301 \x00 \u2028 ' \" \\ % _ ; --" * 2500)[:100_000]
    with Store(any_url) as store:
        visit_id = opened(store, code="Ω 'quoted' 100%_\\")
        store.append(visit_id, Closed(summary=words), "Ärztin", "c1")
    with Store(any_url) as store:
        assert store.state(visit_id).summary == words
        assert store.events(visit_id)[-1].actor == "Ärztin"
        assert [line.visit_id for line in store.visits("ω 100%_\\")] == [visit_id]
        assert store.visits("100x") == []


def test_a_clock_that_goes_back_does_not_change_the_order(any_url: str) -> None:
    with Store(any_url) as store:
        visit_id = opened(store)
        for number, result in enumerate(("positive", "negative", "unclear")):
            at = START - dt.timedelta(days=number)
            store.append(visit_id, finding(result), "A", f"c{number}", at=at)
        state = store.state(visit_id)
        assert [h.seq for h in state.history] == [1, 2, 3, 4, 5]
        assert state.problems["p1"].results() == {"lachman": "unclear"}
        assert state.notices


def test_times_come_back_in_utc(any_url: str) -> None:
    with Store(any_url) as store:
        visit_id = opened(store)
        local = dt.datetime(2026, 7, 1, 1, 30, 0, 123456, tzinfo=dt.timezone(dt.timedelta(hours=5, minutes=30)))
        store.append(visit_id, finding(), "A", "c1", at=local)
    with Store(any_url) as store:
        assert store.events(visit_id)[-1].at == local
        assert store.events(visit_id)[-1].at.utcoffset() == dt.timedelta(0)


def test_the_list_finds_sorts_and_pages(any_url: str) -> None:
    with Store(any_url) as store:
        for number in range(5):
            visit_id = store.new_visit_id()
            event = VisitOpened(patient_code=f"K-{number}", initials="Ab" if number == 3 else None)
            store.append(visit_id, event, "A", f"o{number}", at=START + dt.timedelta(days=number))
            problem = ProblemAdded(problem_id="p1", region="ankle-foot" if number else "hip", side="right")
            store.append(visit_id, problem, "A", f"p{number}")
        assert [v.patient_code for v in store.visits()] == ["K-4", "K-3", "K-2", "K-1", "K-0"]
        assert [v.patient_code for v in store.visits(limit=2, offset=1)] == ["K-3", "K-2"]
        assert [v.patient_code for v in store.visits("k-3")] == ["K-3"]
        assert [v.patient_code for v in store.visits("RIGHT aB")] == ["K-3"]
        assert [v.patient_code for v in store.visits("hip 2026-03-02")] == ["K-0"]
        assert store.count("ankle foot") == 4
        assert store.visits("%") == [] and store.visits("\x00 \ud800 %_") == []
        assert [v.patient_code for v in store.visits(patient_code="K-1")] == ["K-1"]
        store.append(store.visits("k-2")[0].visit_id, Closed(), "A", "done")
        assert [v.patient_code for v in store.visits(closed=True)] == ["K-2"]
        assert store.count(closed=False) == 4


def test_who_is_due_to_be_looked_at_again(any_url: str) -> None:
    with Store(any_url) as store:
        care = Decided(problem_id="p1", action="start-care", review_on=dt.date(2026, 3, 16))
        for code in ("stays away", "came back"):
            visit_id = opened(store, code=code)
            store.append(visit_id, care, "A", f"{visit_id}-d")
        later = store.new_visit_id()
        store.append(later, VisitOpened(patient_code="came back"), "A", "later", at=START + dt.timedelta(days=10))
        assert [v.patient_code for v in store.due(dt.date(2026, 3, 16))] == ["stays away"]
        assert store.due(dt.date(2026, 3, 15)) == []


def test_the_read_model_equals_replay_and_can_be_rebuilt(any_url: str) -> None:
    with Store(any_url) as store:
        ids = [opened(store, code=f"K-{n}") for n in range(4)]
        store.append(ids[0], Corrected(of=2), "A", "c1")
        store.append(ids[1], Decided(problem_id="p1", action="set-aside"), "A", "c2")
        store.append(ids[2], Closed(), "A", "c3")
        written = store.visits()
        assert {v.visit_id: v for v in written} == {i: line_of(store.state(i)) for i in ids}
        with store.engine.begin() as connection:
            connection.execute(text("DELETE FROM visit_lines"))
            connection.execute(text("SELECT 1"))
        assert store.visits() == []
        assert store.rebuild() == 4
        assert store.visits() == written
        with store.engine.begin() as connection:
            connection.execute(text("DELETE FROM visit_lines"))
    with Store(any_url) as store:
        assert store.visits() == written, "opening fills what is missing"


def test_two_tabs_record_at_once(any_url: str) -> None:
    with Store(any_url, busy_seconds=30) as one, Store(any_url, busy_seconds=30) as two:
        visit_id = opened(one)
        gate = threading.Barrier(8)

        def tab(number: int) -> list[int]:
            store = (one, two)[number % 2]
            gate.wait()
            return [store.append(visit_id, finding(), f"tab {number}", f"t{number}-{i}").seq for i in range(15)]

        with ThreadPoolExecutor(8) as pool:
            numbers = [seq for seqs in pool.map(tab, range(8)) for seq in seqs]
        assert sorted(numbers) == list(range(3, 123))
        for store in (one, two):
            assert [e.seq for e in store.events(visit_id)] == list(range(1, 123))
            assert store.visits()[0].seq == 122


def test_one_recording_sent_by_two_tabs_at_once_is_stored_once(any_url: str) -> None:
    with Store(any_url, busy_seconds=30) as one, Store(any_url, busy_seconds=30) as two:
        visit_id = opened(one)
        for i in range(20):
            gate = threading.Barrier(2)

            def tab(store: Store, gate: threading.Barrier = gate, i: int = i) -> int:
                gate.wait()
                return store.append(visit_id, finding(), "A", f"same-{i}").seq

            with ThreadPoolExecutor(2) as pool:
                assert len(set(pool.map(tab, (one, two)))) == 1
        assert len(one.events(visit_id)) == 22


def _process(url: str, visit_id: str, name: str) -> None:
    with Store(url, busy_seconds=30) as store:
        for i in range(25):
            store.append(visit_id, finding(), name, f"{name}-{i}")


def test_two_programs_record_at_once(any_url: str) -> None:
    with Store(any_url) as store:
        visit_id = opened(store)
        context = multiprocessing.get_context("spawn")
        running = [context.Process(target=_process, args=(any_url, visit_id, f"P{n}")) for n in range(2)]
        for process in running:
            process.start()
        for process in running:
            process.join(60)
            assert process.exitcode == 0
        events = store.events(visit_id)
        assert [e.seq for e in events] == list(range(1, 53))
        assert {e.actor for e in events} == {"A", "P0", "P1"}


def test_many_open_a_new_store_at_once(any_url: str) -> None:
    with ThreadPoolExecutor(6) as pool:
        stores = list(pool.map(lambda _: Store(any_url, busy_seconds=30), range(6)))
    visit_id = opened(stores[0])
    for store in stores:
        assert len(store.events(visit_id)) == 2
        store.close()


@pytest.mark.parametrize("earlier", revisions()[:-1])
def test_upgrade_from_every_earlier_revision_with_data(any_url: str, earlier: str, raw_engine: Callable) -> None:  # type: ignore[type-arg]
    engine = raw_engine(any_url)
    migrate(engine, earlier)
    assert revision(engine) == earlier
    payloads = [
        VisitOpened(patient_code="ålder").model_dump_json(exclude_none=True),
        ProblemAdded(problem_id="p1", region="knee", side="left").model_dump_json(exclude_none=True),
    ]
    with engine.begin() as connection:
        connection.execute(text("INSERT INTO visits VALUES ('v1', '2026-03-02 09:00:00')"))
        for seq, payload in enumerate(payloads, start=1):
            connection.execute(
                text(
                    "INSERT INTO events (visit_id, seq, at, actor, client_id, type, payload) "
                    "VALUES ('v1', :seq, '2026-03-02 09:00:00', 'A', :client, 'x', :payload)"
                ),
                {"seq": seq, "client": f"c{seq}", "payload": payload},
            )
        connection.execute(text("INSERT INTO settings VALUES ('k', '[1]')"))
    engine.dispose()
    with Store(any_url) as store:
        assert revision(store.engine) == revisions()[-1]
        assert [e.seq for e in store.events("v1")] == [1, 2]
        assert store.visits("ålder knee")[0].visit_id == "v1"
        assert store.setting("k") == [1]
        assert store.append("v1", finding(), "A", "c9").seq == 3


def test_the_migrations_make_the_tables_that_the_code_uses(any_url: str) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    from endfeel.storage.tables import metadata

    with Store(any_url) as store, store.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []


def test_a_store_of_a_newer_endfeel_is_left_alone(any_url: str) -> None:
    with Store(any_url) as store, store.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(StoreError, match="a newer Endfeel wrote this store") as caught:
        Store(any_url)
    assert caught.value.kind == "newer"


def test_fifty_thousand_visits_list_quickly(tmp_path: Path) -> None:
    with Store(tmp_path / "big.sqlite") as store:
        line = _one_line(store)
        with store.engine.begin() as connection:
            moments = [START + dt.timedelta(seconds=n) for n in range(50_000)]
            rows = [
                {"id": f"w{n}", "at": f"{at:%Y-%m-%d %H:%M:%S}.000000", "text": f"q-{n} knee left", "line": line}
                for n, at in enumerate(moments)
            ]
            connection.execute(text("INSERT INTO visits VALUES (:id, :at)"), rows)
            connection.execute(
                text(
                    "INSERT INTO visit_lines (visit_id, seq, patient_code, opened_at, closed, search, line) "
                    "VALUES (:id, 1, :id, :at, 0, :text, :line)"
                ),
                rows,
            )
        taken = []
        for search in ("", "q-49999", "knee left", "nothing like it"):
            begun = time.perf_counter()
            store.visits(search)
            store.count(search)
            taken.append(time.perf_counter() - begun)
        assert max(taken) < 0.2, taken


def _one_line(store: Store) -> str:
    opened(store)
    with store.engine.connect() as connection:
        return str(connection.execute(text("SELECT line FROM visit_lines")).scalar())


def test_pragmas_are_as_safe_as_said(tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as store, store.engine.connect() as connection:
        pragmas = ("journal_mode", "synchronous", "foreign_keys")
        said = [connection.exec_driver_sql(f"PRAGMA {p}").scalar() for p in pragmas]
        assert said == ["wal", 2, 1]
    assert (tmp_path / "s.sqlite").stat().st_mode & 0o077 == 0
    with sqlite3.connect(tmp_path / "s.sqlite") as raw:
        assert raw.execute("PRAGMA journal_mode").fetchone() == ("wal",)
