"""The audit trail: who read or wrote what, when, and from where. Entries are added and never changed.

Public: Entry, AuditTrail, WHAT, audit_lines (CSV).

A request only puts its entry into memory; a thread writes what has gathered a few times a second, without waiting for
the disk, so that a recording is not held up. A power cut may lose the last moment of the trail, never of the record.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import itertools
import secrets
import threading
import time
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

from sqlalchemy import Connection, Select, event, func, insert, select

from endfeel.storage import tables as t
from endfeel.storage.connect import WRITE, make_engine, store_url
from endfeel.storage.faults import StoreError, explained

EVERY = 0.25  # seconds between two writings
LONGEST = 20_000  # entries kept in memory while the store can't be written
MOST = 1000  # entries of one reading
WHAT = ("read", "write", "sign-in", "sign-out", "refused", "export", "account", "device", "lost")
COLUMNS = ("at", "who", "role", "what", "page", "visit_id", "status", "source", "device")


@dataclass(frozen=True)
class Entry:
    """One line of the trail.

    at: when (aware). who: the account, or the name set on the device where there are no accounts. role: the account's
    role then, or empty. what: one of WHAT. page: the address without its query. visit_id: the visit it was about.
    status: the HTTP status answered, 0 for the command line. source: network address. device: name of a paired device.
    """

    at: dt.datetime
    who: str
    role: str
    what: str
    page: str
    visit_id: str | None
    status: int
    source: str
    device: str


class AuditTrail:
    """The trail of one store. Safe to use from several threads; several programs may write to one store's trail."""

    def __init__(self, url: str, *, busy_seconds: float = 5.0, every: float = EVERY) -> None:
        """url: of a store that is open (its tables are there). every: seconds between two writings."""
        self.where = url.split("@")[-1]
        self.every = every
        self.trouble: str | None = None
        self._engine = make_engine(store_url(url), busy_seconds)
        if self._engine.dialect.name == "sqlite":
            event.listen(self._engine, "connect", _without_waiting_for_the_disk)
        self._waiting: deque[tuple[str, Entry]] = deque()
        self._lost = 0
        self._number = itertools.count()
        self._writing = threading.Lock()
        self._wake = threading.Event()
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._work, name="audit trail", daemon=True)
        self._thread.start()

    def note(self, entry: Entry) -> None:
        """Add one entry; returns at once. Text that is too long is cut, signs that can't be shown are left out."""
        self._waiting.append((self._id(), _clean(entry)))
        if len(self._waiting) > LONGEST:
            self._waiting.popleft()
            self._lost += 1
        self._wake.set()

    def flush(self) -> None:
        """Write what waits now. Raises StoreError, and keeps what waits, where the store can't be written."""
        with self._writing:
            while self._waiting:
                batch = list(itertools.islice(self._waiting, 500))
                rows = [{"entry_id": key, **asdict(entry)} for key, entry in batch]
                if self._lost:
                    rows.append({"entry_id": self._id(), **asdict(_loss(self._lost, batch[-1][1].at))})
                with explained(self.where), self._connection(write=True) as connection, connection.begin():
                    if connection.dialect.name == "postgresql":
                        connection.exec_driver_sql("SET LOCAL synchronous_commit = off")
                    connection.execute(insert(t.audit), rows)
                self._lost = 0
                done = {key for key, _ in batch}
                while self._waiting and self._waiting[0][0] in done:
                    self._waiting.popleft()
            self.trouble = None

    def entries(
        self,
        *,
        who: str = "",
        visit_id: str = "",
        what: str = "",
        since: dt.datetime | None = None,
        until: dt.datetime | None = None,
        limit: int = 100,
        offset: int = 0,
    ) -> list[Entry]:
        """Entries, the newest first. who, visit_id, what: exactly so, empty for all. since, until: [since, until)."""
        query = _wanted(select(t.audit), who, visit_id, what, since, until).order_by(t.audit.c.entry_id.desc())
        query = query.limit(max(1, min(limit, MOST))).offset(max(0, min(offset, 2**31 - 1)))
        with explained(self.where), self._connection() as connection:
            return [_entry(row) for row in connection.execute(query)]

    def count(
        self,
        *,
        who: str = "",
        visit_id: str = "",
        what: str = "",
        since: dt.datetime | None = None,
        until: dt.datetime | None = None,
    ) -> int:
        """How many entries `entries` would list without limit."""
        query = _wanted(select(func.count()).select_from(t.audit), who, visit_id, what, since, until)
        with explained(self.where), self._connection() as connection:
            return int(connection.execute(query).scalar_one())

    def everything(
        self,
        *,
        who: str = "",
        visit_id: str = "",
        what: str = "",
        since: dt.datetime | None = None,
        until: dt.datetime | None = None,
    ) -> Iterator[Entry]:
        """All entries, the oldest first, read a thousand at a time."""
        last = ""
        while True:
            query = _wanted(select(t.audit), who, visit_id, what, since, until).where(t.audit.c.entry_id > last)
            with explained(self.where), self._connection() as connection:
                rows = connection.execute(query.order_by(t.audit.c.entry_id).limit(MOST)).all()
            if not rows:
                return
            yield from (_entry(row) for row in rows)
            last = rows[-1].entry_id

    def close(self) -> None:
        """Write what waits and let go of the database."""
        self._closed.set()
        self._wake.set()
        self._thread.join(timeout=10)
        try:
            self.flush()
        except StoreError as error:
            self.trouble = str(error)
        self._engine.dispose()

    def _work(self) -> None:
        while not self._closed.is_set():
            self._wake.wait()
            self._wake.clear()
            self._closed.wait(self.every)
            try:
                self.flush()
            except StoreError as error:
                self.trouble = str(error)
                self._closed.wait(1.0)
                self._wake.set()

    def _id(self) -> str:
        return f"{time.time_ns():020d}-{next(self._number) % 10**6:06d}-{secrets.token_hex(4)}"

    def _connection(self, write: bool = False) -> Connection:
        connection = self._engine.connect()
        return connection.execution_options(**{WRITE: True}) if write else connection


