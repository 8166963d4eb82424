"""Backups: one SQLite file, taken while others write, believed only once it was restored and compared.

A backup of a PostgreSQL store is a SQLite file too, so that it can be opened anywhere.
"""

from __future__ import annotations

import datetime as dt
import os
import shutil
import sqlite3
import tempfile
from dataclasses import dataclass
from pathlib import Path

from endfeel.storage.connect import FILE_NAME, shown, store_url
from endfeel.storage.copying import Contents, contents, copy_rows, snapshot
from endfeel.storage.faults import StoreError, explained
from endfeel.storage.store import Store


@dataclass(frozen=True)
class Backup:
    """A backup that was verified by restoring it."""

    path: Path
    contents: Contents


def backup(store: Store, path: Path) -> Backup:
    """Write everything to one new file; a folder means a file named by date in it. Others may go on writing.

    The file is restored to a folder of its own and compared before it gets its name. StoreError where it exists, can't
    be written or does not compare.
    """
    if path.is_dir():
        path = path / f"endfeel-{_stamp()}.sqlite"
    if path.exists():
        raise StoreError("other", f"{path}: there is a file of this name already; choose another")
    with explained(str(path)):
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".endfeel-backup-", dir=path.parent) as folder:
            draft = Path(folder) / "draft.sqlite"
            before = _write(store, draft)
            restored = restore(draft, Path(folder) / "restored")
            if restored != before:
                raise StoreError("other", f"{path}: the backup differs from the store; it was not kept")
            _sync(draft)
            os.replace(draft, path)
            _sync(path.parent)
    return Backup(path, before)


def restore(path: Path, destination: Path | str, *, replace: bool = False) -> Contents:
    """Put a backup into a data folder (or an empty store by URL), check it fully and say what it holds.

    replace: where the folder has a store with visits, set its file aside under another name first; else it is refused.
    No other program may have that store open.
    """
    if not path.is_file():
        raise StoreError("unreachable", f"{path}: there is no backup of this name")
    with tempfile.TemporaryDirectory(prefix="endfeel-restore-") as folder:
        copy = Path(folder) / FILE_NAME
        with explained(str(path)):
            shutil.copyfile(path, copy)
            copy.chmod(0o600)
        with Store(copy, check="full") as store, snapshot(store) as connection:
            held = contents(connection)
        target = store_url(destination)
        if target.get_backend_name() == "sqlite":
            _put(copy, Path(target.database or ""), replace)
        else:
            _copy_into(copy, str(destination))
        with Store(destination, check="full") as store, snapshot(store) as connection:
            if contents(connection) != held:
                raise StoreError("corrupt", f"{shown(target)}: what was restored differs from the backup")
    return held


def _write(store: Store, draft: Path) -> Contents:
    with explained(store.where), snapshot(store) as connection:
        held = contents(connection)
        if store.engine.dialect.name == "sqlite":
            os.close(os.open(draft, os.O_CREAT | os.O_WRONLY, 0o600))
            target = sqlite3.connect(draft)
            try:
                raw = connection.connection.driver_connection
                assert isinstance(raw, sqlite3.Connection)
                raw.backup(target)
                target.execute("DELETE FROM sessions")
                target.commit()
                target.execute("PRAGMA journal_mode=DELETE")  # one file, without a journal beside it
            finally:
                target.close()
        else:
            with Store(draft) as new:
                copy_rows(connection, new)
            _alone(draft)
    return held


def _put(copy: Path, file: Path, replace: bool) -> None:
    with explained(str(file)):
        file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        if file.exists() and file.stat().st_size:
            _make_room(file, replace)
        _alone(copy)
        part = file.with_name(f".{file.name}.restoring")
        try:
            shutil.copyfile(copy, part)
            part.chmod(0o600)
            _sync(part)
            os.replace(part, file)
        finally:
            part.unlink(missing_ok=True)
        _sync(file.parent)


def _make_room(file: Path, replace: bool) -> None:
    if not replace:
        try:
            with Store(file, check="none") as store:
                count = store.count()
        except StoreError as error:
            raise StoreError(error.kind, f"{error} (or ask to replace it)") from error
        if count:
            raise StoreError("other", f"{file}: this store holds {count} visits; ask to replace it: it is set aside")
    aside = file.with_name(f"{file.stem}-before-restore-{_stamp()}{file.suffix}")
    try:
        _alone(file)
    except StoreError as error:
        if error.kind == "locked":
            raise StoreError("locked", f"{file}: another program has this store open; stop it, then restore") from error
    for end in ("", "-wal", "-shm"):
        part = file.with_name(file.name + end)
        if part.exists():
            os.replace(part, aside.with_name(aside.name + end))


def _alone(file: Path) -> None:
    """Fold the journal into the file. Fails with "locked" while another program has the store open."""
    with explained(str(file)):
        raw = sqlite3.connect(file, timeout=1)
        try:
            raw.execute("PRAGMA journal_mode=DELETE").fetchone()
        finally:
            raw.close()


def _copy_into(copy: Path, url: str) -> None:
    with Store(copy, check="none") as source, Store(url) as target:
        if held := target.count():
            raise StoreError("other", f"{target.where}: this store holds {held} visits; restore into an empty one")
        with explained(target.where), snapshot(source) as connection:
            copy_rows(connection, target)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _stamp() -> str:
    return f"{dt.datetime.now(dt.UTC):%Y%m%d-%H%M%S}"
