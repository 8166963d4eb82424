"""serve: the pages, on this machine only."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Annotated

import typer

from endfeel.cli.places import demo_directory, home_directory

CAUTION = "It informs a licensed clinician and does not diagnose. Local law, scope and pathways come first."


def add_to(app: typer.Typer) -> None:
    """Add the command of this file."""
    app.command("serve")(serve_command)


def serve_command(
    demo: Annotated[bool, typer.Option("--demo", help="open on invented visits, in a folder of their own")] = False,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0 takes a free one")] = 8470,
    data: Annotated[Path | None, typer.Option("--data", help="folder of the data")] = None,
    database: Annotated[str | None, typer.Option("--database", help="a PostgreSQL URL instead of the folder")] = None,
) -> None:
    """Serve the pages at an address that only this machine can reach."""
    import uvicorn

    from endfeel.web.app import create_app
    from endfeel.web.settings import Settings

    folder = data or (demo_directory() if demo else home_directory())
    listening = _listen(port)
    app = create_app(Settings(data_dir=folder, store_url=database, demo=demo))
    address = f"http://127.0.0.1:{listening.getsockname()[1]}/"
    typer.echo(f"Endfeel is open at {address}  (data in {folder}; stop with Ctrl-C)")
    typer.echo(CAUTION)
    server = uvicorn.Server(uvicorn.Config(app, log_level="warning", access_log=False, server_header=False))
    server.run(sockets=[listening])


def _listen(port: int) -> socket.socket:
    """A bound loopback socket; one clear line where the port is taken."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind(("127.0.0.1", port))
    except OSError as error:
        listening.close()
        why = (error.strerror or "can not be used").lower()
        raise typer.BadParameter(f"--port {port}: {why}; give another, or 0 for a free one") from None
    return listening
