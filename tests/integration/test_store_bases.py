"""What visits stand on, kept in a real store: once each, never changed, in every copy, and missed where it is gone."""

from __future__ import annotations

import csv
import datetime as dt
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import func, select, text
from sqlalchemy.exc import DBAPIError

from endfeel.pooling.edition import load_edition
from endfeel.pooling.edition_parts import edition_parts
from endfeel.storage import Store
from endfeel.storage import tables as t
from endfeel.storage.backup import backup, restore
from endfeel.storage.basis_archive import BasisArchive, BasisError, basis_id_of
from endfeel.storage.doctor import Check, doctor
from endfeel.storage.export import export
from endfeel.visits.events import ProblemAdded, VisitOpened
from endfeel.visits.release import shipped_release

AT = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)
ONE = {"release/a.csv": b"a,b\n1,2\n", "release/b.toml": "[β]\n".encode(), "edition/x": bytes(range(256)) * 40}
TWO = {**ONE, "release/a.csv": b"a,b\n1,3\n"}


def kept(store: Store, contents: dict[str, bytes]) -> str:
    return BasisArchive(store).keep(contents, edition="e1", software="endfeel 0", at=AT)


def opened(store: Store, visit_id: str, basis: str | None, edition: str = "e1") -> None:
    store.append(visit_id, VisitOpened(patient_code="K", edition=edition), "A", f"{visit_id}-o", at=AT, basis=basis)
    store.append(visit_id, ProblemAdded(problem_id="p1", region="knee", side="left"), "A", f"{visit_id}-p")


def bases_check(where: str | Path) -> Check:
    """What the doctor says of the bases."""
    (found,) = [check for check in doctor(where).checks if check.name == "bases"]
    return found


def parts(store: Store) -> int:
    with store.engine.connect() as connection:
        return int(connection.execute(select(func.count()).select_from(t.basis_parts)).scalar_one())


def test_what_is_the_same_is_kept_once(any_url: str) -> None:
    with Store(any_url) as store:
        archive = BasisArchive(store)
        first = kept(store, ONE)
        assert first == kept(store, ONE) == basis_id_of(ONE)
        assert (len(archive.bases()), parts(store)) == (1, 3)
        second = kept(store, TWO)
        assert second != first
        assert (len(archive.bases()), parts(store)) == (2, 4), "only the table that differs was added"
        assert archive.read(first) == ONE and archive.read(second) == TWO
        entry = archive.entry(first)
        assert entry is not None and (entry.edition, entry.software, entry.made_at) == ("e1", "endfeel 0", AT)
        assert archive.entry("0" * 64) is None
        with pytest.raises(BasisError, match="is not in the store"):
            archive.read("0" * 64)


def test_a_visit_remembers_what_it_was_opened_with(any_url: str) -> None:
    with Store(any_url) as store:
        archive, basis = BasisArchive(store), kept(store, ONE)
        opened(store, "v1", basis)
        opened(store, "v2", None)
        placed = archive.of_visit("v1")
        assert placed is not None and (placed.basis_id, placed.how) == (basis, "opened")
        assert archive.of_visit("v2") is None
        assert [(u.visit_id, u.opened_at, u.edition) for u in archive.unplaced()] == [("v2", AT, "e1")]
        store.append("v1", VisitOpened(patient_code="K", edition="e1"), "A", "v1-o", at=AT, basis=kept(store, TWO))
        assert archive.of_visit("v1") == placed, "sent twice, the first counts"
        archive.adopt(["v1", "v2"], None)
        assert archive.of_visit("v1") == placed, "what stands is not adopted over"
        unknown = archive.of_visit("v2")
        assert unknown is not None and (unknown.basis_id, unknown.how) == (None, "unknown")
        assert archive.unplaced() == ()


def test_nothing_of_it_can_be_changed_or_deleted(any_url: str) -> None:
    with Store(any_url) as store:
        opened(store, "v1", kept(store, ONE))
        for statement in (
            "UPDATE basis_parts SET content = content", "DELETE FROM basis_parts",
            "UPDATE bases SET edition = 'x'", "DELETE FROM bases",
            "UPDATE visit_bases SET how = 'unknown'", "DELETE FROM visit_bases",
        ):  # fmt: skip
            with pytest.raises(DBAPIError, match="append-only"), store.engine.begin() as connection:
                connection.execute(text(statement))


def test_two_programs_may_keep_the_same_at_once(any_url: str) -> None:
    with Store(any_url, busy_seconds=30) as one, Store(any_url, busy_seconds=30) as two:
        gate = threading.Barrier(6)

        def keep(n: int) -> str:
            gate.wait()
            return kept((one, two)[n % 2], ONE)

        with ThreadPoolExecutor(6) as pool:
            assert len(set(pool.map(keep, range(6)))) == 1
        assert parts(one) == 3


