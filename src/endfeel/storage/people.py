"""Accounts, paired devices and who is signed in, as the store keeps them. No passwords and no tokens: only digests.

Public: Account, Device, Session, People, AccountError, ROLES, name_key.

Rules that must hold whoever asks are held here, in the same transaction as the change: the first account is a lead,
the last lead stays one, a retired name is never given again.
"""

from __future__ import annotations

import datetime as dt
import secrets
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Literal, get_args

from sqlalchemy import Connection, delete, func, insert, select, update
from sqlalchemy.exc import IntegrityError

from endfeel.storage import tables as t
from endfeel.storage.connect import WRITE
from endfeel.storage.faults import explained
from endfeel.storage.store import Store

Role = Literal["clinician", "lead", "student", "reader"]
ROLES: tuple[Role, ...] = get_args(Role)


class AccountError(ValueError):
    """An account or a device can't be made or changed so; the message is one line."""


@dataclass(frozen=True)
class Account:
    """Somebody who may sign in; retired_at is set once they may no more."""

    name: str
    role: Role
    made_at: dt.datetime
    made_by: str
    retired_at: dt.datetime | None


@dataclass(frozen=True)
class Device:
    """A tablet or computer that was paired; revoked_at is set once it may no more."""

    device_id: str
    name: str
    paired_at: dt.datetime
    paired_by: str
    revoked_at: dt.datetime | None


@dataclass(frozen=True)
class Session:
    """A live account signed in. ends_at: at the latest. device_id: the paired device it belongs to, if any."""

    account: Account
    device_id: str | None
    seen_at: dt.datetime
    ends_at: dt.datetime


def name_key(name: str) -> str:
    """What two spellings of one account name have in common."""
    return unicodedata.normalize("NFKC", name).casefold().strip()


