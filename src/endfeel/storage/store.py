"""The store: appends events, reads them back, lists visits.

An append returns only after the database has committed it to disk. Sending the same client id again changes nothing and
returns what was stored the first time. The list of visits is a read model, written in the same transaction as the event
and equal to replay at any time.
"""

from __future__ import annotations

import datetime as dt
import json
import random
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

from pydantic import TypeAdapter, ValidationError
from sqlalchemy import ColumnElement, Connection, Select, delete, exists, func, insert, select, update
from sqlalchemy.exc import DBAPIError, IntegrityError

from endfeel.storage import tables as t
from endfeel.storage.connect import WRITE, check_file, make_engine, make_file, migrate, shown, store_url, write_ahead
from endfeel.storage.faults import ClientIdTaken, SettingChanged, StoreError, explained, store_error
from endfeel.visits.admission import admit
from endfeel.visits.events import Event, EventError, StoredEvent, event_json, parse_event
from endfeel.visits.line import VisitLine, line_of
from endfeel.visits.state import VisitState, replay

TRIES = 40  # appends to one visit that may meet before one gives up
CACHED_VISITS = 256
MOST_LINES = 1000


class Store:
    """Visits in one SQLite file or one PostgreSQL database. Safe to use from several threads and programs at once."""

    def __init__(
        self,
        url: str | Path,
        *,
        busy_seconds: float = 5.0,
        check: Literal["quick", "full", "none"] = "quick",
    ) -> None:
        """Open a store, making it where there is none, and bring it up to date.

        url: a path, sqlite:///PATH or postgresql://… . busy_seconds: how long to wait for another writer.
        check: how thoroughly SQLite checks its own pages first. Raises StoreError with one line.
        """
        self.url = store_url(url)
        self.where = shown(self.url)
        self._cache: OrderedDict[str, tuple[StoredEvent, ...]] = OrderedDict()
        self._cache_lock = threading.Lock()
        self.engine = make_engine(self.url, busy_seconds)
        try:
            with explained(self.where):
                make_file(self.url)
                if check != "none":
                    check_file(self.engine, check)
                write_ahead(self.engine)
                migrate(self.engine)
                self._check_writable()
            self._catch_up()
        except BaseException:
            self.engine.dispose()
            raise

    def append(
        self,
        visit_id: str,
        event: Event,
        actor: str,
        client_id: str,
        at: dt.datetime | None = None,
        *,
        basis: str | None = None,
    ) -> StoredEvent:
        """Store one event and return it with its number, once it is on disk.

        at: when it happened (aware; default now). basis: with the opening of a visit, the id of what it stands on
        (basis_archive.py), which must be kept already. Raises EventError for ids or names that are no such,
        EventRefused where the visit can't take the event, ClientIdTaken where the client id was used for another event,
        StoreError.
        """
        wanted = _stored(1, visit_id, event, actor, client_id, at or dt.datetime.now(dt.UTC))
        for attempt in range(TRIES):
            try:
                with explained(self.where), self._writing() as connection:
                    before, stored = self._append(connection, wanted, basis)
            except _Met:
                time.sleep(random.uniform(0, 0.01 * min(attempt + 1, 10)))
                continue
            if stored.seq == len(before) + 1:
                self._remember(visit_id, (*before, stored))
            return stored
        raise StoreError("locked", f"{self.where}: too many recordings at once for visit {visit_id}; send it again")

    def events(self, visit_id: str) -> tuple[StoredEvent, ...]:
        """All events of a visit in order. Raises StoreError (no-such-visit)."""
        with explained(self.where), self.engine.connect() as connection:
            events = self._read(connection, visit_id)
        if not events:
            raise StoreError("no-such-visit", f"there is no visit {visit_id[:120]}")
        self._remember(visit_id, events)
        return events

    def state(self, visit_id: str) -> VisitState:
        """The visit as it stands: replay of its events."""
        return replay(self.events(visit_id))

    def visits(
        self,
        search: str = "",
        limit: int = 50,
        offset: int = 0,
        *,
        patient_code: str | None = None,
        closed: bool | None = None,
    ) -> list[VisitLine]:
        """Visits, the last opened first. search: every word must stand in the code, initials, region, side or day.

        patient_code: only visits of exactly this code. closed: only closed, or only open ones.
        """
        query = (
            select(t.visit_lines.c.line)
            .where(*_wanted(search, patient_code, closed))
            .order_by(t.visit_lines.c.opened_at.desc(), t.visit_lines.c.visit_id)
        )
        return self._lines(query.limit(max(1, min(limit, MOST_LINES))).offset(max(0, min(offset, 2**31 - 1))))

    def line(self, visit_id: str) -> VisitLine | None:
        """A visit's line in the read model; None where it has none."""
        found = self._lines(select(t.visit_lines.c.line).where(t.visit_lines.c.visit_id == visit_id))
        return found[0] if found else None

    def count(self, search: str = "", *, patient_code: str | None = None, closed: bool | None = None) -> int:
        """How many visits `visits` would list without limit."""
        query = select(func.count()).select_from(t.visit_lines).where(*_wanted(search, patient_code, closed))
        with explained(self.where), self.engine.connect() as connection:
            return int(connection.execute(query).scalar_one())

    def due(self, until: dt.date, limit: int = 200) -> list[VisitLine]:
        """Visits to be looked at again on or before a day, whose patient has not been back since; earliest first."""
        line, later = t.visit_lines, t.visit_lines.alias("later")
        back = exists().where(later.c.patient_code == line.c.patient_code, later.c.opened_at > line.c.opened_at)
        query = select(line.c.line).where(line.c.review_on <= until, ~back).order_by(line.c.review_on, line.c.visit_id)
        return self._lines(query.limit(max(1, min(limit, MOST_LINES))))

    def rebuild(self) -> int:
        """Make the read model anew from the events; how many visits it then holds. Safe while others write."""
        with explained(self.where), self.engine.connect() as connection:
            wanted = list(connection.execute(select(t.visits.c.visit_id)).scalars())
        for start in range(0, len(wanted), 200):
            with explained(self.where), self._writing() as connection:
                for visit_id in wanted[start : start + 200]:
                    connection.execute(select(t.visits).where(t.visits.c.visit_id == visit_id).with_for_update())
                    self._write_line(connection, replay(self._read(connection, visit_id)))
        return len(wanted)

    def new_visit_id(self) -> str:
        """An id for a new visit that can't be guessed from others."""
        return f"v{secrets.token_hex(10)}"

    def setting(self, key: str) -> Any:
        """A setting's value as JSON gives it; None where it was never set."""
        with explained(self.where), self.engine.connect() as connection:
            value = connection.execute(select(t.settings.c.value).where(t.settings.c.key == key)).scalar()
        return None if value is None else json.loads(value)

    def set_setting(self, key: str, value: Any) -> None:
        """Set a setting to anything that JSON can hold, whatever it was; ValueError where it can't."""
        text = _setting_text(key, value)
        with explained(self.where), self._writing() as connection:
            connection.execute(delete(t.settings).where(t.settings.c.key == key))
            connection.execute(insert(t.settings).values(key=key, value=text))

    def change_setting(self, key: str, before: Any, value: Any) -> None:
        """Set a setting that still is what one saw; see `change_settings`."""
        self.change_settings({key: (before, value)})

    def change_settings(self, changes: Mapping[str, tuple[Any, Any]]) -> None:
        """Set settings, key to what one saw (None: never set) and what it shall be, all or none.

        Raises SettingChanged, and changes nothing, where another program or thread has set one of them since;
        ValueError where JSON can't hold a value.
        """
        texts = {key: _setting_text(key, value) for key, (_, value) in changes.items()}
        key_column, value_column = t.settings.c.key, t.settings.c.value
        with explained(self.where), self._writing() as connection:
            for key, text in sorted(texts.items()):
                # On PostgreSQL this holds the row until the end; on SQLite the whole store is held already.
                held = connection.execute(select(value_column).where(key_column == key).with_for_update()).scalar()
                if (None if held is None else json.loads(held)) != changes[key][0]:
                    raise SettingChanged(key)
                if held is not None:
                    connection.execute(update(t.settings).where(key_column == key).values(value=text))
                    continue
                try:
                    connection.execute(insert(t.settings).values(key=key, value=text))
                except IntegrityError:
                    raise SettingChanged(key) from None

    def settings(self) -> dict[str, Any]:
        """All settings."""
        with explained(self.where), self.engine.connect() as connection:
            rows = connection.execute(select(t.settings.c.key, t.settings.c.value).order_by(t.settings.c.key))
            return {key: json.loads(value) for key, value in rows}

    def close(self) -> None:
        """Let go of the database. The store can't be used afterwards."""
        self.engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _append(
        self, connection: Connection, wanted: StoredEvent, basis: str | None
    ) -> tuple[tuple[StoredEvent, ...], StoredEvent]:
        earlier = connection.execute(select(t.events).where(t.events.c.client_id == wanted.client_id)).one_or_none()
        visit_id = wanted.visit_id
        if earlier is not None:
            if (earlier.visit_id, parse_event(earlier.payload)) != (visit_id, wanted.event):
                raise ClientIdTaken(f"client id {wanted.client_id} was used before for another event")
            return (), _from_row(earlier, self.where)
        # On PostgreSQL this holds the visit until the end; on SQLite the whole store is held already.
        connection.execute(select(t.visits).where(t.visits.c.visit_id == visit_id).with_for_update())
        before = self._read(connection, visit_id)
        admit(before, wanted.event, wanted.at)
        stored = wanted.model_copy(update={"seq": before[-1].seq + 1 if before else 1})
        state = replay((*before, stored))
        try:
            if not before:
                connection.execute(insert(t.visits).values(visit_id=visit_id, opened_at=stored.at))
            connection.execute(insert(t.events).values(**_row(stored)))
            if basis is not None and not before:
                connection.execute(insert(t.visit_bases).values(visit_id=visit_id, basis_id=basis, how="opened"))
        except IntegrityError as error:
            raise _Met from error
        self._write_line(connection, state)
        return before, stored

    def _read(self, connection: Connection, visit_id: str) -> tuple[StoredEvent, ...]:
        with self._cache_lock:
            known = self._cache.get(visit_id, ())
        query = select(t.events).where(t.events.c.visit_id == visit_id, t.events.c.seq > len(known))
        rows = connection.execute(query.order_by(t.events.c.seq))
        return (*known, *(_from_row(row, self.where) for row in rows))

    def _remember(self, visit_id: str, events: tuple[StoredEvent, ...]) -> None:
        if events and events[-1].seq != len(events):
            return
        with self._cache_lock:
            if len(self._cache.get(visit_id, ())) <= len(events):
                self._cache[visit_id] = events
                self._cache.move_to_end(visit_id)
            while len(self._cache) > CACHED_VISITS:
                self._cache.popitem(last=False)

    def _write_line(self, connection: Connection, state: VisitState) -> None:
        line = line_of(state)
        connection.execute(delete(t.visit_lines).where(t.visit_lines.c.visit_id == line.visit_id))
        connection.execute(
            insert(t.visit_lines).values(
                visit_id=line.visit_id,
                seq=line.seq,
                patient_code=line.patient_code,
                opened_at=line.opened_at,
                closed=line.closed,
                review_on=line.review_on,
                search=_search_text(line),
                line=_LINE.dump_json(line).decode(),
            )
        )

    def _lines(self, query: Select[str]) -> list[VisitLine]:
        with explained(self.where), self.engine.connect() as connection:
            return [_LINE.validate_json(text) for text in connection.execute(query).scalars()]

    def _catch_up(self) -> None:
        # A line is written with its events; only a migration that made or emptied the read model leaves some out.
        visit, line = t.visits, t.visit_lines
        joined = visit.outerjoin(line, line.c.visit_id == visit.c.visit_id)
        without = select(visit.c.visit_id).select_from(joined).where(line.c.visit_id.is_(None))
        with explained(self.where), self.engine.connect() as connection:
            missing = list(connection.execute(without).scalars())
        for start in range(0, len(missing), 200):
            with explained(self.where), self._writing() as connection:
                for visit_id in missing[start : start + 200]:
                    self._write_line(connection, replay(self._read(connection, visit_id)))

    def _check_writable(self) -> None:
        try:
            with self._writing():
                pass
        except DBAPIError as error:
            if store_error(error, self.where).kind == "locked":
                return  # another program is writing now; appends wait for it
            raise

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with self.engine.connect().execution_options(**{WRITE: True}) as connection, connection.begin():
            yield connection


