"""What visits' figures stand on, kept in the record's own store: named contents, each kept once under its digest.

A *basis* is a set of named contents: tables, catalogue, edition, what the clinic changed. Its id is the digest of its
list of names and digests. Two bases that differ in one table share everything else. Nothing is ever changed or deleted.

Public: BasisArchive, BasisError, KeptBasis, Placed, Unplaced, basis_id_of.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import zlib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import Connection, insert, select

from endfeel.storage import tables as t
from endfeel.storage.connect import WRITE
from endfeel.storage.faults import StoreError, explained
from endfeel.storage.store import Store

How = Literal["opened", "adopted", "unknown"]
_AT_ONCE = 500  # rows asked for or written at once


class BasisError(Exception):
    """A basis that is not there, or not as it was kept; the message is one line."""


@dataclass(frozen=True)
class KeptBasis:
    """A basis as kept. edition, software: what it held and who kept it first. names: name -> SHA-256 of the content."""

    basis_id: str
    made_at: dt.datetime
    edition: str
    software: str
    names: Mapping[str, str]


@dataclass(frozen=True)
class Placed:
    """What a visit stands on. how: kept when it was opened, adopted later for a visit of an earlier version, or unknown
    (basis_id is None)."""

    basis_id: str | None
    how: How


@dataclass(frozen=True)
class Unplaced:
    """A visit that has no basis yet: when it was opened, and with which edition."""

    visit_id: str
    opened_at: dt.datetime
    edition: str


def basis_id_of(contents: Mapping[str, bytes]) -> str:
    """The id under which these contents are kept, or would be."""
    return _id_of(_manifest({name: _digest(content) for name, content in contents.items()}))


class BasisArchive:
    """The bases in a store. Safe to use from several threads and programs at once."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def keep(self, contents: Mapping[str, bytes], *, edition: str, software: str, at: dt.datetime) -> str:
        """Keep a basis and return its id; what is there already is not written again. StoreError."""
        digests = {name: _digest(content) for name, content in contents.items()}
        manifest = _manifest(digests)
        basis_id = _id_of(manifest)
        by_digest = {digests[name]: content for name, content in contents.items()}
        for last in (False, True):
            try:
                with self._writing() as connection:
                    if self._entry(connection, basis_id) is None:
                        self._write(connection, basis_id, manifest, by_digest, edition, software, at)
            except StoreError:
                # Another program kept the same a moment ago: what it wrote is seen on the second look.
                if last or self.entry(basis_id) is None:
                    raise
            else:
                break
        return basis_id

    def entry(self, basis_id: str) -> KeptBasis | None:
        """What is known of a basis; None where there is none of this id."""
        with explained(self._store.where), self._store.engine.connect() as connection:
            return self._entry(connection, basis_id)

    def read(self, basis_id: str) -> Mapping[str, bytes]:
        """The contents of a basis, each checked against its digest. BasisError where one is missing or differs."""
        with explained(self._store.where), self._store.engine.connect() as connection:
            entry = self._entry(connection, basis_id)
            if entry is None:
                raise BasisError(f"basis {basis_id[:12]} is not in the store; restore a backup that holds it")
            held = _parts(connection, set(entry.names.values()))
        fault = _fault(entry, held)
        if fault:
            raise BasisError(fault)
        return {name: content for name, digest in entry.names.items() if (content := held[digest]) is not None}

    def of_visit(self, visit_id: str) -> Placed | None:
        """What a visit stands on; None where that was not looked into yet."""
        query = select(t.visit_bases.c.basis_id, t.visit_bases.c.how).where(t.visit_bases.c.visit_id == visit_id)
        with explained(self._store.where), self._store.engine.connect() as connection:
            row = connection.execute(query).one_or_none()
        return None if row is None else Placed(row.basis_id, row.how)

    def unplaced(self) -> tuple[Unplaced, ...]:
        """Visits opened by a version that kept no basis, and not looked into since."""
        first, placed = t.events, t.visit_bases
        query = (
            select(first.c.visit_id, first.c.at, first.c.payload)
            .select_from(first.outerjoin(placed, placed.c.visit_id == first.c.visit_id))
            .where(first.c.seq == 1, placed.c.visit_id.is_(None))
            .order_by(first.c.visit_id)
        )
        with explained(self._store.where), self._store.engine.connect() as connection:
            return tuple(Unplaced(row.visit_id, row.at, _edition(row.payload)) for row in connection.execute(query))

    def adopt(self, visits: Iterable[str], basis_id: str | None) -> None:
        """Write down what earlier visits stand on; None where it can not be told. What stands already stays."""
        how: How = "adopted" if basis_id else "unknown"
        wanted, placed = tuple(visits), t.visit_bases.c.visit_id
        for start in range(0, len(wanted), _AT_ONCE):
            some = wanted[start : start + _AT_ONCE]
            with self._writing() as connection:  # many short ones: nobody's recording waits for all of them
                known = set(connection.execute(select(placed).where(placed.in_(some))).scalars())
                rows = [{"visit_id": v, "basis_id": basis_id, "how": how} for v in some if v not in known]
                if rows:
                    connection.execute(insert(t.visit_bases), rows)

    def bases(self) -> tuple[KeptBasis, ...]:
        """Every basis, the earliest first."""
        query = select(t.bases).order_by(t.bases.c.made_at, t.bases.c.basis_id)
        with explained(self._store.where), self._store.engine.connect() as connection:
            return tuple(_kept(row) for row in connection.execute(query))

    def faults(self) -> tuple[str, ...]:
        """What is missing or not as it was kept, one line a basis that a visit stands on."""
        found = []
        placed = select(t.visit_bases.c.basis_id).where(t.visit_bases.c.basis_id.is_not(None)).distinct()
        with explained(self._store.where), self._store.engine.connect() as connection:
            for basis_id in sorted(connection.execute(placed).scalars()):
                entry = self._entry(connection, basis_id)
                if entry is None:
                    found.append(f"basis {basis_id[:12]} is missing")
                    continue
                fault = _fault(entry, _parts(connection, set(entry.names.values())))
                if fault:
                    found.append(fault)
        return tuple(found)

    def _entry(self, connection: Connection, basis_id: str) -> KeptBasis | None:
        row = connection.execute(select(t.bases).where(t.bases.c.basis_id == basis_id)).one_or_none()
        return None if row is None else _kept(row)

    def _write(
        self,
        connection: Connection,
        basis_id: str,
        manifest: str,
        by_digest: Mapping[str, bytes],
        edition: str,
        software: str,
        at: dt.datetime,
    ) -> None:
        there = _there(connection, by_digest)
        rows = [
            {"digest": digest, "content": zlib.compress(content, 6)}
            for digest, content in by_digest.items()
            if digest not in there
        ]
        if rows:
            connection.execute(insert(t.basis_parts), rows)
        connection.execute(
            insert(t.bases).values(
                basis_id=basis_id, made_at=at, edition=edition[:200], software=software[:200], manifest=manifest
            )
        )

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with (
            explained(self._store.where),
            self._store.engine.connect().execution_options(**{WRITE: True}) as connection,
            connection.begin(),
        ):
            yield connection


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _manifest(digests: Mapping[str, str]) -> str:
    return json.dumps(dict(sorted(digests.items())), separators=(",", ":"))


