"""Rows from one store to another, and the digest by which a copy is known to be whole."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Select, String, Table, func, insert, select

from endfeel.storage import tables as t
from endfeel.storage.connect import WRITE
from endfeel.storage.store import Store

BATCH = 2000
# Sessions are left behind: nobody is signed in to a copy.
_COPIED: tuple[Table, ...] = (
    t.visits, t.events, t.settings, t.audit, t.accounts, t.devices, t.basis_parts, t.bases, t.visit_bases,
)  # fmt: skip


@dataclass(frozen=True)
class Contents:
    """What a store holds. digest: SHA-256 over every row of the copied tables in a fixed order."""

    visits: int
    events: int
    digest: str


@contextmanager
def snapshot(store: Store) -> Iterator[Connection]:
    """A connection that sees the store as it is now, whatever others write meanwhile."""
    options: dict[str, Any] = {}
    if store.engine.dialect.name == "postgresql":
        options["isolation_level"] = "REPEATABLE READ"
    with store.engine.connect().execution_options(**options) as connection, connection.begin():
        connection.execute(select(func.count()).select_from(t.visits))  # fixes the moment
        yield connection


def contents(connection: Connection) -> Contents:
    """Count and digest everything that is not derived."""
    digest = hashlib.sha256()
    counts = {}
    for table in _COPIED:
        counts[table.name] = 0
        for row in _ordered(connection, table):
            counts[table.name] += 1
            digest.update(repr(tuple(_told(value) for value in row)).encode())
    return Contents(counts["visits"], counts["events"], digest.hexdigest())


def copy_rows(source: Connection, target: Store) -> None:
    """Copy everything that is not derived into an empty store, and make its read model."""
    with target.engine.connect().execution_options(**{WRITE: True}) as connection, connection.begin():
        for table in _COPIED:
            batch: list[dict[str, Any]] = []
            for row in _ordered(source, table):
                batch.append(dict(row._mapping))
                if len(batch) == BATCH:
                    connection.execute(insert(table), batch)
                    batch = []
            if batch:
                connection.execute(insert(table), batch)
    target.rebuild()


def _told(value: Any) -> str:
    return hashlib.sha256(value).hexdigest() if isinstance(value, bytes) else str(value)


def _ordered(connection: Connection, table: Table) -> Iterator[Any]:
    # By bytes in both databases, so that a copy in the other kind has the same digest.
    bytewise = "C" if connection.dialect.name == "postgresql" else "BINARY"
    order = [c.collate(bytewise) if isinstance(c.type, String) else c for c in table.primary_key.columns]
    query: Select[Any] = select(table).order_by(*order)
    yield from connection.execute(query, execution_options={"yield_per": BATCH})
