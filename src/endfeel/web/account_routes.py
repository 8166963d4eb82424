"""Signing in and out, one's own password, and the lead's list of accounts.

Public: router.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from endfeel.storage.people import ROLES, Account, AccountError
from endfeel.web import words
from endfeel.web.accounts import LONGEST, SHORTEST_PASSWORD, Doorkeeper, password_digest
from endfeel.web.device_routes import AtDesk, Form
from endfeel.web.doors import cookie, is_shared, session_cookie
from endfeel.web.forms import Sent, own_path
from endfeel.web.refused import Refused
from endfeel.web.respond import pages, render

router = APIRouter()

ROLE_WORDS = {
    "lead": "Lead: everything, and accounts, devices, audit trail, what holds for the whole clinic",
    "clinician": "Clinician: visits from opening to closing",
    "student": "Student: records in visits; takes no decision, closes nothing, passes no safety screen",
    "reader": "Reader: looks, changes nothing",
}


@dataclass(frozen=True)
class SignInPage:
    """The form to sign in. trouble: what was wrong the last time. in_use: whether there are accounts at all."""

    back: str
    name: str
    trouble: str
    in_use: bool


@dataclass(frozen=True)
class AccountLine:
    """One account in the lead's list."""

    name: str
    role: str
    made: str
    retired: str


@dataclass(frozen=True)
class AccountsPage:
    """The lead's list of accounts. first: there is none yet, so the first is a lead."""

    accounts: tuple[AccountLine, ...]
    roles: tuple[tuple[str, str], ...]
    first: bool
    shortest: int


@dataclass(frozen=True)
class PasswordPage:
    """The form to change one's own password."""

    name: str
    shortest: int


def doorkeeper_of(request: Request) -> Doorkeeper:
    """Who lets people in at this server."""
    keeper: Doorkeeper = request.app.state.doorkeeper
    return keeper


def sign_in_page(request: Request, desk: AtDesk, back: str = "") -> SignInPage:
    """The form to sign in."""
    return SignInPage(own_path(back, "/visits"), "", "", desk.people.any())


def accounts_page(desk: AtDesk) -> AccountsPage:
    """All accounts."""
    kept = desk.people.accounts()
    lines = tuple(
        AccountLine(a.name, a.role, words.day(a.made_at), words.day(a.retired_at) if a.retired_at else "") for a in kept
    )
    roles = tuple(ROLE_WORDS.items()) if kept else (("lead", ROLE_WORDS["lead"]),)
    return AccountsPage(lines, roles, not kept, SHORTEST_PASSWORD)


def password_page(request: Request) -> PasswordPage:
    """The form to change one's own password."""
    return PasswordPage(_account(request).name, SHORTEST_PASSWORD)


pages(router, "/sign-in", "account_sign_in.html", sign_in_page)
pages(router, "/accounts", "accounts.html", accounts_page)
pages(router, "/password", "account_password.html", password_page)


@router.post("/sign-in")
def signed_in(request: Request, desk: AtDesk, form: Form) -> Response:
    """Begin a session; where name or password is wrong, the form again."""
    name = (form.text("name") or "")[:120]
    back = own_path(form.text("back") or "", "/visits")
    found = desk.people.find(name)
    # A name that is none may be a password typed into the wrong field: it is not written down.
    request.state.audit_who = found[0].name if found else "unknown name"
    if not desk.people.any():
        raise Refused(409, "There are no accounts here, so there is nothing to sign in to.")
    device = getattr(request.state, "device", None)
    password = form.fields.get("password", ("",))[-1]
    source = request.client.host if request.client else ""
    now = dt.datetime.now(dt.UTC)
    try:
        begun = doorkeeper_of(request).sign_in(name, password, source, device.device_id if device else None, now)
    except Refused as refused:
        if form.swap or request.headers.get("x-endfeel-queue"):
            raise
        view = SignInPage(back, name, refused.line, True)
        return render(request, "account_sign_in.html", view, status=refused.status)
    _end(request)
    answer = RedirectResponse(back, status_code=303)
    shared = is_shared(request.scope)
    answer.set_cookie(
        session_cookie(shared), begun.token, max_age=int(LONGEST.total_seconds()), path="/", httponly=True,
        samesite="strict", secure=shared,
    )  # fmt: skip
    return answer


@router.post("/sign-out")
def signed_out(request: Request, form: Form) -> Response:
    """End the session."""
    _end(request)
    answer = RedirectResponse("/sign-in", status_code=303)
    shared = is_shared(request.scope)
    answer.delete_cookie(session_cookie(shared), path="/", httponly=True, samesite="strict", secure=shared)
    return answer


@router.post("/password")
def password_changed(request: Request, desk: AtDesk, form: Form) -> Response:
    """Change one's own password; every session of the account ends, this one too."""
    account = _account(request)
    source = request.client.host if request.client else ""
    if not doorkeeper_of(request).knows(account, form.fields.get("old", ("",))[-1], source):
        raise Refused(403, "The present password is not right; nothing was changed.")
    desk.people.set_password(account.name, _new_password(form.fields.get("password", ("",)), account.name))
    return RedirectResponse("/sign-in", status_code=303)


@router.post("/accounts")
def account_added(request: Request, desk: AtDesk, form: Form) -> Response:
    """Make an account; the first ends the time without accounts."""
    name = _named(request, form)
    role = form.choice("role", "The role", ROLES)
    if role is None:
        raise Refused(400, "The role is missing; choose one.")
    digest = _new_password(form.fields.get("password", ("",)), name)
    _try(lambda: desk.people.add(name, role, digest, form.actor, dt.datetime.now(dt.UTC)))
    return RedirectResponse("/accounts", status_code=303)


@router.post("/accounts/role")
def role_changed(request: Request, desk: AtDesk, form: Form) -> Response:
    """Give an account another role."""
    role = form.choice("role", "The role", ROLES)
    if role is None:
        raise Refused(400, "The role is missing; choose one.")
    name = _named(request, form)
    _try(lambda: desk.people.set_role(name, role))
    return RedirectResponse("/accounts", status_code=303)


@router.post("/accounts/password")
def password_given(request: Request, desk: AtDesk, form: Form) -> Response:
    """Give an account another password, where the old one was forgotten."""
    name = _named(request, form)
    digest = _new_password(form.fields.get("password", ("",)), name)
    _try(lambda: desk.people.set_password(name, digest))
    return RedirectResponse("/accounts", status_code=303)


@router.post("/accounts/retire")
def account_retired(request: Request, desk: AtDesk, form: Form) -> Response:
    """Close an account for good."""
    name = _named(request, form)
    _try(lambda: desk.people.retire(name, dt.datetime.now(dt.UTC)))
    return RedirectResponse("/accounts", status_code=303)


def _account(request: Request) -> Account:
    account: Account | None = getattr(request.state, "account", None)
    if account is None:
        raise Refused(409, "There are no accounts here; a lead makes them under “Accounts”.")
    return account


def _named(request: Request, form: Sent) -> str:
    """The account that the form is about; the audit trail names it too."""
    name = form.needed("name", "The account’s name")
    request.state.audit_about = name
    return name


def _new_password(given: tuple[str, ...], name: str) -> str:
    return password_digest(given[-1], name)


def _try(change: Callable[[], object]) -> None:
    try:
        change()
    except AccountError as error:
        said = str(error)
        raise Refused(409, f"{said[0].upper()}{said[1:]}.") from None


def _end(request: Request) -> None:
    token = cookie(request.headers.get("cookie", ""), session_cookie(is_shared(request.scope)))
    if token:
        doorkeeper_of(request).sign_out(token)
