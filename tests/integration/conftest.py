"""Real databases for the tests that need one, and a real server that the tests of one file share."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, text
from web_server import Person, Running

from endfeel.storage.connect import make_engine, make_file, store_url

_LINES = "fsync=off\nfull_page_writes=off\nlisten_addresses='127.0.0.1'\n"


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """A URL of a server where databases can be made: ENDFEEL_TEST_POSTGRES_URL, else one started for the tests."""
    given = os.environ.get("ENDFEEL_TEST_POSTGRES_URL")
    if given:
        yield given
        return
    pytest.importorskip("psycopg")
    found = [Path(d) for d in Path("/usr/lib/postgresql").glob("*/bin") if (d / "initdb").exists()]
    on_path = shutil.which("initdb")
    folder = Path(on_path).resolve().parent if on_path else max(found, default=None)
    if folder is None:
        pytest.skip("no PostgreSQL server here; set ENDFEEL_TEST_POSTGRES_URL to use one")
    with tempfile.TemporaryDirectory(prefix="endfeel-pg-") as home:
        run = _as_server_user(Path(home))
        data = Path(home) / "data"
        run([folder / "initdb", "-D", data, "-U", "endfeel", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8"])
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        (data / "postgresql.conf").open("a").write(f"{_LINES}port={port}\nunix_socket_directories='{home}'\n")
        run([folder / "pg_ctl", "-D", data, "-l", Path(home) / "log", "-w", "start"])
        try:
            yield f"postgresql://endfeel@127.0.0.1:{port}/postgres"
        finally:
            run([folder / "pg_ctl", "-D", data, "-m", "immediate", "stop"])


def _as_server_user(home: Path) -> Callable[[list[object]], None]:
    """A way to run the server's programs, which refuse to run as root."""
    options: dict[str, object] = {}
    if os.geteuid() == 0:
        name = "postgres" if _has_user("postgres") else "nobody"
        user = pwd.getpwnam(name)
        os.chown(home, user.pw_uid, user.pw_gid)
        options = {"user": user.pw_uid, "group": user.pw_gid}

    def run(command: list[object]) -> None:
        words = [str(word) for word in command]
        # The server would keep a pipe open for as long as it runs: its output goes to its own log.
        subprocess.run(words, check=True, cwd=home, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **options)  # type: ignore[call-overload]

    return run


def _has_user(name: str) -> bool:
    try:
        pwd.getpwnam(name)
    except KeyError:
        return False
    return True


@pytest.fixture
def postgres_url(postgres_server: str) -> Iterator[str]:
    """A new, empty PostgreSQL database."""
    name = f"endfeel_{uuid.uuid4().hex[:12]}"
    engine = make_engine(store_url(postgres_server), 5).execution_options(isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    yield store_url(postgres_server).set(database=name).render_as_string(hide_password=False)
    with engine.connect() as connection:
        connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
    engine.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def any_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An empty store of each kind in turn."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'endfeel.sqlite'}"
    return str(request.getfixturevalue("postgres_url"))


@pytest.fixture
def raw_engine() -> Callable[[str], Engine]:
    """Makes an engine on a database that no store has opened yet."""

    def make(url: str) -> Engine:
        make_file(store_url(url))
        return make_engine(store_url(url), 5)

    return make


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    """A server that one test has to itself."""
    server = Running(tmp_path)
    yield server
    server.stop()


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A server on an empty folder."""
    running = Running(tmp_path_factory.mktemp("server"))
    yield running
    running.stop()


@pytest.fixture(scope="module")
def person(server: Running) -> Person:
    """Somebody at a device of that server."""
    return Person(server.url)
