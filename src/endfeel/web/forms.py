"""What a form sent, read with one clear line for whatever is wrong.

Public: Sent, sent (a FastAPI dependency), who, clean_name, own_path.
"""

from __future__ import annotations

import datetime as dt
import math
import re
import uuid
from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import Request

from endfeel.web.refused import Refused

WHO_COOKIE = "endfeel_who"
_ID = re.compile(r"^[A-Za-z0-9][A-Za-z0-9:._+\-]{0,119}$")
_LONGEST_WAIT = dt.timedelta(days=30)


@dataclass(frozen=True)
class Sent:
    """The fields of one post.

    client_id: the sender's own id of this recording, so that sending it twice stores it once.
    at: when it was made, if it waited in the page's queue; None for now.
    actor: who is examining, as set on this device.
    swap: whether the page asked for a part of itself (htmx) and not for a whole page.
    """

    fields: Mapping[str, tuple[str, ...]]
    client_id: str
    at: dt.datetime | None
    actor: str
    swap: bool

    def text(self, name: str) -> str | None:
        """The field without outer blanks; None where it is missing or empty."""
        value = self.fields.get(name, ("",))[-1].strip()
        return value or None

    def needed(self, name: str, what: str) -> str:
        """The field, which must be there; ``what`` says in the refusal what it is."""
        value = self.text(name)
        if value is None:
            raise Refused(400, f"{what} is missing; fill it in and send again.")
        return value

    def every(self, name: str) -> tuple[str, ...]:
        """All values of a field that was given several times, empty ones left out."""
        return tuple(v.strip() for v in self.fields.get(name, ()) if v.strip())

    def number(self, name: str, what: str, low: float, high: float) -> float | None:
        """A number from low to high; None where the field is empty."""
        value = self.text(name)
        if value is None:
            return None
        try:
            number = float(value.replace(",", "."))
        except ValueError:
            number = math.nan
        if not low <= number <= high:
            raise Refused(400, f"{what}: “{value[:40]}” is no number from {low:g} to {high:g}.")
        return number

    def whole(self, name: str, what: str, low: int, high: int) -> int | None:
        """A whole number from low to high; None where the field is empty."""
        number = self.number(name, what, low, high)
        if number is not None and number != int(number):
            raise Refused(400, f"{what}: {number:g} is no whole number.")
        return None if number is None else int(number)

    def day(self, name: str, what: str) -> dt.date | None:
        """A date; None where the field is empty."""
        value = self.text(name)
        if value is None:
            return None
        try:
            return dt.date.fromisoformat(value)
        except ValueError:
            raise Refused(400, f"{what}: “{value[:40]}” is no date; write it as 2026-03-31.") from None

    def choice(self, name: str, what: str, allowed: tuple[str, ...]) -> str | None:
        """One of the allowed words; None where the field is empty."""
        value = self.text(name)
        if value is not None and value not in allowed:
            raise Refused(400, f"{what}: “{value[:40]}” is none of {', '.join(allowed)}.")
        return value


async def sent(request: Request) -> Sent:
    """Read a posted form."""
    try:
        form = await request.form(max_files=0, max_fields=2000)
    except Refused:
        raise
    except Exception as error:
        raise Refused(400, "The form could not be read; load the page again and repeat it.") from error
    fields: dict[str, tuple[str, ...]] = {}
    for name in form:
        values = tuple(v for v in form.getlist(name) if isinstance(v, str))
        if any("\x00" in v or _lone_surrogate(v) for v in values):
            raise Refused(400, f"{name[:40]}: holds characters that are no text; take them out.")
        fields[name] = values
    given = fields.get("client_id", ("",))[-1] or str(uuid.uuid4())
    if not _ID.match(given):
        raise Refused(400, "The recording's id is not one that a page makes; load the page again and repeat it.")
    return Sent(
        fields=fields,
        client_id=given,
        at=_made_at(fields.get("waited_ms", ("",))[-1]),
        actor=who(request),
        swap="hx-request" in request.headers,
    )


def who(request: Request) -> str:
    """Who is examining: the account signed in, else as set on this device; “clinician” where nobody said."""
    account = getattr(request.state, "account", None)
    return account.name if account is not None else clean_name(request.cookies.get(WHO_COOKIE, ""))


def clean_name(name: str) -> str:
    """The name in a device's cookie, fit to be shown; “clinician” where there is none."""
    return "".join(ch for ch in name if ch.isprintable()).strip()[:60] or "clinician"


def own_path(path: str, otherwise: str) -> str:
    """The path, if it leads to a page of this server and nowhere else."""
    return path if path.startswith("/") and not path.startswith("//") and "\\" not in path else otherwise


def _made_at(waited: str) -> dt.datetime | None:
    if not waited:
        return None
    try:
        wait = dt.timedelta(milliseconds=float(waited))
    except (ValueError, OverflowError):
        raise Refused(400, "waited_ms is no number of milliseconds.") from None
    if not dt.timedelta(0) <= wait <= _LONGEST_WAIT:
        return None
    return dt.datetime.now(dt.UTC) - wait


def _lone_surrogate(text: str) -> bool:
    return any(0xD800 <= ord(ch) <= 0xDFFF for ch in text)
