"""The shared door: HTTPS on the clinic's network, beside the loopback door of the same server.

Public: Sharing, address_here.
"""

from __future__ import annotations

import datetime as dt
import socket
import threading
import time
from pathlib import Path

import typer

from endfeel.web.certificate import Certificate, certificate_for

PORT = 8471


class Sharing:
    """A listener for tablets: bound and certified when made, serving between `start` and `stop`."""

    def __init__(self, folder: Path, address: str, name: str | None, port: int) -> None:
        """folder: of the certificate. address: to listen on. name: under which tablets open it; the address if None."""
        try:
            family = socket.getaddrinfo(address, None, flags=socket.AI_NUMERICHOST)[0][0]
        except socket.gaierror:
            raise typer.BadParameter(f"--share-address {address[:60]}: give a network address, in numbers") from None
        self.socket = listen(family, address, port, "--share-port")
        bound = self.socket.getsockname()[1]
        self.name = name or address
        host = f"[{self.name}]" if ":" in self.name else self.name
        self.host = host if bound == 443 else f"{host}:{bound}"
        try:
            self.certificate: Certificate = certificate_for(folder, self.name, dt.datetime.now(dt.UTC))
        except OSError as error:
            self.socket.close()
            raise typer.BadParameter(f"{folder}: the certificate can not be kept there ({error.strerror})") from None

    def start(self, app: object) -> None:
        """Serve the app by HTTPS from a thread of its own."""
        import uvicorn

        from endfeel.web.doors import SharedDoor

        config = uvicorn.Config(
            SharedDoor(app),  # type: ignore[arg-type]
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            lifespan="off",  # the store is opened and closed by the loopback door
            ssl_certfile=str(self.certificate.file),
            ssl_keyfile=str(self.certificate.key_file),
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [self.socket]}, daemon=True)
        self._thread.start()
        while not self._server.started and self._thread.is_alive():
            time.sleep(0.01)

    def stop(self) -> None:
        """Answer no more."""
        self._server.should_exit = True
        self._thread.join(timeout=10)
        self.socket.close()


def address_here() -> str:
    """This machine's address on its network. Nothing is sent: the system only says which way it would go."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation, RFC 5737
            return str(probe.getsockname()[0])
        except OSError:
            raise typer.BadParameter("this machine is on no network; give --share-address") from None


def listen(family: int, address: str, port: int, option: str) -> socket.socket:
    """A bound socket; one clear line where the port is taken or the address is not this machine's."""
    # Named as TCP: only then does asyncio send small parts at once, instead of 40 ms later.
    listening = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((address, port))
    except OSError as error:
        listening.close()
        why = (error.strerror or "can not be used").lower()
        raise typer.BadParameter(f"{option} {port}: {why}; give another, or 0 for a free one") from None
    return listening
