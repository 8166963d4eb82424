"""What a server needs to know before it starts.

Public: Settings.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from endfeel.visits.release import Release

_LOOPBACK = ("127.0.0.1", "localhost", "::1")


@dataclass(frozen=True)
class Settings:
    """Where the data lie and who may speak to the server.

    data_dir: folder of the database and of what the clinic adds; made at start if it is not there.
    store_url: SQLAlchemy URL of the store; SQLite in ``data_dir`` when left out.
    hosts: names (without port) under which the server may be addressed; the loopback names always count.
    demo: fill an empty store with invented visits at start.
    shared_host: name or address and port ("192.0.2.7:8471") of the shared door; None while nothing is shared.
    shared_fingerprint: of the shared door's certificate, to be compared by eye when a tablet is paired.
    release: what today's figures stand on; what is shipped where left out.
    """

    data_dir: Path
    store_url: str | None = None
    hosts: tuple[str, ...] = ()
    demo: bool = False
    shared_host: str | None = None
    shared_fingerprint: str = ""
    release: Release | None = None

    @property
    def url(self) -> str:
        """The store's URL."""
        return self.store_url or f"sqlite:///{self.data_dir / 'endfeel.sqlite'}"

    @property
    def allowed_hosts(self) -> frozenset[str]:
        """Host names that the loopback door answers to."""
        return frozenset(_LOOPBACK + self.hosts)
