"""What can go wrong with the store, in one clear line each: what, where, how to mend."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Literal

from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout

Kind = Literal[
    "locked", "read-only", "corrupt", "disk-full", "unreachable", "newer", "no-such-visit", "sealed", "other"
]

SQLITE_ERRORS: tuple[type[Exception], ...] = (sqlite3.Error,)
try:
    import sqlcipher3.dbapi2

    SQLITE_ERRORS = (sqlite3.Error, sqlcipher3.dbapi2.Error)
except ImportError:  # an encrypted store is optional
    pass
_TROUBLE: tuple[type[Exception], ...] = (DBAPIError, PoolTimeout, OSError, *SQLITE_ERRORS)


class StoreError(Exception):
    """The store can't do it. Nothing that was acknowledged is lost, and what failed was not stored."""

    def __init__(self, kind: Kind, line: str) -> None:
        self.kind: Kind = kind
        super().__init__(" ".join(line.split()))


class ClientIdTaken(ValueError):
    """A client id was used before for another event; the message is one line."""


class SettingChanged(ValueError):
    """A setting was set by somebody else since it was read; nothing was changed. The message is one line."""

    def __init__(self, key: str) -> None:
        super().__init__(f"{key} was changed meanwhile, perhaps by another server on the same record; nothing was kept")


@contextmanager
def explained(where: str) -> Iterator[None]:
    """Turn database errors into a StoreError about the store at `where`."""
    try:
        yield
    except _TROUBLE as error:
        raise store_error(error, where) from error


def store_error(error: BaseException, where: str) -> StoreError:
    """The StoreError that a database error means."""
    cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    said = " ".join(str(cause).split()).lower()
    for kind, signs, line in _LINES:
        if any(sign in said for sign in signs):
            return StoreError(kind, f"{where}: {line}")
    if isinstance(error, PoolTimeout):
        return StoreError("locked", f"{where}: {_LINES[0][2]}")
    if isinstance(error, (OperationalError, InterfaceError)) and not isinstance(cause, SQLITE_ERRORS):
        return StoreError("unreachable", f"{where}: the database does not answer; is it running? ({said[:160]})")
    return StoreError("other", f"{where}: {said[:200]}")


_LINES: tuple[tuple[Kind, tuple[str, ...], str], ...] = (
    (
        "locked",
        ("database is locked", "database table is locked", "lock timeout", "lock_not_available"),
        "another program holds the store; close it, or try again in a minute",
    ),
    (
        "read-only",
        ("readonly database", "read-only", "permission denied", "operation not permitted"),
        "the store can't be written; give this user the right to write the file and its folder",
    ),
    (
        "disk-full",
        ("disk is full", "no space left", "disk full", "could not extend file", "quota exceeded"),
        "the disk is full; free some space, then send the recording again",
    ),
    (
        "corrupt",
        ("not a database", "file is encrypted"),
        "the store is damaged, or encrypted: if so, name its passphrase's file in ENDFEEL_PASSPHRASE_FILE; else do "
        "not write to it, keep a copy of the file, and restore the last backup",
    ),
    (
        "corrupt",
        ("malformed", "corrupt", "invalid page"),
        "the store is damaged; do not write to it, keep a copy of the file, and restore the last backup",
    ),
    (
        "unreachable",
        ("unable to open database file", "no such file", "not a directory"),
        "the store can't be opened; does the folder exist, and may this user use it?",
    ),
)
