"""Where visits are kept: an append-only list of events in SQLite, or in PostgreSQL by URL."""

from endfeel.storage.faults import ClientIdTaken, SettingChanged, StoreError
from endfeel.storage.store import Store

__all__ = ["ClientIdTaken", "SettingChanged", "Store", "StoreError"]
