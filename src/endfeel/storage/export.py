"""Everything in open formats: JSON lines, CSV tables, and a page that says what is what."""

from __future__ import annotations

import csv
import json
import os
import random
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import select

from endfeel.catalogue import load_catalogue
from endfeel.pooling.edition import save_edition
from endfeel.pooling.edition_parts import edition_of_parts
from endfeel.storage import tables as t
from endfeel.storage.audit import AuditTrail, audit_lines
from endfeel.storage.basis_archive import BasisArchive, BasisError
from endfeel.storage.deidentify import Pseudonyms, deidentify, vocabulary
from endfeel.storage.faults import StoreError, explained
from endfeel.storage.store import Store
from endfeel.visits.events import Corrected, StoredEvent
from endfeel.visits.state import VisitState, replay

VISIT_COLUMNS = (
    "visit_id", "patient_code", "birth_year", "sex", "setting", "opened_at", "last_at", "status", "problems",
    "findings", "decisions", "review_on", "previous_visit_id", "edition", "software",
    "basis",
)  # fmt: skip
SECRET_SETTINGS = frozenset({"page-secret"})  # what only this installation may know
EVENT_COLUMNS = ("visit_id", "seq", "at", "actor", "client_id", "type", "problem_id", "about", "side", "value", "event")


def export(
    store: Store,
    directory: Path,
    *,
    deidentified: bool = False,
    rng: random.Random | None = None,
    words: frozenset[str] | None = None,
) -> int:
    """Write all visits into a new or empty folder; how many there were.

    deidentified: see endfeel.storage.deidentify; visits then come in random order and settings are not written.
    rng: for tests. words: chosen words that observations keep; the shipped catalogue's where left out.
    """
    if directory.exists() and (not directory.is_dir() or any(directory.iterdir())):
        raise StoreError("other", f"{directory}: choose a new or an empty folder")
    with explained(str(directory)):
        directory.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".endfeel-export-", dir=directory.parent) as folder:
            draft = Path(folder) / "draft"
            draft.mkdir(mode=0o700)
            visits = _visits(store, deidentified, rng, words)
            archive = BasisArchive(store)
            count = _write(draft, visits, None if deidentified else archive)
            if not deidentified:
                settings = {key: value for key, value in store.settings().items() if key not in SECRET_SETTINGS}
                (draft / "settings.json").write_text(json.dumps(settings, indent=2) + "\n", encoding="utf-8")
                _write_audit(store, draft / "audit.csv")
                _write_bases(archive, draft / "bases")
            readme = _README + (_WITHOUT_NAMES if deidentified else _WITH_NAMES)
            (draft / "README.txt").write_text(readme, encoding="utf-8")
            if directory.exists():
                directory.rmdir()
            os.replace(draft, directory)
    return count


def _visits(
    store: Store, deidentified: bool, rng: random.Random | None, words: frozenset[str] | None
) -> Iterator[tuple[StoredEvent, ...]]:
    with explained(store.where), store.engine.connect() as connection:
        ids = list(connection.execute(select(t.visits.c.visit_id).order_by(t.visits.c.visit_id)).scalars())
    if not deidentified:
        for visit_id in ids:
            yield store.events(visit_id)
        return
    known = vocabulary(load_catalogue()) if words is None else words
    pseudonyms = Pseudonyms(rng)
    (rng or random.SystemRandom()).shuffle(ids)
    for visit_id in ids:
        events = store.events(visit_id)
        yield tuple(deidentify(events, replay(events).opened.patient_code, pseudonyms, known))


def _write(folder: Path, visits: Iterator[tuple[StoredEvent, ...]], archive: BasisArchive | None) -> int:
    count = 0
    with (
        (folder / "events.jsonl").open("w", encoding="utf-8") as lines,
        (folder / "events.csv").open("w", encoding="utf-8", newline="") as events_file,
        (folder / "visits.csv").open("w", encoding="utf-8", newline="") as visits_file,
    ):
        event_rows, visit_rows = csv.writer(events_file), csv.writer(visits_file)
        event_rows.writerow(EVENT_COLUMNS)
        visit_rows.writerow(VISIT_COLUMNS)
        for events in visits:
            count += 1
            for stored in events:
                lines.write(stored.model_dump_json(exclude_none=True) + "\n")
                event_rows.writerow(_event_row(stored))
            state = replay(events)
            placed = archive.of_visit(state.visit_id) if archive else None
            visit_rows.writerow([*_visit_row(state), placed.basis_id or "" if placed else ""])
    return count


