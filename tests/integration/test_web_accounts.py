"""Accounts: who may come in, what each role may do, when a session ends, how often one may try."""

from __future__ import annotations

import datetime as dt
import os
import re
import socket
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from web_server import Person, Running

from endfeel.storage.people import ROLES
from endfeel.visits.events import StoredEvent
from endfeel.web import accounts, roles
from endfeel.web.neighbour import user_at

PASSWORD = "slow green river 7"


class Member(Person):
    """Somebody with an account, signed in."""

    def __init__(self, url: str, name: str) -> None:
        self.http = httpx.Client(base_url=url, timeout=30, follow_redirects=False)
        page = self.http.get("/sign-in").text
        self.token = re.search(r'endfeel-token" content="([0-9a-f]{64})"', page)[1]  # type: ignore[index]
        self.name = name

    def sign_in(self, password: str = PASSWORD, **more: str) -> httpx.Response:
        return self.post("/sign-in", swap=False, name=self.name, password=password, **more)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    running = Running(tmp_path_factory.mktemp("accounts"))
    first = Person(running.url)
    for role in ("lead", "clinician", "student", "reader"):
        person = first if role == "lead" else member(running, "the lead")
        person.done("/accounts", swap=False, name=f"the {role}", role=role, password=PASSWORD)
    yield running
    running.stop()


def member(server: Running, name: str) -> Member:
    one = Member(server.url, name)
    answer = one.sign_in()
    assert answer.status_code == 303 and answer.headers["location"] == "/visits", answer.text
    return one


@pytest.fixture(scope="module")
def members(server: Running) -> dict[str, Member]:
    return {role: member(server, f"the {role}") for role in ROLES}


@pytest.fixture(scope="module")
def problem(members: dict[str, Member]) -> str:
    return members["clinician"].visit()


def addresses(server: Running) -> list[tuple[str, str]]:
    """Every method and address that the program answers, as the router writes them."""
    return sorted(
        (method.upper(), path) for path, methods in server.app.openapi()["paths"].items() for method in methods
    )


def test_every_address_stands_in_the_table(server: Running) -> None:
    found = addresses(server)
    assert len(found) > 80
    missing = [one for one in found if roles.act_of(*one) is None]
    assert not missing, f"give these a line in endfeel/web/roles.py: {missing}"
    unused = [line for line in roles.TABLE if not any(roles.act_of(*one) and _fits(line, one) for one in found)]
    assert not unused, f"these lines of the table fit no address: {unused}"


def _fits(line: tuple[str, str, str], one: tuple[str, str]) -> bool:
    same = line[1] == one[1] or (line[1].endswith("*") and one[1].startswith(line[1][:-1]))
    return same and line[0] in ("*", one[0])


def test_an_address_without_a_line_is_nobodys() -> None:
    assert roles.act_of("POST", "/visits/{visit_id}/something-new") is None
    assert not any(roles.may(role, "DELETE", "/visits") for role in ROLES)


def test_signed_out_nothing_is_shown_and_nothing_is_done(server: Running, problem: str) -> None:
    visit = problem.split("/")[2]
    stranger = Member(server.url, "nobody")
    for method, path in addresses(server):
        where = _filled(path, visit)
        answer = stranger.get(where) if method == "GET" else stranger.post(where)
        if roles.act_of(method, path) == "open":
            assert answer.status_code < 500 and visit not in answer.text
        elif method == "GET" and not where.endswith(".json"):
            assert answer.status_code == 303 and answer.headers["location"].startswith("/sign-in"), (path, answer)
        else:
            assert answer.status_code == 403 and "signed out" in answer.text, (method, path, answer.status_code)
    assert stranger.get("/openapi.json").status_code == 403


@pytest.mark.parametrize("role", ROLES)
def test_each_role_may_what_the_table_says_and_no_more(
    server: Running, members: dict[str, Member], problem: str, role: str
) -> None:
    visit = problem.split("/")[2]
    person = members[role]
    for method, path in addresses(server):
        if path in ("/sign-out", "/sign-in", "/join"):
            continue
        where = _filled(path, visit)
        # Posts without their fields: what is allowed is refused for what is missing, with another status than 403.
        answer = person.get(where) if method == "GET" else person.post(where, **{"csrf": ""})
        assert answer.status_code < 500, (method, path, answer.text[:200])
        refused = answer.status_code == 403 and f"As a {role}" in answer.text
        if path == "/password" and method == "POST":
            assert answer.status_code == 403 and not refused
            continue
        assert refused == (not roles.may(role, method, path)), (method, path, answer.status_code, answer.text[:200])


def _filled(path: str, visit: str) -> str:
    filled = path.replace("{visit_id}", visit).replace("{problem_id}", "p1").replace("{region}", "knee")
    filled = filled.replace("{observable}", "lachman").replace("{condition}", "acl-tear").replace("{form}", "json")
    return re.sub(r"\{[a-z_]+\}", "none-such", filled)


