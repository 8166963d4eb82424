"""Thousands of requests made from the program's own description of its addresses (OpenAPI), valid and not.

Run: OMP_NUM_THREADS=1 python bench/api_cases.py [CASES FOR EACH ADDRESS, 60 if left out]
Prints how many requests got which answer, and stops at the first 5xx with the request that caused it. The tests run a
few cases of each address the same way.

The description is completed by what only a reader of the forms knows: their fields, and ids that exist, so that much
of what is made gets past the first check. All requests are about one visit; visits that are not there are tried in
tests/integration/test_web_guard.py.
"""

from __future__ import annotations

import collections
import datetime as dt
import logging
import re
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import hypothesis
import requests
import schemathesis
import uvicorn
from fastapi import FastAPI

from endfeel.web.accounts import password_digest
from endfeel.web.app import create_app
from endfeel.web.settings import Settings

NAME, PASSWORD = "a lead for the cases", "slow green river 7"
# These would end the session or the account that makes the requests; the tests of accounts call them.
LEFT_OUT = ("/sign-out", "/accounts/retire", "/accounts/password", "/accounts/role")
IDS = {
    "problem_id": ["p1"], "region": ["knee", "shoulder"], "observable": ["lachman", "pivot-shift", "anterior-drawer"],
    "condition": ["acl-tear", "meniscus-tear"], "form": ["pdf", "txt", "json", "svg"],
}  # fmt: skip
FIELDS: dict[str, list[str]] = {
    "observable": IDS["observable"], "condition": IDS["condition"], "result": ["negative", "positive", "unclear"],
    "answer": ["yes", "no", "unsure"], "seq": ["1", "2", "9999999"], "side": ["left", "right", "both", "none"],
    "screen": ["knee-fracture"], "item": ["x"], "state": ["nothing-found", "something-found"], "value": ["120", "-1"],
    "pain": ["0", "10"], "before": ["3"], "after": ["7"], "view": ["front"], "x": ["0.5"], "y": ["0.5"],
    "kind": ["pain", "tingling"], "index": ["0"], "problem": ["knee/right", "shoulder/left"], "reason": ["a reason"],
    "onset": ["injury"], "ago": ["3"], "onset_date": ["2026-02-30", "2026-01-05"], "minutes": ["15"],
    "action": ["start-care", "look-further", "send-now", "set-aside"], "care_group": ["x"], "chance": ["30", "101"],
    "review_on": ["2026-06-01"], "modality": ["mri"], "advice": ["Walk"], "what": ["exercise"], "days": ["14"],
    "source": ["mri"], "present": ["yes", "no"], "consent": ["yes", "withdrawn"], "yes": ["pregnancy"], "code": ["T-1"],
    "birth_year": ["1990", "3000"], "client_id": ["c-1"], "waited_ms": ["100", "-5"], "theme": ["dark"],
    "back": ["/visits"], "who": ["KB"], "card": ["x"], "confidence": ["3"], "activity_0": ["stairs"], "score_0": ["4"],
    "setting": ["primary"], "sex": ["female"], "name": ["somebody"], "role": ["reader"], "password": ["a b c d e f g"],
    "tp": ["10"], "fp": ["3"], "fn": ["2"], "tn": ["40"], "year": ["2020"], "reset": ["yes"],
}  # fmt: skip


def described(app: FastAPI, visit_id: str) -> dict[str, Any]:
    """The program's OpenAPI description with the forms' fields and with ids that exist beside any other text."""
    document: dict[str, Any] = app.openapi()
    known = IDS | {"visit_id": [visit_id]}
    form = {
        "type": "object",
        "properties": {name: _either(values) for name, values in FIELDS.items()},
        "maxProperties": 9,
        "additionalProperties": False,
    }
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            for parameter in operation.get("parameters", []):
                name = parameter["name"]
                if name in ("visit_id", "problem_id"):
                    parameter["schema"] = {"type": "string", "enum": known[name]}
                elif parameter["in"] == "path":
                    parameter["schema"] = _either(known.get(name, ["x"]))
            if method == "post" and "requestBody" not in operation:
                content = {"application/x-www-form-urlencoded": {"schema": form}}
                operation["requestBody"] = {"content": content, "required": False}
        assert path.startswith("/")
    return document


