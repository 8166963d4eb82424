"""Signing in: passwords kept by argon2, how long a session lasts, how often one may try.

Public: Doorkeeper, SignedIn, password_digest, password_fault, IDLE, LONGEST.
"""

from __future__ import annotations

import datetime as dt
import secrets
import threading
import unicodedata
from dataclasses import dataclass
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from endfeel.storage.people import Account, People, Session, name_key
from endfeel.web.doors import digest
from endfeel.web.refused import Refused
from endfeel.web.throttle import Throttle

# Our own choices: a tablet left on the table shuts itself within the hour, a working day needs one sign-in.
IDLE = dt.timedelta(minutes=60)
LONGEST = dt.timedelta(hours=12)
SHORTEST_PASSWORD = 12
_SEEN_EVERY = dt.timedelta(seconds=60)
_WINDOW = 300.0  # seconds
_AT_ONCE = 2  # digests worked out at the same time; each takes 64 MB

_hasher = PasswordHasher()  # argon2id with the library's defaults, which follow RFC 9106's second choice
_room = threading.BoundedSemaphore(_AT_ONCE)


@dataclass(frozen=True)
class SignedIn:
    """A session that was just begun; the token goes into the browser's cookie and is kept nowhere else."""

    account: Account
    token: str
    ends_at: dt.datetime


def password_fault(password: str, name: str) -> str | None:
    """Why a password will not do, in one line; None where it will."""
    if len(password) < SHORTEST_PASSWORD:
        return f"the password needs at least {SHORTEST_PASSWORD} characters; three or four words do well"
    if len(password) > 300:
        return "the password has more than 300 characters; shorten it"
    if any(0xD800 <= ord(ch) <= 0xDFFF or ch == "\x00" for ch in password):
        return "the password holds characters that are no text"
    if len(set(password)) < 5 or name_key(password) == name_key(name):
        return "the password is too easy to guess; take three or four words"
    return None


def password_digest(password: str, name: str) -> str:
    """The argon2id digest of a new password; Refused with what is wrong where it will not do."""
    fault = password_fault(password, name)
    if fault:
        raise Refused(400, f"{fault[0].upper()}{fault[1:]}.")
    with _room:
        return _hasher.hash(_normal(password))


class Doorkeeper:
    """Lets people in and knows who is. One for each server."""

    def __init__(self, people: People) -> None:
        self.people = people
        self.by_name_and_place = Throttle(5, _WINDOW)
        self.by_name = Throttle(20, _WINDOW)
        self.by_place = Throttle(40, _WINDOW)

    def sign_in(self, name: str, password: str, source: str, device_id: str | None, now: dt.datetime) -> SignedIn:
        """Begin a session. source: the network address. Refused(403) where name or password is wrong, 429 too often."""
        key = name_key(name)[:120]
        waits = (
            self.by_name_and_place.take(f"{key} {source}"), self.by_name.take(key), self.by_place.take(source),
        )  # fmt: skip
        if wait := max(waits):
            raise Refused(429, f"Too many tries; wait {_minutes(wait)} and try again.")
        found = self.people.find(name)
        good = _fits(found[1] if found else _nobody(), password)
        if found is None or not good:
            raise Refused(403, "Name or password is wrong.")
        account, kept = found
        for throttle, one in ((self.by_name_and_place, f"{key} {source}"), (self.by_name, key)):
            throttle.forget(one)
        if _hasher.check_needs_rehash(kept):
            with _room:
                self.people.set_password(account.name, _hasher.hash(_normal(password)))
        token = secrets.token_urlsafe(32)
        ends = now + LONGEST
        self.people.sign_in(account, digest(token), device_id, now, ends)
        return SignedIn(account, token, ends)

    def session(self, token: str, now: dt.datetime) -> Session | None:
        """The session of a token, if it still holds."""
        found = self.people.session(digest(token))
        if found is None or now >= found.ends_at or now - found.seen_at >= IDLE:
            return None
        if now - found.seen_at >= _SEEN_EVERY:
            self.people.seen(digest(token), now)
        return found

    def knows(self, account: Account, password: str, source: str) -> bool:
        """Whether somebody who is signed in types their own password; Refused(429) too often."""
        key = f"{name_key(account.name)} {source}"
        if wait := self.by_name_and_place.take(key):
            raise Refused(429, f"Too many tries; wait {_minutes(wait)} and try again.")
        found = self.people.find(account.name)
        good = found is not None and _fits(found[1], password)
        if good:
            self.by_name_and_place.forget(key)
        return good

    def sign_out(self, token: str) -> None:
        """End the session of a token."""
        self.people.sign_out(digest(token))


@cache
def _nobody() -> str:
    """A digest that no password fits, so that an unknown name takes as long as a known one."""
    return _hasher.hash(secrets.token_hex(16))


def _fits(kept: str, password: str) -> bool:
    with _room:
        try:
            return _hasher.verify(kept, _normal(password[:300]))
        except (VerificationError, InvalidHashError, UnicodeEncodeError):
            return False


def _normal(password: str) -> str:
    return unicodedata.normalize("NFKC", password)


def _minutes(seconds: int) -> str:
    return f"{seconds} seconds" if seconds < 60 else f"{-(-seconds // 60)} minutes"