def test_the_account_stands_beside_what_was_recorded(server: Running, members: dict[str, Member], problem: str) -> None:
    student = members["student"]
    student.http.cookies.set("endfeel_who", "somebody else")
    student.clear_screens(problem)
    student.done(f"{problem}/record", observable="lachman", result="positive")
    events = _events(server, problem)
    assert [e.actor for e in events][-1] == "the student"
    assert "somebody else" not in {e.actor for e in events}


def _events(server: Running, problem: str) -> tuple[StoredEvent, ...]:
    return server.app.state.desk.store.events(problem.split("/")[2])  # type: ignore[no-any-return]


def test_two_clinicians_on_one_visit_lose_nothing_of_each_other(server: Running, members: dict[str, Member]) -> None:
    lead, clinician = members["lead"], members["clinician"]
    problem = clinician.visit()
    clinician.clear_screens(problem)
    clinician.done(f"{problem}/record", observable="lachman", result="positive")
    lead.done(f"{problem}/record", observable="pivot-shift", result="negative")
    seq = next(e.seq for e in _events(server, problem) if getattr(e.event, "observable", "") == "lachman")
    lead.done(f"{problem}/undo", seq=seq, reason="wrong knee")
    clinician.done(f"{problem}/record", observable="anterior-drawer", result="negative")
    events = _events(server, problem)
    assert [(e.actor, e.event.type) for e in events][-4:] == [
        ("the clinician", "finding-recorded"),
        ("the lead", "finding-recorded"),
        ("the lead", "corrected"),
        ("the clinician", "finding-recorded"),
    ]
    for person in (lead, clinician):
        text = str(person.json(f"{problem}/bench"))
        assert "pivot" in text.lower() and "drawer" in text.lower()
    visit = problem.rsplit("/", 1)[0]
    clinician.done(f"{visit}/close", swap=False)
    late = lead.post(f"{problem}/record", observable="lachman", result="positive")
    assert late.status_code < 400 and _events(server, problem)[-1].actor == "the lead", "late, and kept"


def test_wrong_words_do_not_open_and_do_not_tell_which_was_wrong(server: Running) -> None:
    said = set()
    for name in ("the reader", "no such name", "", "😀"):
        one = Member(server.url, name)
        answer = one.sign_in("not the password")
        assert answer.status_code == 403
        said.add(re.search(r'role="alert">([^<]+)<', answer.text)[1])  # type: ignore[index]
        assert not any("session" in c for c in one.http.cookies)
    assert said == {"Name or password is wrong."}


