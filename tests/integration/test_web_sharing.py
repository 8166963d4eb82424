"""The shared door, over loopback addresses: pairing, what an unpaired device sees, what is refused."""

from __future__ import annotations

import hashlib
import os
import re
import signal
import ssl
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from web_server import Person

PASSWORD = "slow green river 7"
SHARED = "127.0.0.2"  # another loopback address than the machine's own door


def command(*words: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    code = "from endfeel.cli import main; main()"
    return subprocess.run([sys.executable, "-c", code, *words], input=typed, capture_output=True, text=True, timeout=60)


@dataclass
class Served:
    """`endfeel serve --share` as a program of its own."""

    folder: Path
    own: str
    shared: str
    process: subprocess.Popen[str]


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("shared") / "data"
    for name, role in (("KB", "lead"), ("MO", "clinician")):
        words = ("account", "add", name, "--role", role, "--password-from", "-", "--data", str(folder))
        made = command(*words, typed=PASSWORD + "\n")
        assert made.returncode == 0, made.stderr
    code = "from endfeel.cli import main; main()"
    words = ("serve", "--data", str(folder), "--port", "0", "--share", "--share-address", SHARED, "--share-port", "0")
    process = subprocess.Popen([sys.executable, "-u", "-c", code, *words], stdout=subprocess.PIPE, text=True)
    said = ""
    assert process.stdout is not None
    while "Shared at" not in said:
        line = process.stdout.readline()
        assert line, f"ended early: {said}"
        said += line
    own = re.search(r"http://127\.0\.0\.1:\d+", said)
    shared = re.search(r"https://127\.0\.0\.2:\d+", said)
    assert own and shared, said
    yield Served(folder, own[0], shared[0], process)
    process.send_signal(signal.SIGINT)
    assert process.wait(timeout=20) in (0, 130), "it ends by Ctrl-C and leaves nothing open"


class Tablet(Person):
    """A device at the shared door, that trusts exactly the certificate of this installation."""

    def __init__(self, served: Served, at: str = "127.0.0.1") -> None:
        trust = ssl.create_default_context(cafile=str(served.folder / "share" / "certificate.pem"))
        way = httpx.HTTPTransport(verify=trust, local_address=at)
        self.http = httpx.Client(base_url=served.shared, transport=way, timeout=30, follow_redirects=False)
        page = self.http.get("/join").text
        self.token = re.search(r'endfeel-token" content="([0-9a-f]{64})"', page)[1]  # type: ignore[index]


class Lead(Person):
    """The lead at the serving machine."""

    def __init__(self, served: Served) -> None:
        self.http = httpx.Client(base_url=served.own, timeout=30, follow_redirects=False)
        page = self.http.get("/sign-in").text
        self.token = re.search(r'endfeel-token" content="([0-9a-f]{64})"', page)[1]  # type: ignore[index]
        assert self.post("/sign-in", swap=False, name="KB", password=PASSWORD).status_code == 303

    def code(self) -> str:
        self.done("/pair", swap=False)
        return str(self.json("/pair")["code"])


@pytest.fixture(scope="module")
def lead(served: Served) -> Lead:
    return Lead(served)


@pytest.fixture(scope="module")
def tablet(served: Served, lead: Lead) -> Tablet:
    one = Tablet(served)
    joined = one.post("/join", swap=False, code=lead.code(), name="tablet room 2")
    assert joined.status_code == 303, joined.text
    signed = one.post("/sign-in", swap=False, name="mo", password=PASSWORD)
    assert signed.status_code == 303
    for cookie in (*joined.headers.get_list("set-cookie"), *signed.headers.get_list("set-cookie")):
        assert cookie.startswith("__Host-endfeel_")
        for flag in ("Secure", "HttpOnly", "SameSite=strict", "Path=/"):
            assert flag in cookie, cookie
        assert "Domain" not in cookie
    return one


def test_without_an_account_nothing_is_shared(tmp_path: Path) -> None:
    said = command("serve", "--share", "--share-address", SHARED, "--port", "0", "--data", str(tmp_path / "empty"))
    assert said.returncode == 2 and "account add" in said.stderr and len(said.stderr.splitlines()) == 1
    assert not (tmp_path / "empty" / "share").exists()


def test_an_address_that_is_not_this_machines_is_one_clear_line(served: Served) -> None:
    for address, words in (("192.0.2.55", "--share-port"), ("no such place", "in numbers")):
        said = command("serve", "--share", "--share-address", address, "--port", "0", "--data", str(served.folder))
        assert said.returncode == 2 and words in said.stderr and len(said.stderr.splitlines()) == 1, said.stderr


def test_a_device_that_is_not_paired_sees_the_pairing_page_only(served: Served) -> None:
    stranger = Tablet(served)
    for path in ("/", "/visits", "/sign-in", "/accounts", "/openapi.json", "/visits.json", "/pair", "/evidence"):
        answer = stranger.http.get(path)
        if path.endswith(".json"):
            assert answer.status_code == 403 and "not paired" in answer.text
        else:
            assert answer.status_code == 303 and answer.headers["location"] == "/join"
    assert stranger.post("/sign-in", name="KB", password=PASSWORD).status_code == 403
    assert stranger.post("/visits", code="T").status_code == 403


def test_a_paired_device_works_when_somebody_signs_in(tablet: Tablet, lead: Lead) -> None:
    problem = tablet.visit()
    tablet.clear_screens(problem)
    tablet.done(f"{problem}/record", observable="lachman", result="positive")
    found = lead.json("/audit", who="MO", what="write")["lines"]
    assert found and all(e["where"].startswith("tablet room 2, 127.0.0.") for e in found)


def test_the_code_is_shown_at_the_serving_machine_only(served: Served, lead: Lead) -> None:
    two = Tablet(served)
    two.done("/join", swap=False, code=lead.code(), name="laptop")
    assert two.post("/sign-in", swap=False, name="KB", password=PASSWORD).status_code == 303
    assert two.get("/pair").status_code == 403 and two.post("/pair").status_code == 403
    assert two.get("/devices").status_code == 200, "the list itself may be seen by a lead anywhere"
    page = lead.get("/pair").text
    pem = ssl.PEM_cert_to_DER_cert((served.folder / "share" / "certificate.pem").read_text())
    shown = re.search(r'class="code small">([0-9A-F ]+)<', page)[1]  # type: ignore[index]
    assert shown.replace(" ", "").lower() == hashlib.sha256(pem).hexdigest()


def test_wrong_codes_pair_nothing_and_then_wait(served: Served, lead: Lead) -> None:
    code = lead.code()
    stranger = Tablet(served, at="127.0.0.9")
    wrong = f"{(int(code.replace(' ', '')) + 1) % 10**8:08d}"
    said = [stranger.post("/join", swap=False, code=wrong, name="x").status_code for _ in range(6)]
    assert said[:5] == [403] * 5 and said[5] == 429
    assert not any("device" in name for name in stranger.http.cookies)
    late = stranger.post("/join", swap=False, code=code, name="x")
    assert late.status_code == 429, "the right code does not help before the time is over"


def test_the_shared_door_answers_to_its_own_name_only(tablet: Tablet, lead: Lead) -> None:
    shared, own = tablet.http.base_url.netloc.decode(), lead.http.base_url.netloc.decode()
    for host in ("localhost", own, f"clinic.example:{tablet.http.base_url.port}", SHARED, f"{SHARED}:1"):
        assert tablet.http.get("/visits", headers={"Host": host}).status_code == 421, host
    assert lead.http.get("/visits", headers={"Host": shared}).status_code == 421
    for origin in (f"http://{shared}", f"https://{own}", "null", "https://[", "https://clinic.example"):
        headers = {"Origin": origin, "X-Endfeel-Token": tablet.token}
        assert tablet.http.post("/visits", data={"code": "T"}, headers=headers).status_code == 403, origin
    headers = {"Origin": f"https://{shared}", "X-Endfeel-Token": tablet.token}
    assert tablet.http.post("/visits", data={"code": "T-7", "setting": "primary"}, headers=headers).status_code == 303
    assert tablet.http.post("/visits", data={"code": "T"}).status_code == 403, "no token"


def test_no_header_makes_the_one_door_the_other(served: Served, tablet: Tablet) -> None:
    pretending = {
        "X-Forwarded-Proto": "http", "X-Forwarded-For": "127.0.0.1", "Forwarded": "for=127.0.0.1;proto=http",
        "X-Forwarded-Host": "localhost",
    }  # fmt: skip
    assert Tablet(served).http.get("/visits", headers=pretending).headers["location"] == "/join"
    with httpx.Client(base_url=served.own) as own:
        answer = own.get("/visits", headers={"X-Forwarded-Proto": "https"})
        assert answer.headers["location"].startswith("/sign-in")


def test_a_session_belongs_to_its_device_and_its_door(served: Served, tablet: Tablet, lead: Lead) -> None:
    session = tablet.http.cookies["__Host-endfeel_session"]
    other = Tablet(served)
    other.done("/join", swap=False, code=lead.code(), name="tablet room 3")
    other.http.cookies.set("__Host-endfeel_session", session)
    assert other.get("/visits").status_code == 303
    with httpx.Client(base_url=served.own, cookies={"endfeel_session": session}) as own:
        assert own.get("/visits").status_code == 303


def test_plain_http_is_not_spoken_at_the_shared_door(served: Served) -> None:
    with pytest.raises(httpx.HTTPError):
        httpx.get(served.shared.replace("https", "http") + "/join", timeout=5)


def test_a_device_that_is_shut_out_is_a_stranger_at_once(served: Served, lead: Lead) -> None:
    lost = Tablet(served)
    lost.done("/join", swap=False, code=lead.code(), name="lost tablet")
    assert lost.post("/sign-in", swap=False, name="MO", password=PASSWORD).status_code == 303
    assert lost.get("/visits").status_code == 200
    device = next(d for d in lead.json("/devices")["devices"] if d["name"] == "lost tablet")
    lead.done(f"/devices/{device['device_id']}/revoke", swap=False)
    assert lost.get("/visits").headers["location"] == "/join"
    assert lead.post("/devices/none-such/revoke").status_code == 404


def test_the_command_line_manages_accounts_while_the_server_runs(served: Served, tablet: Tablet) -> None:
    data = ("--data", str(served.folder))
    added = command("account", "add", "RT", "--role", "reader", "--password-from", "-", *data, typed=PASSWORD)
    assert added.returncode == 0, added.stderr
    listed = [line.split() for line in command("account", "list", *data).stdout.splitlines()]
    assert listed == [["KB", "lead"], ["MO", "clinician"], ["RT", "reader"]]
    assert tablet.post("/sign-in", swap=False, name="RT", password=PASSWORD).status_code == 303
    assert tablet.get("/visits").status_code == 200
    assert command("account", "retire", "RT", *data).returncode == 0
    assert tablet.get("/visits").headers["location"].startswith("/sign-in")
    for words, said in (
        (("account", "retire", "KB"), "only lead"),
        (("account", "retire", "nobody"), "no account"),
        (("account", "add", "XY", "--role", "king", "--password-from", "-"), "no role"),
    ):
        failed = command(*words, *data, typed=PASSWORD)
        assert failed.returncode == 2 and said in failed.stderr and len(failed.stderr.splitlines()) == 1
    easy = command("account", "add", "XY", "--password-from", "-", *data, typed="easy\n")
    assert easy.returncode == 2 and "12 characters" in easy.stderr
    assert tablet.post("/sign-in", swap=False, name="MO", password=PASSWORD).status_code == 303


def test_the_trail_knows_of_the_command_line_and_of_pairing(served: Served, lead: Lead, tablet: Tablet) -> None:
    out = command("export", str(served.folder.parent / "out"), "--data", str(served.folder))
    assert out.returncode == 0, out.stderr
    lines = lead.json("/audit")["lines"] + lead.json("/audit", what="account")["lines"]
    pages = {e["page"] for e in lines} | {e["page"] for e in lead.json("/audit", what="device")["lines"]}
    assert "account add: MO" in pages and "/join: tablet room 2" in pages
    assert any(p.startswith("export: ") for p in pages)
    assert os.stat(served.folder / "share" / "key.pem").st_mode & 0o077 == 0