class People:
    """Accounts, devices and sessions of one store. Safe to use from several threads and programs at once."""

    def __init__(self, store: Store) -> None:
        """store: an open store."""
        self.store = store

    # accounts

    def any(self) -> bool:
        """Whether there ever was an account: from then on nobody works without one."""
        with self._reading() as connection:
            return connection.execute(select(t.accounts.c.name_key).limit(1)).first() is not None

    def accounts(self) -> list[Account]:
        """All accounts by name, retired ones last."""
        query = select(t.accounts).order_by(t.accounts.c.retired_at.is_not(None), t.accounts.c.name_key)
        with self._reading() as connection:
            return [_account(row) for row in connection.execute(query)]

    def find(self, name: str) -> tuple[Account, str] | None:
        """A live account with the digest of its password; None where there is none of this name."""
        query = select(t.accounts).where(t.accounts.c.name_key == _key(name), t.accounts.c.retired_at.is_(None))
        with self._reading() as connection:
            row = connection.execute(query).one_or_none()
        return None if row is None else (_account(row), str(row.password))

    def add(self, name: str, role: str, password: str, by: str, at: dt.datetime) -> Account:
        """Make an account. password: its digest. Raises AccountError."""
        clean = " ".join(unicodedata.normalize("NFKC", name).split())
        if not 2 <= len(clean) <= 60 or not clean.isprintable() or any(0xD800 <= ord(ch) <= 0xDFFF for ch in clean):
            raise AccountError("a name has 2 to 60 letters, figures or signs; initials or a staff code will do")
        account = Account(clean, _role(role), at, by, None)
        with self._writing() as connection:
            first = connection.execute(select(t.accounts.c.name_key).limit(1)).first() is None
            if first and role != "lead":
                raise AccountError("the first account must be a lead, who can then make the others")
            values = {"name_key": _key(clean), "name": clean, "role": role, "password": password}
            try:
                connection.execute(insert(t.accounts).values(**values, made_at=at, made_by=by[:200], retired_at=None))
            except IntegrityError:
                raise AccountError(f"there is, or was, an account “{clean}”; choose another name") from None
        return account

    def set_role(self, name: str, role: str) -> None:
        """Give an account another role. Raises AccountError, also for the last lead."""
        with self._writing() as connection:
            self._keep_a_lead(connection, name, staying=_role(role) == "lead")
            self._change(connection, name, role=role)

    def set_password(self, name: str, password: str) -> None:
        """Give an account another password (its digest) and sign it out everywhere. Raises AccountError."""
        with self._writing() as connection:
            self._change(connection, name, password=password)
            connection.execute(delete(t.sessions).where(t.sessions.c.name_key == _key(name)))

    def retire(self, name: str, at: dt.datetime) -> None:
        """Close an account for good and sign it out everywhere. Raises AccountError, also for the last lead."""
        with self._writing() as connection:
            self._keep_a_lead(connection, name, staying=False)
            self._change(connection, name, retired_at=at)
            connection.execute(delete(t.sessions).where(t.sessions.c.name_key == _key(name)))

    # sessions

    def sign_in(
        self, account: Account, token_hash: str, device_id: str | None, at: dt.datetime, ends: dt.datetime
    ) -> None:
        """Begin a session; those that have ended are cleared away."""
        key = _key(account.name)
        with self._writing() as connection:
            connection.execute(delete(t.sessions).where(t.sessions.c.ends_at < at))
            values = {"token_hash": token_hash, "name_key": key, "device_id": device_id, "made_at": at}
            connection.execute(insert(t.sessions).values(**values, seen_at=at, ends_at=ends))

    def session(self, token_hash: str) -> Session | None:
        """The session of a token; None where it ended, its account was retired or its device revoked."""
        joined = t.sessions.join(t.accounts, t.accounts.c.name_key == t.sessions.c.name_key).outerjoin(
            t.devices, t.devices.c.device_id == t.sessions.c.device_id
        )
        query = (
            select(t.accounts, t.sessions.c.device_id, t.sessions.c.seen_at, t.sessions.c.ends_at)
            .select_from(joined)
            .where(
                t.sessions.c.token_hash == token_hash,
                t.accounts.c.retired_at.is_(None),
                t.devices.c.revoked_at.is_(None),
            )
        )
        with self._reading() as connection:
            row = connection.execute(query).one_or_none()
        return None if row is None else Session(_account(row), row.device_id, row.seen_at, row.ends_at)

    def seen(self, token_hash: str, at: dt.datetime) -> None:
        """The session was used."""
        with self._writing() as connection:
            connection.execute(update(t.sessions).where(t.sessions.c.token_hash == token_hash).values(seen_at=at))

    def sign_out(self, token_hash: str) -> None:
        """End a session."""
        with self._writing() as connection:
            connection.execute(delete(t.sessions).where(t.sessions.c.token_hash == token_hash))

    # devices

    def add_device(self, name: str, token_hash: str, by: str, at: dt.datetime) -> Device:
        """Remember a device that was paired. Raises AccountError for a name that is none."""
        clean = " ".join(name.split())
        if not 1 <= len(clean) <= 60 or not clean.isprintable():
            raise AccountError("a device's name has 1 to 60 letters, figures or signs, such as “tablet room 2”")
        device = Device(secrets.token_hex(8), clean, at, by, None)
        values = {"device_id": device.device_id, "name": clean, "token_hash": token_hash, "paired_at": at}
        with self._writing() as connection:
            connection.execute(insert(t.devices).values(**values, paired_by=by[:200], revoked_at=None))
        return device

    def device(self, token_hash: str) -> Device | None:
        """The device of a token; None where it was revoked."""
        query = select(t.devices).where(t.devices.c.token_hash == token_hash, t.devices.c.revoked_at.is_(None))
        with self._reading() as connection:
            row = connection.execute(query).one_or_none()
        return None if row is None else _device(row)

    def devices(self) -> list[Device]:
        """All devices, the last paired first."""
        with self._reading() as connection:
            return [
                _device(row) for row in connection.execute(select(t.devices).order_by(t.devices.c.paired_at.desc()))
            ]

    def revoke(self, device_id: str, at: dt.datetime) -> None:
        """Shut a device out and end the sessions on it. Raises AccountError where there is none such."""
        with self._writing() as connection:
            wanted = update(t.devices).where(t.devices.c.device_id == device_id, t.devices.c.revoked_at.is_(None))
            if connection.execute(wanted.values(revoked_at=at)).rowcount != 1:
                raise AccountError("there is no such paired device; load the list again")
            connection.execute(delete(t.sessions).where(t.sessions.c.device_id == device_id))

    def _change(self, connection: Connection, name: str, **values: Any) -> None:
        live = update(t.accounts).where(t.accounts.c.name_key == _key(name), t.accounts.c.retired_at.is_(None))
        if connection.execute(live.values(**values)).rowcount != 1:
            raise AccountError(f"there is no account “{name[:60]}” in use")

    def _keep_a_lead(self, connection: Connection, name: str, *, staying: bool) -> None:
        leads = select(t.accounts.c.name_key).where(t.accounts.c.role == "lead", t.accounts.c.retired_at.is_(None))
        keys = set(connection.execute(leads.with_for_update()).scalars())
        if not staying and keys == {_key(name)}:
            raise AccountError(f"“{name[:60]}” is the only lead; make another account a lead first")

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with explained(self.store.where), self.store.engine.connect() as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        engine = self.store.engine
        with (
            explained(self.store.where),
            engine.connect().execution_options(**{WRITE: True}) as connection,
            connection.begin(),
        ):
            if connection.dialect.name == "postgresql":
                # One change at a time, so that the rules about leads hold between two programs as well.
                connection.execute(select(func.pg_advisory_xact_lock(_LOCK)))
            yield connection


_LOCK = 0x656E6467


def _key(name: str) -> str:
    return name_key(name).encode("utf-8", "ignore").decode().replace("\x00", "")[:120]


def _role(role: str) -> Role:
    if role not in ROLES:
        raise AccountError(f"“{role[:20]}” is no role; choose one of {', '.join(ROLES)}")
    return role


def _account(row: Any) -> Account:
    return Account(row.name, _role(row.role), row.made_at, row.made_by, row.retired_at)


def _device(row: Any) -> Device:
    return Device(row.device_id, row.name, row.paired_at, row.paired_by, row.revoked_at)
