"""Backups: one SQLite file, taken while others write, believed only once it was restored and compared.

A backup of a PostgreSQL store is a SQLite file too, so that it can be opened anywhere. Here too, because they go the
same way: a store's file turned into an encrypted one, and back.
"""

from __future__ import annotations

import datetime as dt
import os
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from endfeel.storage.connect import FILE_NAME, shown, store_url
from endfeel.storage.copying import Contents, contents, copy_rows, snapshot
from endfeel.storage.faults import StoreError, explained
from endfeel.storage.sealing import is_sealed, open_file, same_key_as, seal, unseal
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


def encrypt(file: Path) -> Contents:
    """Encrypt a store's file with the passphrase in use; what it holds. No other program may have it open.

    The plain file is written over before it is removed; a disk may still hold old blocks of it, and so may backups.
    Raises StoreError, and leaves the store as it was, where anything fails.
    """
    if is_sealed(file):
        raise StoreError("other", f"{file}: this store is encrypted already")
    return _exchange(file, seal)


def decrypt(file: Path) -> Contents:
    """Turn an encrypted store's file back into a plain one; what it holds."""
    if not is_sealed(file):
        raise StoreError("other", f"{file}: this store is not encrypted")
    return _exchange(file, unseal)


def _exchange(file: Path, write: Callable[[Path, Path], None]) -> Contents:
    """Write the store anew by ``write``, compare, and put the new file in the old one's place."""
    if not file.is_file():
        raise StoreError("unreachable", f"{file}: there is no store here")
    with Store(file, check="full") as store, snapshot(store) as connection:
        held = contents(connection)
    _alone(file)
    with tempfile.TemporaryDirectory(prefix=".endfeel-seal-", dir=file.parent) as folder, explained(str(file)):
        draft = Path(folder) / FILE_NAME
        write(file, draft)
        with Store(draft, check="full") as store, snapshot(store) as connection:
            if contents(connection) != held:
                raise StoreError("other", f"{file}: what was written differs from the store, which was left as it was")
        _alone(draft)
        _sync(draft)
        old = Path(folder) / "old.sqlite"
        os.link(file, old)
        os.replace(draft, file)
        _sync(file.parent)
        _overwrite(old)
    return held


def _overwrite(file: Path) -> None:
    with file.open("r+b") as opened:
        left = file.stat().st_size
        while left > 0:
            left -= opened.write(bytes(min(left, 2**20)))
        opened.flush()
        os.fsync(opened.fileno())


def _write(store: Store, draft: Path) -> Contents:
    with explained(store.where), snapshot(store) as connection:
        held = contents(connection)
        if store.engine.dialect.name == "sqlite":
            key = same_key_as(store.url.database)  # the backup of an encrypted store is encrypted as it is
            os.close(os.open(draft, os.O_CREAT | os.O_WRONLY, 0o600))
            target = open_file(draft, key=key)
            try:
                raw: Any = connection.connection.driver_connection
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
        raw = open_file(file, timeout=1)
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
