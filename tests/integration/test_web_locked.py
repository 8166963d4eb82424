"""No page offers a button that would refuse: forms that a role may not post are off, and say who may."""

from __future__ import annotations

from collections.abc import Iterator
from html.parser import HTMLParser

import pytest
from test_web_accounts import PASSWORD, Member, member
from test_web_pages import addresses
from web_server import Person, Running

from endfeel.storage.people import ROLES


@pytest.fixture(scope="module")
def members(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Member]]:
    running = Running(tmp_path_factory.mktemp("locked"))
    first = Person(running.url)
    for role in ("lead", *(r for r in ROLES if r != "lead")):
        person = first if role == "lead" else member(running, "the lead")
        person.done("/accounts", swap=False, name=f"the {role}", role=role, password=PASSWORD)
    yield {role: member(running, f"the {role}") for role in ROLES}
    running.stop()


@pytest.fixture(scope="module")
def problem(members: dict[str, Member]) -> str:
    path = members["clinician"].visit()
    members["clinician"].done(f"{path}/story", onset="injury", ago="3", minutes="20")
    members["clinician"].clear_screens(path)
    members["clinician"].done(f"{path}/record", observable="lachman", result="positive")
    return path


@pytest.mark.parametrize("role", ROLES)
def test_an_open_form_is_one_that_the_role_may_post(members: dict[str, Member], problem: str, role: str) -> None:
    one = members[role]
    off = on = 0
    for path in addresses(members["lead"], problem):
        page = one.get(path)
        if page.status_code != 200:
            assert page.status_code == 403, (path, page.status_code)
            continue
        forms = _Forms()
        forms.feed(page.text)
        for action, is_off in forms.found:
            if is_off:
                off += 1
                refused = one.post(action)
                assert refused.status_code == 403 and f"As a {role} you can not" in refused.text, (path, action)
            elif action not in SAFE_TO_SKIP:
                on += 1
                answer = one.post(action, client_id="not an id")  # refused for what it says, so nothing is kept
                assert answer.status_code == 400, (path, action, answer.status_code, answer.text[:80])
        assert (f"As a {role} you can not" in page.text) == any(is_off for _, is_off in forms.found), path
    assert on or role == "reader"
    assert off or role == "lead"


def test_without_accounts_every_form_is_on(person: Person) -> None:
    assert 'class="off"' not in person.get("/visits/new").text


SAFE_TO_SKIP = ("/sign-out", "/theme", "/device", "/start", "/password")


class _Forms(HTMLParser):
    """The address of every form that posts, and whether all that can be pressed in it is disabled."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, bool]] = []
        self.action: str | None = None
        self.off = False
        self.open_control = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        have = dict(attrs)
        if tag == "form" and have.get("method") == "post":
            self.action, self.off, self.open_control = have.get("action") or "", False, False
        elif self.action is not None and tag == "fieldset" and have.get("class") == "off":
            assert "disabled" in have
            self.off = True
        elif self.action is not None and tag in ("button", "input", "select", "textarea") and not self.off:
            self.open_control = True

    def handle_endtag(self, tag: str) -> None:
        if tag == "form" and self.action is not None:
            assert not (self.off and self.open_control), f"{self.action}: half of it is off"
            self.found.append((self.action, self.off))
            self.action = None