def test_backup_restore_and_export_carry_it(any_url: str, postgres_url: str, tmp_path: Path) -> None:
    edition = load_edition()
    whole = {
        "release/knee/a.csv": b"x\n",
        **{f"edition/{name}": content for name, content in edition_parts(edition).items()},
    }
    with Store(any_url) as store:
        basis = kept(store, whole)
        opened(store, "v1", basis)
        made = backup(store, tmp_path / "b.sqlite")
        assert export(store, tmp_path / "out") == 1
        export(store, tmp_path / "bare", deidentified=True)
    for target in (str(tmp_path / "new"), postgres_url):
        if target == any_url:
            continue
        assert restore(made.path, target) == made.contents
        with Store(target) as other:
            assert BasisArchive(other).read(basis) == whole
            placed = BasisArchive(other).of_visit("v1")
            assert placed is not None and placed.basis_id == basis
        assert bases_check(target).ok
    with (tmp_path / "out" / "visits.csv").open(encoding="utf-8") as file:
        assert [row["basis"] for row in csv.DictReader(file)] == [basis]
    home = tmp_path / "out" / "bases" / basis
    assert (home / "release" / "knee" / "a.csv").read_bytes() == b"x\n"
    assert np.array_equal(load_edition(home / "edition.npz").mu, edition.mu)
    assert not (tmp_path / "bare" / "bases").exists()
    with (tmp_path / "bare" / "visits.csv").open(encoding="utf-8") as file:
        assert [row["basis"] for row in csv.DictReader(file)] == [""]


@pytest.mark.parametrize(
    ("harm", "said"),
    [
        ("DELETE FROM basis_parts WHERE digest = :digest", "release/a.csv is missing"),
        ("UPDATE basis_parts SET content = :other WHERE digest = :digest", "release/a.csv is damaged"),
        ("UPDATE bases SET manifest = '{}'", "its list of contents is damaged"),
        ("UPDATE bases SET manifest = 'no'", "its list of contents is damaged"),
    ],
)
def test_the_doctor_finds_what_is_missing_or_damaged(any_url: str, harm: str, said: str) -> None:
    with Store(any_url) as store:
        archive, basis = BasisArchive(store), kept(store, ONE)
        opened(store, "v1", basis)
        assert bases_check(any_url).ok
        entry = archive.entry(basis)
        assert entry is not None
        with store.engine.begin() as connection:
            for table in ("basis_parts", "bases"):
                if store.engine.dialect.name == "sqlite":
                    for verb in ("update", "delete"):
                        connection.execute(text(f"DROP TRIGGER {table}_no_{verb}"))
                else:
                    connection.execute(text(f"DROP TRIGGER {table}_append_only ON {table}"))
            given = {"digest": entry.names["release/a.csv"], "other": b"\x00not packed"}
            connection.execute(text(harm), {k: v for k, v in given.items() if f":{k}" in harm})
        with pytest.raises(BasisError, match=said):
            archive.read(basis)
        assert not doctor(any_url).ok
        assert said in bases_check(any_url).words


def test_the_doctor_says_of_how_many_visits_it_can_not_be_told(any_url: str) -> None:
    with Store(any_url) as store:
        opened(store, "v1", None)
        assert "of 1 earlier ones the server looks for it" in bases_check(any_url).words
        BasisArchive(store).adopt(["v1"], None)
        assert doctor(any_url).ok
        assert "of 1 earlier ones it could not be told" in bases_check(any_url).words


def test_the_doctor_says_what_this_version_can_not_read(any_url: str) -> None:
    release = shipped_release()
    good = {f"release/{name}": content for name, content in release.files.items()}
    good |= {f"edition/{name}": content for name, content in edition_parts(release.edition).items()}
    with Store(any_url) as store:
        opened(store, "v1", kept(store, good))
        report = doctor(any_url)
        assert report.ok and report.checks[-1].words == "this version can read all of it"
        odd = kept(store, {**good, "release/catalogue/knee/care.toml": b"[knee-cruciate]\nof_later = 1\n"})
        other = kept(store, {**good, "edition/mu/0003": good["edition/mu/0004"]})
        opened(store, "v2", odd)
        opened(store, "v3", other)
        said = doctor(any_url).checks[-1]
        assert not said.ok and f"basis {odd[:12]} (knee/care.toml" in said.words
        assert f"basis {other[:12]} (the kept edition is" in said.words
