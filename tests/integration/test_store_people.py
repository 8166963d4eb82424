"""Accounts, devices and sessions in the store, and the rules that hold whoever asks."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import pytest

from endfeel.storage import Store
from endfeel.storage.backup import backup, restore
from endfeel.storage.people import AccountError, People

AT = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)
LATER = AT + dt.timedelta(hours=12)


@pytest.fixture
def people(any_url: str) -> Iterator[People]:
    with Store(any_url) as store:
        yield People(store)


def add(people: People, name: str, role: str) -> None:
    people.add(name, role, f"digest of {name}", "test", AT)


def test_the_first_account_is_a_lead_and_names_are_never_given_twice(people: People) -> None:
    assert not people.any()
    with pytest.raises(AccountError, match="first account must be a lead"):
        add(people, "KB", "clinician")
    add(people, "KB", "lead")
    add(people, "m ö", "student")
    assert people.any()
    for taken in ("KB", "kb", " M  Ö "):
        with pytest.raises(AccountError, match="there is, or was"):
            add(people, taken, "reader")
    people.retire("M Ö", LATER)
    with pytest.raises(AccountError, match="there is, or was"):
        add(people, "m ö", "reader")
    assert [(a.name, a.role, a.retired_at) for a in people.accounts()] == [
        ("KB", "lead", None),
        ("m ö", "student", LATER),
    ]


@pytest.mark.parametrize("name", ["", "x", "a\x00b", "a\nb\x07", "\ud800\ud800", "n" * 61])
def test_a_name_that_is_none_is_refused(people: People, name: str) -> None:
    with pytest.raises(AccountError, match="2 to 60"):
        add(people, name, "lead")


def test_there_is_always_a_lead(people: People) -> None:
    add(people, "KB", "lead")
    add(people, "MO", "clinician")
    for change in (lambda: people.retire("kb", AT), lambda: people.set_role("KB", "reader")):
        with pytest.raises(AccountError, match="only lead"):
            change()
    people.set_role("MO", "lead")
    people.retire("KB", AT)
    assert people.find("KB") is None and people.any()
    with pytest.raises(AccountError, match="no account"):
        people.set_role("KB", "lead")
    with pytest.raises(AccountError, match="no role"):
        people.set_role("MO", "king")


def test_a_session_ends_with_its_account_its_device_its_password_and_its_token(people: People) -> None:
    add(people, "KB", "lead")
    add(people, "MO", "clinician")
    tablet = people.add_device("tablet room 2", "d" * 64, "KB", AT)
    account = people.find("mo")
    assert account is not None and account[1] == "digest of MO"

    def begin(token: str, device: str | None = None) -> None:
        people.sign_in(account[0], token, device, AT, LATER)
        assert people.session(token) is not None

    begin("t1")
    people.seen("t1", AT + dt.timedelta(minutes=3))
    session = people.session("t1")
    assert session is not None and session.account.name == "MO" and session.seen_at == AT + dt.timedelta(minutes=3)
    people.sign_out("t1")
    assert people.session("t1") is None
    begin("t2", tablet.device_id)
    people.revoke(tablet.device_id, AT)
    assert people.session("t2") is None and people.device("d" * 64) is None
    with pytest.raises(AccountError):
        people.revoke(tablet.device_id, AT)
    begin("t3")
    people.set_password("MO", "another digest")
    assert people.session("t3") is None
    begin("t4")
    people.retire("MO", AT)
    assert people.session("t4") is None


def test_nobody_is_signed_in_to_a_restored_copy(people: People, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("copy")
    add(people, "KB", "lead")
    account = people.find("KB")
    assert account is not None
    people.sign_in(account[0], "t1", None, AT, LATER)
    restore(backup(people.store, folder / "b.sqlite").path, folder / "new")
    with Store(folder / "new") as store:
        copied = People(store)
        assert copied.session("t1") is None and copied.find("KB") == account