class _Met(Exception):
    """Another writer took the number, or stored the same client id, a moment ago."""


def _setting_text(key: str, value: Any) -> str:
    try:
        return json.dumps(value, allow_nan=False)
    except (TypeError, ValueError) as error:
        raise ValueError(f"setting {key}: {error}") from None


_LINE: TypeAdapter[VisitLine] = TypeAdapter(VisitLine)


def _stored(seq: int, visit_id: str, event: Event, actor: str, client_id: str, at: dt.datetime) -> StoredEvent:
    try:
        return StoredEvent(seq=seq, visit_id=visit_id, at=at, actor=actor, client_id=client_id, event=event)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        raise EventError(f"{'.'.join(str(p) for p in first['loc'])}: {first['msg']}") from None


def _row(stored: StoredEvent) -> dict[str, Any]:
    return {
        "visit_id": stored.visit_id,
        "seq": stored.seq,
        "at": stored.at,
        "actor": stored.actor,
        "client_id": stored.client_id,
        "type": stored.event.type,
        "payload": event_json(stored.event),
    }


def _from_row(row: Any, where: str) -> StoredEvent:
    try:
        event = parse_event(row.payload)
        return _stored(row.seq, row.visit_id, event, row.actor, row.client_id, row.at)
    except EventError as error:
        raise StoreError(
            "corrupt", f"{where}: event {row.seq} of visit {row.visit_id} can't be read ({error}); restore a backup"
        ) from None


def _search_text(line: VisitLine) -> str:
    parts = [line.patient_code, line.initials or "", line.opened_at.date().isoformat()]
    parts += [f"{p.region} {p.region.replace('-', ' ')} {p.side}" for p in line.problems]
    return " ".join(parts).casefold()


def _wanted(search: str, patient_code: str | None, closed: bool | None) -> list[ColumnElement[bool]]:
    clean = search[:200].encode("utf-8", "ignore").decode().replace("\x00", " ")
    wanted: list[ColumnElement[bool]] = [
        t.visit_lines.c.search.contains(word, autoescape=True) for word in clean.casefold().split()[:12]
    ]
    if patient_code is not None:
        wanted.append(t.visit_lines.c.patient_code == patient_code.replace("\x00", ""))
    if closed is not None:
        wanted.append(t.visit_lines.c.closed.is_(closed))
    return wanted
