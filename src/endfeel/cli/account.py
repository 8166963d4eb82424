"""account add, list, role, password, retire: who may sign in. Whoever may write the data folder may use these."""

from __future__ import annotations

import datetime as dt
import getpass
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from endfeel.cli.keep import Data, Database, existing_store, note
from endfeel.cli.say import as_json
from endfeel.storage import Store
from endfeel.storage.people import AccountError, People
from endfeel.web.accounts import password_digest
from endfeel.web.refused import Refused

Name = Annotated[str, typer.Argument(help="initials or a staff code; it stands beside every recording")]
From = Annotated[
    Path | None, typer.Option("--password-from", help="a file whose first line is the password; - for standard input")
]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this file."""
    group = typer.Typer(help="Who may sign in. The first account ends the time without accounts.", no_args_is_help=True)
    group.command("add")(add_command)
    group.command("list")(list_command)
    group.command("role")(role_command)
    group.command("password")(password_command)
    group.command("retire")(retire_command)
    app.add_typer(group, name="account")


def add_command(
    name: Name,
    role: Annotated[str, typer.Option("--role", help="lead, clinician, student or reader")] = "clinician",
    password_from: From = None,
    data: Data = None,
    database: Database = None,
) -> None:
    """Make an account; the first must be a lead."""
    with _people(data, database, f"account add: {name}") as people:
        digest = _digest(name, password_from)
        made = people.add(name, role, digest, _user(), dt.datetime.now(dt.UTC))
    typer.echo(f"{made.name}: {made.role}")


def list_command(
    data: Data = None,
    database: Database = None,
    json: Annotated[bool, typer.Option("--json", help="one JSON object")] = False,
) -> None:
    """List all accounts, retired ones last."""
    with existing_store(data, database) as store:
        found = People(store).accounts()
    if json:
        lines = [
            {
                "name": a.name,
                "role": a.role,
                "made_at": a.made_at.isoformat(),
                "made_by": a.made_by,
                "retired_at": a.retired_at.isoformat() if a.retired_at else None,
            }
            for a in found
        ]
        as_json({"accounts": lines})
        return
    if not found:
        typer.echo("There are no accounts: this machine's user may do everything.")
    for account in found:
        retired = f", retired {account.retired_at:%Y-%m-%d}" if account.retired_at else ""
        typer.echo(f"{account.name:<24}{account.role}{retired}")


def role_command(
    name: Name,
    role: Annotated[str, typer.Argument(help="lead, clinician, student or reader")],
    data: Data = None,
    database: Database = None,
) -> None:
    """Give an account another role."""
    with _people(data, database, f"account role: {name} {role}") as people:
        people.set_role(name, role)
    typer.echo(f"{name}: {role}")


def password_command(name: Name, password_from: From = None, data: Data = None, database: Database = None) -> None:
    """Give an account another password and sign it out everywhere."""
    with _people(data, database, f"account password: {name}") as people:
        people.set_password(name, _digest(name, password_from))
    typer.echo(f"{name}: has a new password and is signed out everywhere")


def retire_command(name: Name, data: Data = None, database: Database = None) -> None:
    """Close an account for good; its name stays beside what was recorded."""
    with _people(data, database, f"account retire: {name}") as people:
        people.retire(name, dt.datetime.now(dt.UTC))
    typer.echo(f"{name}: retired")


@contextmanager
def _people(data: Path | None, database: str | None, what: str) -> Iterator[People]:
    """The accounts of a store; what was done to them goes into its audit trail once it was done."""
    store: Store
    with existing_store(data, database, new=True) as store:
        try:
            yield People(store)
        except AccountError as error:
            raise typer.BadParameter(str(error)) from None
        except Refused as refused:
            raise typer.BadParameter(refused.line) from None
        note(store, "account", what)


def _digest(name: str, source: Path | None) -> str:
    if source is None:
        typed = typer.prompt(f"Password for {name}", hide_input=True, confirmation_prompt=True)
    elif str(source) == "-":
        typed = sys.stdin.readline().rstrip("\r\n")
    else:
        try:
            typed = next(iter(source.read_text(encoding="utf-8").splitlines()), "")
        except (OSError, UnicodeDecodeError) as error:
            raise typer.BadParameter(f"--password-from {source}: can not be read ({error})") from None
    return password_digest(typed, name)


def _user() -> str:
    return f"{getpass.getuser()} at the command line"