def _either(values: list[str]) -> dict[str, Any]:
    return {"anyOf": [{"type": "string", "enum": values}, {"type": "string", "minLength": 1, "maxLength": 60}]}


class Broken(AssertionError):
    """A request got a 5xx."""


class Caller:
    """A lead who is signed in, with a visit to work on."""

    def __init__(self, folder: Path) -> None:
        self.app = create_app(Settings(folder))
        desk = self.app.state.desk
        desk.people.add(NAME, "lead", password_digest(PASSWORD, NAME), "cases", dt.datetime.now(dt.UTC))
        self.socket = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self.socket.getsockname()[1]}"
        self.server = uvicorn.Server(uvicorn.Config(self.app, log_level="critical", lifespan="off"))
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [self.socket]}, daemon=True)
        self.thread.start()
        while not self.server.started:
            time.sleep(0.01)
        self.session = requests.Session()
        page = self.session.get(f"{self.url}/sign-in", timeout=30).text
        self.headers = {"X-Endfeel-Token": re.search(r'endfeel-token" content="(\w+)"', page)[1]}  # type: ignore[index]
        self._post("/sign-in", name=NAME, password=PASSWORD)
        where = self._post("/visits", code="T-1", birth_year="1990", sex="female", setting="primary")
        self.visit_id = where.split("/")[2]
        self._post(f"/visits/{self.visit_id}/problems", problem="knee/right")
        self.schema = schemathesis.openapi.from_dict(described(self.app, self.visit_id))
        self.answers: collections.Counter[int] = collections.Counter()

    def operations(self) -> list[Any]:
        """Every address with a method, but those left out."""
        found = [result.ok() for result in self.schema.get_all_operations()]
        return [operation for operation in found if operation.path not in LEFT_OUT]

    def try_one(self, operation: Any, cases: int, *, derandomize: bool) -> None:
        """Make requests for one address; Broken where one gets a 5xx."""

        @hypothesis.settings(
            max_examples=cases, deadline=None, derandomize=derandomize, database=None,
            suppress_health_check=list(hypothesis.HealthCheck),
        )  # fmt: skip
        @hypothesis.given(case=operation.as_strategy())
        def requested(case: Any) -> None:
            answer = case.call(
                base_url=self.url, session=self.session, headers=self.headers, allow_redirects=False, timeout=60
            )
            self.answers[answer.status_code] += 1
            if answer.status_code >= 500:
                raise Broken(f"{answer.status_code} for {case.as_curl_command()}: {answer.text[:300]}")

        requested()

    def stop(self) -> None:
        """Let go of everything."""
        self.server.should_exit = True
        self.thread.join(timeout=10)
        self.app.state.desk.close()

    def _post(self, path: str, **fields: str) -> str:
        answer = self.session.post(
            self.url + path, data=fields, headers=self.headers, allow_redirects=False, timeout=30
        )
        assert answer.status_code == 303, (path, answer.status_code, answer.text[:200])
        return str(answer.headers["location"])


@contextmanager
def caller() -> Iterator[Caller]:
    """A caller with a folder of its own."""
    with tempfile.TemporaryDirectory(prefix="endfeel-cases-") as folder:
        one = Caller(Path(folder))
        try:
            yield one
        finally:
            one.stop()


def main() -> None:
    """Run the cases and print the answers."""
    logging.disable(logging.WARNING)
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    begun = time.perf_counter()
    with caller() as one:
        operations = one.operations()
        for operation in operations:
            one.try_one(operation, cases, derandomize=False)
        total = sum(one.answers.values())
        print(f"{total} requests to {len(operations)} addresses in {time.perf_counter() - begun:.0f} s, no 5xx.")
        for status, number in sorted(one.answers.items()):
            print(f"  {status}: {number}")


if __name__ == "__main__":
    main()
