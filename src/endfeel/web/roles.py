"""What each role may do: one table over all addresses, asked before every route.

Public: ACTS, TABLE, act_of, act_at, may, refusal_words, allowed (a FastAPI dependency).

An address that stands nowhere in the table is refused to everybody as soon as there are accounts.
"""

from __future__ import annotations

import re
from fnmatch import fnmatchcase
from functools import lru_cache
from types import MappingProxyType

from fastapi import Request

from endfeel.web.refused import Refused

# Acts, and the roles that may.
ACTS = MappingProxyType(
    {
        "open": ("lead", "clinician", "student", "reader"),  # also without an account
        "own": ("lead", "clinician", "student", "reader"),
        "read": ("lead", "clinician", "student", "reader"),
        "record": ("lead", "clinician", "student"),
        "decide": ("lead", "clinician"),
        "clinic": ("lead",),
        "keep": ("lead",),
    }
)
_WORDS = {
    "record": "record",
    "decide": "decide, set a chance by hand, close or take up a visit, or go on past a safety screen",
    "clinic": "change what holds for the whole clinic",
    "keep": "see or change accounts, devices and the audit trail",
}

# Method, address (* stands for anything), act. The first line that fits counts.
TABLE: tuple[tuple[str, str, str], ...] = (
    ("*", "/sign-in", "open"),
    ("GET", "/sign-in.json", "open"),
    ("*", "/join", "open"),
    ("GET", "/join.json", "open"),
    ("POST", "/sign-out", "own"),
    ("GET", "/", "own"),
    ("GET", "/away-worker.js", "own"),
    ("*", "/start*", "own"),
    ("*", "/device", "own"),
    ("GET", "/device.json", "own"),
    ("POST", "/theme", "own"),
    ("*", "/password*", "own"),
    ("*", "/accounts*", "keep"),
    ("*", "/devices*", "keep"),
    ("*", "/pair*", "keep"),
    ("GET", "/audit*", "keep"),
    ("GET", "/clinic*", "read"),
    ("POST", "/clinic*", "clinic"),
    ("GET", "/evidence*", "read"),
    ("POST", "/evidence*", "clinic"),
    ("GET", "/costs*", "read"),
    ("POST", "/costs*", "clinic"),
    ("GET", "/chances*", "read"),
    ("POST", "/chances*", "clinic"),
    ("GET", "/scans*", "read"),
    ("GET", "/strategies*", "read"),
    ("POST", "/strategies*", "clinic"),
    ("GET", "/drawings*", "read"),
    ("GET", "/visits*", "read"),
    ("POST", "/visits/{visit_id}/{problem_id}/safety/override", "decide"),
    ("POST", "/visits/{visit_id}/{problem_id}/decide", "decide"),
    ("POST", "/visits/{visit_id}/{problem_id}/agree", "decide"),
    ("POST", "/visits/{visit_id}/{problem_id}/treatment", "decide"),
    ("POST", "/visits/{visit_id}/{problem_id}/conditions/{condition}/chance", "decide"),
    ("POST", "/visits/{visit_id}/outcome", "decide"),
    ("POST", "/visits/{visit_id}/close", "decide"),
    ("POST", "/visits/{visit_id}/reopen", "decide"),
    ("POST", "/visits", "record"),
    ("POST", "/visits/{visit_id}/where", "record"),
    ("POST", "/visits/{visit_id}/problems", "record"),
    ("POST", "/visits/{visit_id}/{problem_id}/move", "record"),
    ("POST", "/visits/{visit_id}/{problem_id}/story", "record"),
    ("POST", "/visits/{visit_id}/{problem_id}/answer-history", "record"),
    ("POST", "/visits/{visit_id}/{problem_id}/answer", "record"),
    ("POST", "/visits/{visit_id}/{problem_id}/base", "record"),
    ("POST", "/visits/{visit_id}/{problem_id}/card", "record"),
    ("POST", "/visits/{visit_id}/{problem_id}/safety", "record"),
    ("POST", "/visits/{visit_id}/{problem_id}/safety/rest", "record"),
    ("POST", "/visits/{visit_id}/{problem_id}/person", "record"),
    ("POST", "/visits/{visit_id}/{problem_id}/consent", "record"),
    ("POST", "/visits/{visit_id}/{problem_id}/record", "record"),
    ("POST", "/visits/{visit_id}/{problem_id}/undo", "record"),
    ("POST", "/visits/{visit_id}/{problem_id}/worse", "record"),
    ("POST", "/visits/{visit_id}/{problem_id}/criterion", "record"),
)


def act_of(method: str, address: str) -> str | None:
    """The act of an address, as the router writes it (``/visits/{visit_id}``); None where the table has no line."""
    for wanted, pattern, act in TABLE:
        # Only * is special in the table; the names in braces are the router's.
        if wanted in ("*", method) and fnmatchcase(address, pattern.replace("[", "[[]")):
            return act
    return None


@lru_cache(maxsize=4096)
def act_at(method: str, path: str) -> str | None:
    """The act of a path as a page posts to it (``/visits/8f3a``); None where the table has no line."""
    for wanted, pattern, act in TABLE:
        fits = re.sub(r"\\{\w+\\}", "[^/]+", re.escape(pattern)).replace(r"\*", ".*")
        if wanted in ("*", method) and re.fullmatch(fits, path):
            return act
    return None


def may(role: str, method: str, address: str) -> bool:
    """Whether a role may use an address."""
    act = act_of(method, address)
    return act is not None and role in ACTS[act]


def refusal_words(role: str, act: str) -> str:
    """One sentence: what a role can not do, and who can."""
    who = " or a ".join(ACTS[act])
    return f"As a {role} you can not {_WORDS.get(act, 'do this')}; a {who} can."


def allowed(request: Request) -> None:
    """Refused(403) where the signed-in account may not use this address. Without accounts everything is allowed."""
    if not getattr(request.state, "in_use", False):
        return
    address = getattr(request.scope.get("route"), "path", "")
    act = act_of(request.method, address)
    account = getattr(request.state, "account", None)
    if act == "open":
        return
    if act is None or account is None or account.role not in ACTS[act]:
        role = account.role if account else "signed out"
        raise Refused(403, refusal_words(role, act) if act else "Nobody can do this here.")
