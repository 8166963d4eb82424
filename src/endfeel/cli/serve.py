"""serve: the pages, on this machine only; with --share also by HTTPS for paired devices on the clinic's network."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Annotated

import typer

from endfeel.cli.keep import ask_passphrase, existing_store
from endfeel.cli.places import demo_directory, home_directory
from endfeel.cli.sharing import PORT, Sharing, address_here, listen
from endfeel.storage.connect import store_url
from endfeel.storage.people import People

CAUTION = "It informs a licensed clinician and does not diagnose. Local law, scope and pathways come first."


def add_to(app: typer.Typer) -> None:
    """Add the command of this file."""
    app.command("serve")(serve_command)


def serve_command(
    demo: Annotated[bool, typer.Option("--demo", help="open on invented visits, in a folder of their own")] = False,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0 takes a free one")] = 8470,
    data: Annotated[Path | None, typer.Option("--data", help="folder of the data")] = None,
    database: Annotated[str | None, typer.Option("--database", help="a PostgreSQL URL instead of the folder")] = None,
    share: Annotated[bool, typer.Option("--share", help="also by HTTPS for paired devices on the network")] = False,
    share_address: Annotated[
        str | None, typer.Option("--share-address", help="address to share on; found where left out")
    ] = None,
    share_name: Annotated[
        str | None, typer.Option("--share-name", help="name by which devices open it; the address where left out")
    ] = None,
    share_port: Annotated[int, typer.Option("--share-port", min=0, max=65535, help="0 takes a free one")] = PORT,
) -> None:
    """Serve the pages at an address that only this machine can reach; --share adds one for paired devices."""
    import uvicorn

    from endfeel.web.app import create_app
    from endfeel.web.settings import Settings

    folder = data or (demo_directory() if demo else home_directory())
    if database is None:
        ask_passphrase(store_url(folder).database)
    sharing = None
    if share:
        _refuse_without_accounts(folder, database)
        sharing = Sharing(folder / "share", share_address or address_here(), share_name, share_port)
    listening = listen(socket.AF_INET, "127.0.0.1", port, "--port")
    settings = Settings(
        data_dir=folder,
        store_url=database,
        demo=demo,
        shared_host=sharing.host if sharing else None,
        shared_fingerprint=sharing.certificate.fingerprint if sharing else "",
    )
    app = create_app(settings)
    address = f"http://127.0.0.1:{listening.getsockname()[1]}/"
    typer.echo(f"Endfeel is open at {address}  (data in {folder}; stop with Ctrl-C)")
    typer.echo(CAUTION)
    config = uvicorn.Config(app, log_level="warning", access_log=False, server_header=False, proxy_headers=False)
    server = uvicorn.Server(config)
    if sharing is not None:
        sharing.start(app)
        typer.echo(f"Shared at https://{sharing.host}/ for devices that a lead pairs (page “Paired devices”)")
    try:
        server.run(sockets=[listening])
    finally:
        if sharing is not None:
            sharing.stop()


def _refuse_without_accounts(folder: Path, database: str | None) -> None:
    """Sharing means that more than one person may reach the record: nothing is shared while nobody has to sign in."""
    with existing_store(folder, database, new=True) as store:
        if not People(store).any():
            raise typer.BadParameter(
                "--share needs accounts, and there are none; make a lead first: endfeel account add NAME --role lead"
            )
