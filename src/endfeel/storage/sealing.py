"""A store encrypted at rest: every page of the SQLite file by SQLCipher (AES-256, each page authenticated).

Public: use_passphrase, passphrase_known, check_passphrase, is_sealed, begins_oddly, open_file, driver_for, set_key,
new_key, key_of, same_key_as, seal, unseal.

The key is argon2id of a passphrase with the salt in the file's first 16 bytes, worked out once for a file. The
passphrase is the first line of the file that ENDFEEL_PASSPHRASE_FILE names, or was typed (`use_passphrase`); it is
written nowhere. Needs `endfeel[sealed]`. A PostgreSQL store is encrypted by its own server or disk.
"""

from __future__ import annotations

import os
import secrets
import sqlite3
from functools import lru_cache
from pathlib import Path
from typing import Any

from argon2.low_level import Type, hash_secret_raw

from endfeel.storage.faults import StoreError

VARIABLE = "ENDFEEL_PASSPHRASE_FILE"
SHORTEST = 16
_PLAIN = b"SQLite format 3\x00"
_SALT = 16  # bytes
_typed: list[str] = []


def use_passphrase(passphrase: str) -> None:
    """Use a passphrase that was typed, for as long as this program runs."""
    _typed[:] = [passphrase]


def passphrase_known() -> bool:
    """Whether a passphrase was typed or a file names one."""
    return bool(_typed) or bool(os.environ.get(VARIABLE))


def is_sealed(file: Path | str | None) -> bool:
    """Whether a file is to be opened as an encrypted one: it is no plain SQLite file, and there is a passphrase."""
    # What is damaged begins oddly too; then no passphrase fits, and the message says both.
    return passphrase_known() and begins_oddly(file)


def begins_oddly(file: Path | str | None) -> bool:
    """Whether a file holds something and is no plain SQLite file."""
    if file is None:
        return False
    try:
        with Path(file).open("rb") as opened:
            start = opened.read(_SALT)
    except OSError:
        return False
    return len(start) == _SALT and start != _PLAIN


def check_passphrase() -> None:
    """Whether the passphrase in use is long enough for a new encryption. Raises StoreError."""
    if len(_passphrase()) < SHORTEST:
        raise StoreError("sealed", f"the passphrase needs at least {SHORTEST} characters; five or six words do well")


def driver_for(file: Path | str | None) -> Any:
    """The database module for a file: Python's own, or SQLCipher's for a sealed one."""
    return _sqlcipher() if is_sealed(file) else sqlite3


def key_of(file: Path | str) -> str:
    """The key of a sealed file in SQLCipher's raw form (hexadecimal key and salt)."""
    with Path(file).open("rb") as opened:
        return _key(_passphrase(), opened.read(_SALT))


def new_key() -> str:
    """A key for a file yet to be made, with a salt of its own."""
    return _key(_passphrase(), secrets.token_bytes(_SALT))


def set_key(raw: Any, key: str, where: str) -> None:
    """Give a new connection its key and see whether it fits. Raises StoreError."""
    raw.execute("PRAGMA cipher_log_level = NONE")  # what it has to say is said below, in one line
    raw.execute(f"PRAGMA key = \"x'{key}'\"")
    try:
        raw.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except _sqlcipher().DatabaseError as error:
        if "not a database" not in str(error):
            raise
        raise StoreError(
            "sealed",
            f"{where}: this is not its passphrase, or the file is damaged; try again, or restore a backup",
        ) from None


def open_file(file: Path | str, *, timeout: float = 5.0, key: str | None = None) -> Any:
    """A plain connection to a store's file, sealed or not. key: for a file yet to be made that is to be sealed."""
    if key is None and not is_sealed(file):
        return sqlite3.connect(file, timeout=timeout)
    raw = _sqlcipher().connect(str(file), timeout=timeout)
    try:
        set_key(raw, key or key_of(file), str(file))
    except BaseException:
        raw.close()
        raise
    return raw


def same_key_as(file: Path | str | None) -> str | None:
    """The key for a copy of a store's file; None where the store is not sealed."""
    return key_of(file) if file is not None and is_sealed(file) else None


def seal(plain: Path, sealed: Path) -> None:
    """Write a plain store's content into a new sealed file."""
    _export(plain, None, sealed, new_key())


def unseal(sealed: Path, plain: Path) -> None:
    """Write a sealed store's content into a new plain file."""
    _export(sealed, key_of(sealed), plain, None)


def _export(source: Path, key: str | None, target: Path, target_key: str | None) -> None:
    os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    raw = _sqlcipher().connect(str(source))
    try:
        if key is not None:
            set_key(raw, key, str(source))
        raw.execute("ATTACH DATABASE ? AS other KEY ?", (str(target), f"x'{target_key}'" if target_key else ""))
        raw.execute("SELECT sqlcipher_export('other')").fetchall()
        raw.execute("DETACH DATABASE other")
    finally:
        raw.close()


def _passphrase() -> str:
    if _typed:
        return _typed[0]
    named = os.environ.get(VARIABLE)
    if not named:
        raise StoreError("sealed", f"the store is encrypted; name the file with its passphrase in {VARIABLE}")
    return _read(named)


@lru_cache(maxsize=4)
def _read(file: str) -> str:
    try:
        lines = Path(file).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise StoreError("sealed", f"{VARIABLE}: {file} can not be read ({error})") from None
    if not lines or not lines[0].strip():
        raise StoreError("sealed", f"{VARIABLE}: the first line of {file} is empty; it should be the passphrase")
    return lines[0].strip()


@lru_cache(maxsize=64)
def _key(passphrase: str, salt: bytes) -> str:
    # Three passes over 64 MB: RFC 9106's second choice.
    made = hash_secret_raw(passphrase.encode(), salt, 3, 65536, 4, 32, Type.ID)
    return made.hex() + salt.hex()


def _sqlcipher() -> Any:
    try:
        import sqlcipher3.dbapi2 as module
    except ImportError:
        raise StoreError("sealed", "an encrypted store needs SQLCipher: install endfeel[sealed]") from None
    return module
