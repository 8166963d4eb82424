"""How a store is reached: its URL, the engine with the right pragmas, the migrations that run at open."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import ConnectionPoolEntry

from endfeel.storage.faults import SQLITE_ERRORS, StoreError
from endfeel.storage.sealing import driver_for, is_sealed, key_of, set_key

FILE_NAME = "endfeel.sqlite"
WRITE = "endfeel_write"  # execution option of connections that will write
_MIGRATIONS = Path(__file__).parent / "migrations"
_ADVISORY_LOCK = 0x656E6466  # one number for all programs that migrate the same PostgreSQL database


def store_url(where: str | Path) -> URL:
    """The URL of a store: a path (a folder means its endfeel.sqlite), sqlite:///PATH or postgresql://…

    Raises StoreError where it is none of these.
    """
    if isinstance(where, Path) or "://" not in where:
        path = Path(where)
        file = path / FILE_NAME if path.is_dir() or path.suffix == "" else path
        return URL.create("sqlite", database=str(file.absolute()))
    try:
        url = make_url(where)
    except (ArgumentError, ValueError):
        raise StoreError("unreachable", f"{where.split('@')[-1]!r} is no database URL") from None
    if url.get_backend_name() == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if url.get_backend_name() == "sqlite" and url.database and url.database != ":memory:":
        return url.set(drivername="sqlite", database=str(Path(url.database).absolute()))
    raise StoreError("unreachable", f"{shown(url)}: the store is a SQLite file or a PostgreSQL database")


def shown(url: URL) -> str:
    """What to call the store in a message: the file, or the URL without its password."""
    if url.get_backend_name() == "sqlite":
        return url.database or "a store in memory"
    return url.render_as_string(hide_password=True)


def make_engine(url: URL, busy_seconds: float) -> Engine:
    """An engine whose every connection is safe: full sync, foreign keys, waiting no longer than busy_seconds."""
    if url.get_backend_name() == "sqlite":
        sealed = is_sealed(url.database)
        engine = create_engine(
            url,
            module=driver_for(url.database),
            hide_parameters=True,  # what a patient said does not belong in an error message
            connect_args={"timeout": busy_seconds, "check_same_thread": False},
            pool_size=8,
            max_overflow=24,
            pool_timeout=busy_seconds + 5,
        )
        if sealed:
            key = key_of(url.database or "")
            event.listen(engine, "connect", lambda raw, _: set_key(raw, key, shown(url)))
        event.listen(engine, "connect", _sqlite_connected)
        event.listen(engine, "begin", _sqlite_begin)
        return engine
    options = f"-c synchronous_commit=on -c lock_timeout={int(busy_seconds * 1000)}"
    return create_engine(
        url,
        hide_parameters=True,
        connect_args={"options": options, "connect_timeout": max(2, int(busy_seconds))},
        pool_pre_ping=True,
        pool_size=8,
        max_overflow=24,
        pool_timeout=busy_seconds + 5,
    )


def make_file(url: URL) -> None:
    """For SQLite: make the folder and an empty file that only this user may read."""
    if url.get_backend_name() != "sqlite" or url.database is None:
        return
    path = Path(url.database)
    if path.exists():
        return
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    os.close(os.open(path, os.O_CREAT | os.O_WRONLY, 0o600))


def write_ahead(engine: Engine) -> None:
    """For SQLite: journal ahead, so that readers and one writer do not wait for each other."""
    if engine.dialect.name != "sqlite":
        return
    for last in (False,) * 20 + (True,):
        raw = engine.raw_connection()
        try:
            cursor = raw.cursor()
            if cursor.execute("PRAGMA journal_mode=WAL").fetchone()[0] == "wal":
                return
        except SQLITE_ERRORS as error:
            # Two programs that open a new store at once: SQLite does not wait here by itself.
            if last or "locked" not in str(error):
                raise
        finally:
            raw.close()
        time.sleep(0.05)


def check_file(engine: Engine, how: str) -> None:
    """For SQLite: the database's own check of its pages. how: "quick" or "full". Raises StoreError where it fails."""
    if engine.dialect.name != "sqlite":
        return
    pragma = "integrity_check(5)" if how == "full" else "quick_check(1)"
    with engine.connect() as connection:
        said = [row[0] for row in connection.exec_driver_sql(f"PRAGMA {pragma}")]
    if said != ["ok"]:
        where = shown(engine.url)
        raise StoreError(
            "corrupt",
            f"{where}: the store is damaged; do not write to it, keep a copy of the file, and restore the last backup"
            f" ({said[0]})",
        )


def migrate(engine: Engine, to: str = "head") -> bool:
    """Bring the tables up to a revision (for tests; else the newest). True if anything changed.

    Two programs that open a store at once do not disturb each other: the second waits and finds it done.
    """
    scripts = ScriptDirectory.from_config(_config(None))
    wanted = scripts.get_current_head() if to == "head" else to
    with engine.connect() as connection:
        if _revision(connection, scripts) == wanted:
            return False
    with engine.connect().execution_options(**{WRITE: True}) as connection, connection.begin():
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _ADVISORY_LOCK})
        if _revision(connection, scripts) == wanted:
            return False
        command.upgrade(_config(connection), to)
    return True


def revisions() -> tuple[str, ...]:
    """All revisions, oldest first."""
    scripts = ScriptDirectory.from_config(_config(None))
    return tuple(script.revision for script in scripts.walk_revisions())[::-1]


def revision(engine: Engine) -> str | None:
    """The revision that a database is at; None where it is empty."""
    with engine.connect() as connection:
        return _revision(connection, ScriptDirectory.from_config(_config(None)))


def _revision(connection: Connection, scripts: ScriptDirectory) -> str | None:
    tables = set(inspect(connection).get_table_names())
    where = shown(connection.engine.url)
    if "alembic_version" not in tables:
        if "events" in tables or (connection.dialect.name == "sqlite" and tables):
            raise StoreError("other", f"{where}: this is another program's database; give Endfeel one of its own")
        return None
    current = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    if current is not None:
        try:
            scripts.get_revision(str(current))
        except CommandError:
            raise StoreError(
                "newer", f"{where}: a newer Endfeel wrote this store (revision {current}); update Endfeel to open it"
            ) from None
    return None if current is None else str(current)


def _config(connection: Connection | None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    return config


def _sqlite_connected(raw: Any, record: ConnectionPoolEntry) -> None:
    raw.isolation_level = None  # transactions are begun below, not by the driver
    cursor = raw.cursor()
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.close()


def _sqlite_begin(connection: Connection) -> None:
    writing = connection.get_execution_options().get(WRITE)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")