def audit_lines(entries: Iterable[Entry]) -> Iterator[str]:
    """The entries as lines of CSV after a line of names; what a spreadsheet would take for a formula is quoted."""
    yield _line(COLUMNS)
    for entry in entries:
        values = asdict(entry) | {"at": entry.at.isoformat(), "visit_id": entry.visit_id or ""}
        yield _line([_harmless(values[name]) for name in COLUMNS])


def _harmless(value: Any) -> Any:
    return "'" + value if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t") else value


def _line(values: Iterable[Any]) -> str:
    out = io.StringIO()
    csv.writer(out).writerow(values)
    return out.getvalue()


def _loss(number: int, at: dt.datetime) -> Entry:
    return Entry(at, "endfeel", "", "lost", f"{number} entries could not be kept", None, 0, "", "")


def _clean(entry: Entry) -> Entry:
    def fit(text: str, most: int) -> str:
        return "".join(ch if ch.isprintable() and not 0xD800 <= ord(ch) <= 0xDFFF else "?" for ch in text[:most])

    return replace(
        entry,
        who=fit(entry.who, 200),
        role=fit(entry.role, 20),
        what=fit(entry.what, 20),
        page=fit(entry.page, 300),
        visit_id=None if entry.visit_id is None else fit(entry.visit_id, 120),
        source=fit(entry.source, 100),
        device=fit(entry.device, 60),
    )


def _entry(row: Any) -> Entry:
    return Entry(*(getattr(row, name) for name in COLUMNS))


def _wanted(
    query: Select[Any], who: str, visit_id: str, what: str, since: dt.datetime | None, until: dt.datetime | None
) -> Select[Any]:
    for column, value in ((t.audit.c.who, who), (t.audit.c.visit_id, visit_id), (t.audit.c.what, what)):
        if value:
            query = query.where(column == value.encode("utf-8", "ignore").decode().replace("\x00", ""))
    if since is not None:
        query = query.where(t.audit.c.at >= since)
    if until is not None:
        query = query.where(t.audit.c.at < until)
    return query


def _without_waiting_for_the_disk(raw: Any, _: Any) -> None:
    # Only for the trail's own connections: the store's wait for the disk, and then carry these entries along.
    raw.execute("PRAGMA synchronous=NORMAL")
