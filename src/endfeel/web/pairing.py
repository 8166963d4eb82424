"""Pairing a tablet: a code that is shown on the serving machine, holds a few minutes, and works once.

Public: Pairing, Code.
"""

from __future__ import annotations

import datetime as dt
import hmac
import secrets
import threading
from dataclasses import dataclass

LASTS = dt.timedelta(minutes=5)
DIGITS = 8
TRIES = 8  # wrong codes, from whatever device, after which a code is void


@dataclass(frozen=True)
class Code:
    """A code in force. by: the lead who asked for it."""

    digits: str
    by: str
    ends_at: dt.datetime

    @property
    def shown(self) -> str:
        """As a person reads it out: in two groups."""
        return f"{self.digits[: DIGITS // 2]} {self.digits[DIGITS // 2 :]}"


class Pairing:
    """At most one code at a time, in memory only: a restart voids it. Safe to use from several threads."""

    def __init__(self) -> None:
        self._code: Code | None = None
        self._tries = 0
        self._lock = threading.Lock()

    def begin(self, by: str, now: dt.datetime) -> Code:
        """A new code; an earlier one is void."""
        with self._lock:
            self._code = Code(f"{secrets.randbelow(10**DIGITS):0{DIGITS}d}", by, now + LASTS)
            self._tries = 0
            return self._code

    def current(self, now: dt.datetime) -> Code | None:
        """The code in force, if any."""
        with self._lock:
            return self._live(now)

    def use(self, typed: str, now: dt.datetime) -> Code | None:
        """The code, used up, if ``typed`` is it; None otherwise, and after a few of those the code is void."""
        digits = "".join(ch for ch in typed if ch in "0123456789")
        with self._lock:
            code = self._live(now)
            if code is None:
                return None
            if hmac.compare_digest(digits, code.digits):
                self._code = None
                return code
            self._tries += 1
            if self._tries >= TRIES:
                self._code = None
            return None

    def _live(self, now: dt.datetime) -> Code | None:
        if self._code is not None and now >= self._code.ends_at:
            self._code = None
        return self._code
