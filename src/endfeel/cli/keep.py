"""backup, restore, export, doctor, encrypt, decrypt: keeping the record.

The audit trail says when each was done and by whom.
"""

from __future__ import annotations

import datetime as dt
import getpass
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from endfeel.cli.places import home_directory
from endfeel.storage import Store, sealing
from endfeel.storage.audit import AuditTrail, Entry
from endfeel.storage.backup import backup, decrypt, encrypt, restore
from endfeel.storage.connect import store_url
from endfeel.storage.doctor import doctor
from endfeel.storage.export import export

Data = Annotated[Path | None, typer.Option("--data", help="folder of the data; the usual one where left out")]
Database = Annotated[str | None, typer.Option("--database", help="a PostgreSQL URL instead of the folder")]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command("backup")(backup_command)
    app.command("restore")(restore_command)
    app.command("export")(export_command)
    app.command("doctor")(doctor_command)
    app.command("encrypt")(encrypt_command)
    app.command("decrypt")(decrypt_command)


def backup_command(
    to: Annotated[Path, typer.Argument(help="a new file, or a folder to put a dated one in")], data: Data = None
) -> None:
    """Copy everything into one file while others go on working; verified by restoring it."""
    with existing_store(data) as store:
        made = backup(store, to)
        note(store, "export", f"backup: {to}")
    typer.echo(f"{made.path}: {made.contents.visits} visits, {made.contents.events} events, restored once to check")


def restore_command(
    file: Annotated[Path, typer.Argument(help="a backup file")],
    data: Data = None,
    replace: Annotated[bool, typer.Option("--replace", help="set an existing store aside under another name")] = False,
) -> None:
    """Put a backup in place. Stop the server first."""
    folder = data or home_directory()
    ask_passphrase(file)
    found = restore(file, folder, replace=replace)
    with existing_store(data) as store:
        note(store, "write", f"restore: {file}")
    typer.echo(f"{folder}: {found.visits} visits, {found.events} events")


def export_command(
    directory: Annotated[Path, typer.Argument(help="a new or empty folder")],
    data: Data = None,
    deidentified: Annotated[
        bool, typer.Option("--deidentified", help="dates shifted, names and free text left out")
    ] = False,
) -> None:
    """Write everything in open formats: JSON lines and CSV."""
    with existing_store(data) as store:
        count = export(store, directory, deidentified=deidentified)
        note(store, "export", f"export{' without names' if deidentified else ''}: {directory}")
    typer.echo(f"{directory}: {count} visits")


def doctor_command(data: Data = None) -> None:
    """Look at the store: file, pages, tables, every visit; what is ill and how to mend it."""
    ask_passphrase(_file(data))
    report = doctor(data or home_directory())
    for check in report.checks:
        typer.echo(f"{'well' if check.ok else 'ILL ':<5}{check.name}: {check.words}")
    if not report.ok:
        raise typer.Exit(2)


def encrypt_command(
    data: Data = None,
    passphrase_from: Annotated[
        Path | None, typer.Option("--passphrase-from", help="a file whose first line it is; else it is asked for")
    ] = None,
) -> None:
    """Encrypt the store's file. Stop the server first. Without the passphrase nobody can read the record again."""
    file = _file(data)
    if passphrase_from is not None:
        os.environ[sealing.VARIABLE] = str(passphrase_from)
    elif not sealing.passphrase_known():
        sealing.use_passphrase(typer.prompt("Passphrase", hide_input=True, confirmation_prompt=True))
    sealing.check_passphrase()
    held = encrypt(file)
    with existing_store(data) as store:
        note(store, "write", "encrypt")
    typer.echo(f"{file}: {held.visits} visits, {held.events} events, encrypted")
    typer.echo(f"Keep the passphrase safe and apart; from now on name a file that holds it in {sealing.VARIABLE}.")


def decrypt_command(data: Data = None) -> None:
    """Turn an encrypted store's file back into a plain one. Stop the server first."""
    file = _file(data)
    ask_passphrase(file)
    held = decrypt(file)
    with existing_store(data) as store:
        note(store, "write", "decrypt")
    typer.echo(f"{file}: {held.visits} visits, {held.events} events, not encrypted any more")


def ask_passphrase(file: Path | str | None) -> None:
    """Where a file looks encrypted, nothing names its passphrase, and somebody sits there: ask for it."""
    if not sealing.passphrase_known() and sealing.begins_oddly(file) and sys.stdin.isatty():
        sealing.use_passphrase(typer.prompt("Passphrase of the store", hide_input=True))


def _file(data: Path | None) -> Path:
    return Path(store_url(data or home_directory()).database or "")


def existing_store(data: Path | None, database: str | None = None, *, new: bool = False) -> Store:
    """Open the store of a folder or of a URL; ``new``: make it where there is none."""
    folder = data or home_directory()
    url = store_url(database or folder)
    if not new and url.get_backend_name() == "sqlite" and not Path(url.database or "").is_file():
        raise typer.BadParameter(f"{folder}: there is no store here; name its folder with --data")
    if url.get_backend_name() == "sqlite":
        ask_passphrase(url.database)
    return Store(url.render_as_string(hide_password=False))


def note(store: Store, what: str, words: str) -> None:
    """Put what was done at the command line into the store's audit trail."""
    trail = AuditTrail(store.url.render_as_string(hide_password=False))
    try:
        trail.note(Entry(dt.datetime.now(dt.UTC), getpass.getuser(), "", what, words, None, 0, "command line", ""))
        trail.flush()
    finally:
        trail.close()