def _id_of(manifest: str) -> str:
    return _digest(manifest.encode())


def _kept(row: Any) -> KeptBasis:
    return KeptBasis(row.basis_id, row.made_at, row.edition, row.software, _names(row.manifest))


def _names(manifest: str) -> Mapping[str, str]:
    try:
        held = json.loads(manifest)
    except ValueError:
        held = None
    return {str(name): str(digest) for name, digest in held.items()} if isinstance(held, dict) else {}


def _edition(payload: str) -> str:
    try:
        return str(json.loads(payload).get("edition") or "")
    except (ValueError, AttributeError):
        return ""  # the event can not be read: the store says so when the visit is opened


def _there(connection: Connection, digests: Iterable[str]) -> set[str]:
    wanted, found = sorted(digests), set()
    for start in range(0, len(wanted), _AT_ONCE):
        query = select(t.basis_parts.c.digest).where(t.basis_parts.c.digest.in_(wanted[start : start + _AT_ONCE]))
        found |= set(connection.execute(query).scalars())
    return found


def _parts(connection: Connection, digests: Iterable[str]) -> dict[str, bytes | None]:
    """Contents by digest; None where one is damaged; what is missing is not among them."""
    wanted, found = sorted(digests), {}
    for start in range(0, len(wanted), _AT_ONCE):
        query = select(t.basis_parts).where(t.basis_parts.c.digest.in_(wanted[start : start + _AT_ONCE]))
        for digest, packed in connection.execute(query):
            found[digest] = _unpacked(digest, packed)
    return found


def _unpacked(digest: str, packed: bytes) -> bytes | None:
    try:
        content = zlib.decompress(packed)
    except zlib.error:
        return None
    return content if _digest(content) == digest else None


def _fault(entry: KeptBasis, held: Mapping[str, bytes | None]) -> str:
    """What is wrong with a basis, in one line; empty where nothing is."""
    if _id_of(_manifest(entry.names)) != entry.basis_id:
        return f"basis {entry.basis_id[:12]}: its list of contents is damaged; restore a backup"
    for name, digest in entry.names.items():
        if digest not in held:
            return f"basis {entry.basis_id[:12]}: {name} is missing; restore a backup"
        if held[digest] is None:
            return f"basis {entry.basis_id[:12]}: {name} is damaged; restore a backup"
    return ""