def test_after_five_tries_one_has_to_wait(server: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    keeper = server.app.state.doorkeeper
    clock = {"now": 1000.0}
    monkeypatch.setattr(keeper.by_name_and_place, "clock", lambda: clock["now"])
    one = Member(server.url, "The READER")
    keeper.by_name_and_place.forget("the reader 127.0.0.1")
    assert [one.sign_in("wrong wrong wrong").status_code for _ in range(6)] == [403] * 5 + [429]
    assert one.sign_in().status_code == 429, "the right password does not help before the time is over"
    clock["now"] += 301
    assert one.sign_in().status_code == 303


def test_a_session_ends_by_itself(server: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    one = member(server, "the reader")
    assert one.get("/visits").status_code == 200
    monkeypatch.setattr(accounts, "IDLE", dt.timedelta(0))
    turned = one.get("/visits")
    assert turned.status_code == 303 and turned.headers["location"] == "/sign-in?back=/visits"
    headers = {"X-Endfeel-Token": one.token, "X-Endfeel-Queue": "1"}
    queued = one.http.post("/visits", data={"code": "T"}, headers=headers)
    assert queued.status_code == 403 and "sign in" in queued.text, "403 keeps the entry on the device"
    monkeypatch.undo()
    assert one.get("/visits").status_code == 200
    monkeypatch.setattr(accounts, "LONGEST", dt.timedelta(0))
    assert one.sign_in().status_code == 303
    assert one.get("/visits").status_code == 303


def test_signing_out_ends_the_session_for_good(server: Running) -> None:
    one = member(server, "the reader")
    held = one.http.cookies["endfeel_session"]
    assert one.done("/sign-out", swap=False).headers["location"] == "/sign-in"
    assert "endfeel_session" not in one.http.cookies
    one.http.cookies.set("endfeel_session", held)
    assert one.get("/visits").status_code == 303


def test_the_cookies_can_not_be_read_by_scripts_or_sent_by_other_sites(server: Running) -> None:
    one = Member(server.url, "the reader")
    answer = one.sign_in()
    (session,) = [c for c in answer.headers.get_list("set-cookie") if "session" in c]
    for flag in ("HttpOnly", "SameSite=strict", "Path=/"):
        assert flag in session
    assert "Secure" not in session, "loopback speaks HTTP"
    assert int(re.search(r"Max-Age=(\d+)", session)[1]) == 12 * 3600  # type: ignore[index]
    kept = server.app.state.desk.store
    with kept.engine.connect() as connection:
        held = connection.exec_driver_sql("SELECT token_hash FROM sessions").scalars().all()
        digests = connection.exec_driver_sql("SELECT password FROM accounts").scalars().all()
    assert one.http.cookies["endfeel_session"] not in held and all(re.fullmatch("[0-9a-f]{64}", h) for h in held)
    assert all(d.startswith("$argon2id$") for d in digests)


def test_a_turn_after_sign_in_never_leaves_the_site(server: Running) -> None:
    for back in ("//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example"):
        assert Member(server.url, "the reader").sign_in(back=back).headers["location"] == "/visits"
    assert Member(server.url, "the reader").sign_in(back="/evidence").headers["location"] == "/evidence"


@pytest.mark.parametrize("password", ["short", "aaaaaaaaaaaaaaaa", "the newcomer x", "x" * 301])
def test_easy_passwords_are_refused(members: dict[str, Member], password: str) -> None:
    name = "the newcomer x"
    answer = members["lead"].post("/accounts", name=name, role="reader", password=password)
    assert answer.status_code == 400 and "password" in answer.text
    assert name not in members["lead"].get("/accounts").text


def test_the_lead_changes_and_retires_accounts(server: Running, members: dict[str, Member]) -> None:
    lead = members["lead"]
    lead.done("/accounts", swap=False, name="ünused / one", role="reader", password=PASSWORD)
    one = member(server, "ünused / one")
    assert 'value="ünused / one"' in lead.get("/accounts").text
    lead.done("/accounts/role", swap=False, name="ünused / one", role="clinician")
    assert one.post("/visits", swap=False, code="T-9", setting="primary").status_code == 303
    lead.done("/accounts/password", swap=False, name="ünused / one", password="another quiet harbour")
    assert one.get("/visits").status_code == 303, "a new password signs out"
    assert one.sign_in("another quiet harbour").status_code == 303
    assert one.post("/password", old="wrong", password=PASSWORD).status_code == 403
    one.done("/password", swap=False, old="another quiet harbour", password=PASSWORD)
    assert one.sign_in(PASSWORD).status_code == 303
    lead.done("/accounts/retire", swap=False, name="ünused / one")
    assert one.get("/visits").status_code == 303 and one.sign_in(PASSWORD).status_code == 403
    only = lead.post("/accounts/retire", name="the lead")
    assert only.status_code == 409 and "only lead" in only.text


def test_the_trail_tells_who_did_what(server: Running, members: dict[str, Member], problem: str) -> None:
    visit = problem.split("/")[2]
    members["reader"].get(f"/visits/{visit}/note")
    members["reader"].post(f"{problem}/record", observable="lachman", result="positive")
    Member(server.url, "my secret word").sign_in()
    lines = members["lead"].json("/audit", visit=visit)["lines"]
    assert any(
        (e["who"], e["role"], e["what"], e["page"]) == ("the reader", "reader", "read", f"/visits/{visit}/note")
        for e in lines
    )
    assert any((e["who"], e["what"], e["status"]) == ("the reader", "refused", 403) for e in lines)
    of_student = members["lead"].json("/audit", who="the student")["lines"]
    assert {e["who"] for e in of_student} == {"the student"} and "write" in {e["what"] for e in of_student}
    everything = members["lead"].get("/audit.csv")
    assert everything.headers["content-type"].startswith("text/csv")
    assert "my secret word" not in everything.text and "unknown name" in everything.text
    assert PASSWORD not in everything.text
    assert "/accounts/retire: ünused / one" in everything.text, "the entry names the account that was changed"
    day = dt.date.today().isoformat()
    assert members["lead"].json("/audit", day=day)["total"] > 10
    assert members["lead"].json("/audit", day="2001-01-01")["total"] == 0
    assert members["lead"].get("/audit", day="someday").status_code == 400


def test_the_same_page_read_again_is_one_line(members: dict[str, Member], problem: str) -> None:
    visit = problem.split("/")[2]
    for _ in range(5):
        members["clinician"].get(f"{problem}/story")
    found = members["lead"].json("/audit", visit=visit, who="the clinician", what="read")["lines"]
    assert [e["page"] for e in found].count(f"{problem}/story") == 1


def test_the_system_tells_which_user_is_at_the_other_end(tmp_path: Path) -> None:
    if not Path("/proc/net/tcp").exists():
        pytest.skip("this system does not tell")
    with (
        socket.create_server(("127.0.0.1", 0)) as listening,
        socket.create_connection(listening.getsockname()) as client,
        listening.accept()[0],
    ):
        assert user_at(client.getsockname(), listening.getsockname()) == os.getuid()
    assert user_at(("127.0.0.1", 1), ("127.0.0.1", 2)) is None
    assert user_at(None, ("testserver", 80)) is None and user_at(("testclient", 5), ("::1", 80)) is None


def test_another_user_of_the_machine_is_kept_out_while_there_are_no_accounts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    running = Running(tmp_path)
    try:
        person = Person(running.url)
        problem = person.visit()
        monkeypatch.setattr("endfeel.web.gate.user_at", lambda *_: 54321)
        for answer in (person.get(f"{problem}/bench"), person.get("/visits.json"), person.post("/visits", code="T")):
            assert answer.status_code == 403 and "Another user" in answer.text
    finally:
        running.stop()
