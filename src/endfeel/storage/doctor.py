"""A look at a store without changing it: is everything there, readable and whole?"""

from __future__ import annotations

import shutil
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import func, select

from endfeel.pooling.edition_parts import edition_of_parts
from endfeel.storage import tables as t
from endfeel.storage.basis_archive import BasisArchive, BasisError
from endfeel.storage.connect import check_file, make_engine, revision, revisions, shown, store_url
from endfeel.storage.faults import StoreError, explained
from endfeel.storage.sealing import is_sealed
from endfeel.storage.store import Store
from endfeel.visits.line import line_of
from endfeel.visits.release import EDITION_IN_BASIS, IN_BASIS, kept_release, shipped_release, under
from endfeel.visits.state import ReplayError, replay

LITTLE_SPACE = 200 * 2**20  # bytes
_SHOWN = 5


@dataclass(frozen=True)
class Check:
    """One thing that was looked at: whether it is well, in words, and how to mend it where it is not."""

    name: str
    ok: bool
    words: str


@dataclass(frozen=True)
class Report:
    """All checks, in the order made."""

    where: str
    checks: tuple[Check, ...]

    @property
    def ok(self) -> bool:
        """Whether everything is well."""
        return all(check.ok for check in self.checks)


def doctor(data_dir: Path | str) -> Report:
    """Check the store in a data folder, or by URL. Never raises for a store that is ill: that is in the report."""
    url = store_url(data_dir)
    where = shown(url)
    checks: list[Check] = []
    if url.get_backend_name() == "sqlite":
        file = Path(url.database or "")
        if not file.is_file():
            return Report(where, (Check("file", False, f"there is no store at {file}; starting Endfeel makes one"),))
        checks += _about_file(file)
    steps: tuple[tuple[str, Callable[[], Iterator[Check]]], ...] = (
        ("database", lambda: _pages(data_dir)),
        ("tables", lambda: _tables(data_dir)),
        ("visits", lambda: _visits(data_dir)),
        ("bases", lambda: _bases(data_dir)),
    )
    for name, step in steps:
        try:
            with explained(where):
                checks += step()
        except StoreError as error:
            checks.append(Check(name, False, str(error)))
        if not checks[-1].ok:
            break
    return Report(where, tuple(checks))


def _about_file(file: Path) -> Iterator[Check]:
    mode = file.stat().st_mode
    private = not mode & (stat.S_IRWXG | stat.S_IRWXO)
    words = "only this user can read the store" if private else f"others on this machine can read {file}: chmod 600 it"
    yield Check("privacy", private, words)
    words = "the store is encrypted" if is_sealed(file) else "the store is not encrypted: use an encrypted disk"
    yield Check("at rest", True, words)
    free = shutil.disk_usage(file.parent).free
    words = f"{free // 2**20} MB free on its disk"
    yield Check("space", free >= LITTLE_SPACE, words if free >= LITTLE_SPACE else f"only {words}: make room")


def _pages(data_dir: Path | str) -> Iterator[Check]:
    engine = make_engine(store_url(data_dir), 5)
    try:
        check_file(engine, "full")
        if engine.dialect.name == "sqlite":
            with engine.connect() as connection:
                stray = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
            words = f"{len(stray)} rows belong to no visit" if stray else "every event belongs to a visit"
            yield Check("links", not stray, words)
        yield Check("database", True, "the database finds itself whole")
    finally:
        engine.dispose()


def _tables(data_dir: Path | str) -> Iterator[Check]:
    engine = make_engine(store_url(data_dir), 5)
    try:
        at, newest = revision(engine), revisions()[-1]
    finally:
        engine.dispose()
    later = "" if at == newest else f"; starting Endfeel takes them to {newest}"
    yield Check("tables", at == newest, f"tables at revision {at}{later}")


def _visits(data_dir: Path | str) -> Iterator[Check]:
    unreadable: list[str] = []
    gaps: list[str] = []
    stale: list[str] = []
    events = 0
    with Store(data_dir, check="none") as store:
        with store.engine.connect() as connection:
            ids = list(connection.execute(select(t.visits.c.visit_id).order_by(t.visits.c.visit_id)).scalars())
            lines = int(connection.execute(select(func.count()).select_from(t.visit_lines)).scalar_one())
        for visit_id in ids:
            try:
                found = store.events(visit_id)
                state = replay(found)
            except (StoreError, ReplayError) as error:
                unreadable.append(str(error))
                continue
            events += len(found)
            if [e.seq for e in found] != list(range(1, len(found) + 1)):
                gaps.append(visit_id)
            if store.line(visit_id) != line_of(state):
                stale.append(visit_id)
    if lines > len(ids):
        stale.append(f"{lines - len(ids)} lines without a visit")
    yield _listed("events", unreadable, f"{events} events in {len(ids)} visits, all readable", "")
    yield _listed("numbers", gaps, "events are numbered without gaps", "numbers are missing in visits ")
    yield _listed("list", stale, "the list of visits equals the record", "rebuild the list; it differs for ")


def _bases(data_dir: Path | str) -> Iterator[Check]:
    """Whether what each visit's figures stand on is there, and as it was kept."""
    with Store(data_dir, check="none") as store:
        archive = BasisArchive(store)
        faults, waiting = list(archive.faults()), len(archive.unplaced())
        with store.engine.connect() as connection:
            placed = t.visit_bases.c.basis_id
            kept = int(connection.execute(select(func.count(placed))).scalar_one())
            unknown = int(
                connection.execute(select(func.count()).select_from(t.visit_bases).where(placed.is_(None))).scalar_one()
            )
        count = len(archive.bases())
        unreadable = [] if faults else list(_unreadable(archive))
    words = f"what {kept} visits stand on is there and as it was kept ({count} different)"
    words += f"; of {unknown} earlier ones it could not be told" if unknown else ""
    words += f"; of {waiting} earlier ones the server looks for it when it starts" if waiting else ""
    yield _listed("bases", faults, words, "visits show today's figures where theirs can not be had: ")
    if not faults and count:
        words = "this version can read all of it"
        yield _listed("figures", unreadable, words, "visits show today's figures where theirs can not be read: ")


def _unreadable(archive: BasisArchive) -> Iterator[str]:
    """Bases whose tables or edition this version can not read, one line each; the same tables are read once."""
    today = shipped_release()
    said: dict[tuple[tuple[str, str], ...], str] = {}
    for kept in archive.bases():
        tables = tuple((name, digest) for name, digest in kept.names.items() if name.startswith(IN_BASIS))
        try:
            contents = archive.read(kept.basis_id)
            edition = edition_of_parts(under(contents, EDITION_IN_BASIS))
            if tables not in said:
                said[tables] = ""
                kept_release(under(contents, IN_BASIS), edition, today)
        except (BasisError, OSError, ValueError) as error:
            said[tables] = " ".join(str(error).split())[:200]
        if said.get(tables):
            yield f"basis {kept.basis_id[:12]} ({said[tables]})"


def _listed(name: str, ill: list[str], well: str, before: str) -> Check:
    if not ill:
        return Check(name, True, well)
    more = f" and {len(ill) - _SHOWN} more" if len(ill) > _SHOWN else ""
    return Check(name, False, before + "; ".join(ill[:_SHOWN]) + more)