def _write_audit(store: Store, file: Path) -> None:
    trail = AuditTrail(store.url.render_as_string(hide_password=False))
    try:
        with file.open("w", encoding="utf-8", newline="") as lines:
            lines.writelines(audit_lines(trail.everything()))
    finally:
        trail.close()


def _write_bases(archive: BasisArchive, folder: Path) -> None:
    """What visits stand on: tables and catalogue as they were, the edition as one file, what the clinic changed."""
    for kept in archive.bases():
        home = folder / kept.basis_id
        home.mkdir(parents=True, mode=0o700)
        try:
            contents = archive.read(kept.basis_id)
        except BasisError as error:
            (home / "MISSING.txt").write_text(f"{error}\n", encoding="utf-8")
            continue
        parts = {name.removeprefix("edition/"): c for name, c in contents.items() if name.startswith("edition/")}
        if parts:
            save_edition(edition_of_parts(parts), home / "edition.npz")
        for name, content in contents.items():
            if not name.startswith("edition/"):
                (home / name).parent.mkdir(parents=True, exist_ok=True)
                (home / name).write_bytes(content)


def _event_row(stored: StoredEvent) -> list[Any]:
    event = stored.event
    said: Any = event.replacement if isinstance(event, Corrected) and event.replacement is not None else event
    about = [getattr(said, name, None) for name in ("screen_id", "observable", "item_id", "measure", "condition")]
    value = next(
        (v for n in ("result", "answer", "state", "action", "value", "present", "after")
         if (v := getattr(said, n, None)) is not None), "",
    )  # fmt: skip
    return [
        stored.visit_id,
        stored.seq,
        stored.at.isoformat(),
        stored.actor,
        stored.client_id,
        event.type,
        getattr(said, "problem_id", None) or "",
        f"event {event.of}" if isinstance(event, Corrected) else "/".join(a for a in about if a),
        getattr(said, "side", ""),
        value,
        event.model_dump_json(exclude_none=True),
    ]


def _visit_row(state: VisitState) -> list[Any]:
    opened, problems = state.opened, state.problems.values()
    decisions = [p.decision.event for p in problems if p.decision]
    return [
        state.visit_id,
        opened.patient_code,
        opened.birth_year or "",
        opened.sex or "",
        opened.setting,
        state.opened_at.isoformat(),
        state.last_at.isoformat(),
        state.status,
        ";".join(f"{p.region} {p.side}" for p in problems),
        sum(len(p.findings) for p in problems),
        ";".join(d.action for d in decisions),
        ";".join(d.review_on.isoformat() for d in decisions if d.review_on),
        opened.previous_visit_id or "",
        opened.edition,
        opened.software,
    ]


_README = """What is in this folder

events.jsonl  every event of every visit, one JSON object a line, in order within a visit: the whole record.
              A correction is an event of its own that points (of) at the number (seq) it corrects; nothing is erased.
events.csv    the same as a table: about (what the event is about), value (its result, answer, state ...), event (JSON).
visits.csv    one line for each visit as it stands after all corrections.

UTF-8, comma-separated, times in UTC (ISO 8601).
"""
_WITH_NAMES = """
audit.csv     who read or wrote what, when, and from where.
settings.json what the clinic set.
bases/        what the visits' figures stand on, one folder for each that differs (column basis of visits.csv): the
              published tables and the catalogue as they were, the edition, the clinic's own studies and costs.

This export holds personal data: keep it as you keep the records.
"""
_WITHOUT_NAMES = """
Days were moved by one number of days for all visits of a patient. Typed text, initials, codes, names of examiners and
ids were left out or replaced by random ones. Ages over 90 are given as 90. What remains may still tell one person from
others where visits are few: local law and the clinic say whether it may be shared.
"""
