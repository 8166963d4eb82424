"""A store encrypted at rest: nothing readable on the disk, and everything else as before."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from endfeel.storage import Store, StoreError, sealing
from endfeel.storage.audit import AuditTrail
from endfeel.storage.backup import backup, decrypt, encrypt, restore
from endfeel.storage.basis_archive import BasisArchive
from endfeel.storage.doctor import doctor
from endfeel.visits.events import FindingRecorded, ProblemAdded, VisitOpened

pytest.importorskip("sqlcipher3")
WORDS = "six quiet words by the sea"
SECRET = "patient-code-in-plain-sight"


@pytest.fixture(autouse=True)
def passphrase(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    file = tmp_path / "passphrase"
    file.write_text(WORDS + "\n")
    monkeypatch.setenv(sealing.VARIABLE, str(file))
    sealing._read.cache_clear()
    yield file
    sealing._read.cache_clear()
    sealing._typed.clear()


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A store with one visit, encrypted."""
    path = tmp_path / "data" / "endfeel.sqlite"
    with Store(path) as store:
        store.append("v1", VisitOpened(patient_code=SECRET), "KB", "o")
        store.append("v1", ProblemAdded(problem_id="p1", region="knee", side="left"), "KB", "p")
    assert SECRET.encode() in path.read_bytes(), "a plain store can be read by whoever has the file"
    assert encrypt(path).events == 2
    return path


def _readable(folder: Path) -> list[str]:
    words = (SECRET.encode(), b"lachman", b"CREATE TABLE", b"SQLite format")
    return [p.name for p in folder.rglob("*") if p.is_file() and any(w in p.read_bytes() for w in words)]


def test_nothing_on_the_disk_can_be_read_and_the_record_goes_on(file: Path) -> None:
    with Store(file) as store:
        stored = store.append(
            "v1", FindingRecorded(problem_id="p1", observable="lachman", side="left", result="positive"), "KB", "f"
        )
        assert stored.seq == 3 and store.visits(SECRET)[0].visit_id == "v1"
        assert _readable(file.parent) == [], "the write-ahead file too"
        trail = AuditTrail(f"sqlite:///{file}")
        assert trail.count() == 0
        trail.close()
        with pytest.raises(Exception, match="append-only"), store.engine.begin() as connection:
            connection.exec_driver_sql("DELETE FROM events")
    with Store(file, check="full") as store:
        assert [e.seq for e in store.events("v1")] == [1, 2, 3]
    assert [p.name for p in file.parent.iterdir() if "seal" in p.name or "old" in p.name] == []
    assert file.stat().st_mode & 0o077 == 0
    report = doctor(file.parent)
    assert report.ok and any("is encrypted" in c.words for c in report.checks)


def test_a_backup_is_encrypted_too_and_restores(file: Path, tmp_path: Path) -> None:
    with Store(file) as store:
        made = backup(store, tmp_path / "kept" / "b.sqlite")
    assert _readable(tmp_path / "kept") == []
    assert restore(made.path, tmp_path / "new") == made.contents
    assert _readable(tmp_path / "new") == []
    with Store(tmp_path / "new") as store:
        assert store.visits(SECRET)


def test_what_visits_stand_on_is_encrypted_and_comes_back(tmp_path: Path) -> None:
    contents = {"release/a.csv": SECRET.encode() * 3, "edition/mu": bytes(range(256)) * 40}
    path, moment = tmp_path / "data" / "endfeel.sqlite", dt.datetime(2026, 3, 2, tzinfo=dt.UTC)
    with Store(path) as store:
        basis = BasisArchive(store).keep(contents, edition="e", software="s", at=moment)
        store.append("v1", VisitOpened(patient_code="K"), "KB", "o", basis=basis)
    assert b"release/a.csv" in path.read_bytes()
    encrypt(path)
    assert b"release/a.csv" not in path.read_bytes()
    assert all(check.ok for check in doctor(path).checks if check.name == "bases")
    with Store(path) as store:
        made = backup(store, tmp_path / "b.sqlite")
    restore(made.path, tmp_path / "again")
    decrypt(path)
    for place in (path, tmp_path / "again"):
        with Store(place) as store:
            assert BasisArchive(store).read(basis) == contents
            placed = BasisArchive(store).of_visit("v1")
            assert placed is not None and placed.basis_id == basis


def test_without_the_right_passphrase_nothing_opens_and_nothing_is_harmed(
    file: Path, passphrase: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = file.read_bytes()
    sealing.use_passphrase("not these words at all")
    with pytest.raises(StoreError, match="not its passphrase") as caught:
        Store(file)
    assert caught.value.kind == "sealed" and WORDS not in str(caught.value)
    sealing._typed.clear()
    monkeypatch.delenv(sealing.VARIABLE)
    with pytest.raises(StoreError, match="damaged, or encrypted"):
        Store(file)
    monkeypatch.setenv(sealing.VARIABLE, str(passphrase) + ".none")
    with pytest.raises(StoreError, match="can not be read"):
        Store(file)
    assert file.read_bytes() == before
    monkeypatch.setenv(sealing.VARIABLE, str(passphrase))
    with Store(file) as store:
        assert store.count() == 1


def test_one_changed_byte_is_noticed(file: Path) -> None:
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(content)
    with pytest.raises(StoreError, match="damaged"):
        Store(file, check="full")


def test_it_can_be_turned_back(file: Path) -> None:
    assert decrypt(file).visits == 1
    assert "endfeel.sqlite" in _readable(file.parent)
    with Store(file) as store:
        assert store.visits(SECRET)
        with pytest.raises(Exception, match="append-only"), store.engine.begin() as connection:
            connection.exec_driver_sql("UPDATE events SET actor = 'X'")
    with pytest.raises(StoreError, match="not encrypted"):
        decrypt(file)


def test_an_open_store_is_not_encrypted_under_its_readers(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    with Store(path) as store:
        store.append("v1", VisitOpened(patient_code="T"), "KB", "o")
        with store.engine.connect() as reading:
            reading.exec_driver_sql("SELECT 1 FROM visits").all()
            with pytest.raises(StoreError, match="another program"):
                encrypt(path)
        assert store.append("v1", ProblemAdded(problem_id="p1", region="knee", side="left"), "KB", "p").seq == 2


def test_the_commands(tmp_path: Path, passphrase: Path) -> None:
    def run(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
        code = "from endfeel.cli import main; main()"
        given = {"PATH": "/usr/bin:/bin", "HOME": str(tmp_path), **environment}
        command = [sys.executable, "-c", code, *words, "--data", str(tmp_path / "home")]
        return subprocess.run(command, capture_output=True, text=True, timeout=60, env=given, input="")

    with Store(tmp_path / "home") as store:
        store.append("v1", VisitOpened(patient_code=SECRET), "KB", "o")
    short = tmp_path / "short"
    short.write_text("too short\n")
    refused = run("encrypt", "--passphrase-from", str(short))
    assert refused.returncode == 2 and "16 characters" in refused.stderr
    done = run("encrypt", "--passphrase-from", str(passphrase))
    assert done.returncode == 0 and "1 visits" in done.stdout, done.stderr
    lost = run("account", "list")
    assert lost.returncode == 2 and sealing.VARIABLE in lost.stderr and len(lost.stderr.splitlines()) == 1
    named = {sealing.VARIABLE: str(passphrase)}
    assert run("doctor", **named).returncode == 0
    assert run("decrypt", **named).returncode == 0
    assert run("doctor").returncode == 0
