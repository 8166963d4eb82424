"""A real server on a free port of this machine, and a small client that keeps its cookie and token."""

from __future__ import annotations

import re
import socket
import threading
import time
import uuid
from pathlib import Path
from typing import Any

import httpx
import uvicorn

from endfeel.web.app import create_app
from endfeel.web.settings import Settings


class Running:
    """The server with a data folder; `stop` ends it, and a new one on the same folder goes on where it was."""

    def __init__(self, folder: Path, **settings: Any) -> None:
        self.app = create_app(Settings(folder, **settings))
        self.socket = socket.socket()
        self.socket.bind(("127.0.0.1", 0))
        self.port = self.socket.getsockname()[1]
        self.server = uvicorn.Server(uvicorn.Config(self.app, log_level="warning"))
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [self.socket]}, daemon=True)
        self.thread.start()
        while not self.server.started:
            time.sleep(0.01)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def stop(self) -> None:
        self.server.should_exit = True
        self.thread.join(timeout=10)
        self.socket.close()


class Person:
    """Somebody at a device: cookie, token, and posts as a page makes them."""

    def __init__(self, url: str) -> None:
        self.http = httpx.Client(base_url=url, timeout=120, follow_redirects=False)
        self.token = re.search(r'endfeel-token" content="([0-9a-f]{64})"', self.http.get("/start").text)[1]  # type: ignore[index]

    def get(self, path: str, **query: Any) -> httpx.Response:
        return self.http.get(path, params=query)

    def json(self, path: str, **query: Any) -> Any:
        answer = self.http.get(path + ".json", params=query)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, path: str, swap: bool = True, **fields: Any) -> httpx.Response:
        headers = {"X-Endfeel-Token": self.token} | ({"HX-Request": "true"} if swap else {})
        return self.http.post(path, data={"client_id": str(uuid.uuid4()), **fields}, headers=headers)

    def done(self, path: str, **fields: Any) -> httpx.Response:
        answer = self.post(path, **fields)
        assert answer.status_code < 400, f"{path}: {answer.status_code} {answer.text[:300]}"
        return answer

    def visit(self, region: str = "knee", side: str = "right", birth_year: int | None = 1990, **opened: Any) -> str:
        """Open a visit with one problem; the problem's path."""
        fields = {"code": "T-1", "sex": "female", "setting": "primary", **opened}
        if birth_year is not None:
            fields["birth_year"] = birth_year
        first = self.done("/visits", swap=False, **fields).headers["location"]
        visit = first.rsplit("/", 1)[0]
        story = self.done(f"{visit}/problems", swap=False, problem=f"{region}/{side}").headers["location"]
        return story.rsplit("/", 1)[0]

    def clear_screens(self, problem: str) -> None:
        """Ask every safety question: no."""
        for screen in self.json(f"{problem}/safety")["screens"]:
            if screen["open_items"]:
                self.done(f"{problem}/safety/rest", screen=screen["id"])
