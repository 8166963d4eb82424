"""Who may speak to the server, and nonsense: always one clear 4xx line, never a 5xx, nothing stored."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from web_server import Person

POSTS = (
    "/visits", "/start", "/device", "/theme", "/clinic", "{v}/where", "{v}/problems", "{v}/close", "{v}/reopen",
    "{v}/outcome", "{p}/move", "{p}/story", "{p}/answer-history", "{p}/answer", "{p}/base", "{p}/card",
    "{p}/safety", "{p}/safety/rest", "{p}/safety/override", "{p}/person", "{p}/consent", "{p}/record",
    "{p}/undo", "{p}/worse", "{p}/criterion", "{p}/decide", "{p}/agree", "{p}/treatment",
    "{p}/conditions/acl-tear/chance", "/costs/knee", "/chances", "/evidence/studies/own/new",
    "/evidence/studies/own/import", "/evidence/studies/no-such/edit", "/evidence/studies/no-such/retire",
    "/evidence/studies/no-such/restore",
)  # fmt: skip
# Of accounts and devices, which would shut the tests out, and of strategies, which take long: tested where they live.
ELSEWHERE = ("/sign-", "/accounts", "/password", "/pair", "/join", "/devices", "/strategies")
WITH_THE_FORM = ("/evidence", "/costs", "/chances")  # come back as the form, filled in, with what is wrong beside it
FIELDS = (
    "observable", "result", "answer", "seq", "side", "screen", "item", "state", "value", "pain", "before",
    "after", "view", "x", "y", "place", "kind", "index", "do", "problem", "reason", "onset", "ago",
    "onset_date", "minutes", "how", "action", "care_group", "review_on", "modality", "advice", "what", "days",
    "condition", "source", "present", "on", "consent", "yes", "code", "birth_year", "client_id", "waited_ms",
    "theme", "back", "who", "o:travel", "o:", "card", "confidence", "activity_0", "score_0",
)  # fmt: skip
GETS = (
    "/visits/{}", "/visits/{}/where", "/visits/{}/note.pdf", "{v}/{}/bench", "{p}/findings/{}",
    "{p}/conditions/{}", "{p}/find?q={}", "/visits?q={}&offset=-3", "/evidence/{}",
    "/evidence/knee/{}/acl-tear", "/evidence/knee/lachman/{}", "{p}/letter.{}", "{p}/worse?observable={}",
    "/static/{}",
)  # fmt: skip


@pytest.fixture(scope="module")
def problem(person: Person) -> str:
    return person.visit()


def test_a_foreign_name_is_not_answered(person: Person) -> None:
    answer = person.http.get("/visits", headers={"Host": "clinic.example:80"})
    assert answer.status_code == 421 and "localhost" in answer.text


def test_another_sites_form_is_not_done(person: Person) -> None:
    answer = person.http.post(
        "/start", data={"who": "XX"}, headers={"Origin": "http://elsewhere.example", "X-Endfeel-Token": person.token}
    )
    assert answer.status_code == 403


def test_a_post_without_a_token_is_not_done(person: Person, problem: str) -> None:
    before = person.json(f"{problem}/bench")["head"]["seq"]
    plain = person.http.post(f"{problem}/record", data={"observable": "lachman", "result": "positive"})
    assert plain.status_code == 403 and "load the page again" in plain.text
    other = Person(str(person.http.base_url))
    stolen = person.http.post(
        f"{problem}/record", data={"observable": "lachman", "result": "positive", "csrf": other.token}
    )
    assert stolen.status_code == 403, "another browser's token is no token"
    assert person.json(f"{problem}/bench")["head"]["seq"] == before


def test_a_form_may_carry_its_token_in_a_field(person: Person, problem: str) -> None:
    answer = person.http.post(f"{problem}/agree", data={"advice": "Walk", "csrf": person.token})
    assert answer.status_code == 303


def test_a_huge_post_is_refused(person: Person, problem: str) -> None:
    answer = person.post(f"{problem}/agree", advice="x" * 600_000)
    assert answer.status_code == 413 and "512" in answer.text


def test_a_turn_back_never_leaves_the_site(person: Person) -> None:
    for back in ("//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "javascript:1"):
        assert person.post("/theme", theme="dark", back=back).headers["location"] == "/visits"


def test_every_address_that_can_be_posted_to_is_held_against_nonsense(person: Person) -> None:
    filled = {
        "/visits/{visit_id}/{problem_id}": "{p}", "/visits/{visit_id}": "{v}", "{condition}": "acl-tear",
        "{region}": "knee", "{study_id}": "no-such",
    }  # fmt: skip
    for path, how in person.json("/openapi")["paths"].items():
        if "post" not in how or path.startswith(ELSEWHERE):
            continue
        for name, value in filled.items():
            path = path.replace(name, value)
        assert path in POSTS, path


def test_unknown_ids_are_named(person: Person, problem: str) -> None:
    answers = {
        f"{problem}/record": {"observable": "no-such-test", "result": "positive"},
        f"{problem}/safety": {"screen": "no-such-screen", "item": "x", "answer": "no"},
        f"{problem}/base": {"item": "no-such-item", "state": "nothing-found"},
        f"{problem}/decide": {"action": "look-further", "care_group": "no-such-care"},
        f"{problem}/person": {"yes": "no-such-precaution"},
    }
    for path, fields in answers.items():
        answer = person.post(path, **fields)
        assert answer.status_code in (400, 404) and "no-such" in answer.text and len(answer.text) < 200, path


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    path=st.sampled_from(POSTS),
    fields=st.dictionaries(
        st.sampled_from(FIELDS),
        st.one_of(
            st.text(max_size=30), st.integers().map(str), st.floats().map(str), st.just("\x00"), st.just("9" * 400),
            st.sampled_from(
                ["lachman", "positive", "yes", "no", "left", "p1", "acl-tear", "2026-02-30", "start-care", "-1"]
            ),
        ),
        max_size=8,
    ),
    swap=st.booleans(),
)  # fmt: skip
def test_no_nonsense_breaks_the_server(
    person: Person, problem: str, path: str, fields: dict[str, str], swap: bool
) -> None:
    where = path.format(v=problem.rsplit("/", 1)[0], p=problem)
    sent = {name: value.encode("utf-8", "replace").decode() for name, value in fields.items()}
    answer = person.post(where, swap=swap, **sent)
    assert answer.status_code < 500, (where, sent, answer.text[:300])
    if answer.status_code >= 400 and swap and not path.startswith(WITH_THE_FORM):
        assert len(answer.text.splitlines()) == 1 and len(answer.text) < 500, answer.text


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(path=st.sampled_from(GETS), word=st.text(max_size=40))
def test_no_address_breaks_the_server(person: Person, problem: str, path: str, word: str) -> None:
    from urllib.parse import quote

    odd = quote(word.encode("utf-8", "replace"), safe="") or "%00"
    where = path.replace("{v}", problem.rsplit("/", 1)[0]).replace("{p}", problem).replace("{}", odd)
    answer = person.http.get(where)
    assert answer.status_code < 500, (where, answer.text[:300])


@pytest.mark.parametrize("kind", ["application/json", "multipart/form-data; boundary=x", "text/plain", "nonsense"])
def test_other_bodies_are_refused_in_one_line(person: Person, problem: str, kind: str) -> None:
    answer = person.http.post(
        f"{problem}/record",
        content=b'{"observable": 1',
        headers={"Content-Type": kind, "X-Endfeel-Token": person.token, "HX-Request": "true"},
    )
    assert 400 <= answer.status_code < 500 and len(answer.text.splitlines()) == 1


def test_what_an_event_can_not_hold_is_refused_in_one_line(person: Person, problem: str) -> None:
    odd = {"/visits": {"code": "T\x1b", "setting": "primary"}, f"{problem}/outcome": {"source": "\x1b"}}
    for path, fields in odd.items():
        answer = person.post(path, **fields)
        assert 400 <= answer.status_code < 500 and len(answer.text.splitlines()) == 1, (path, answer.text[:200])
