"""House protocols: strategies that the clinic has adopted, each kept as it stood, with who adopted or retired it.

Public: HouseProtocol, HouseProtocols.

Each lies in the store's settings under a key of its own, so that two people who adopt at once both find theirs.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from pydantic import TypeAdapter, ValidationError

from endfeel.documents.strategy_tree import StrategySheet
from endfeel.storage import SettingChanged, Store
from endfeel.web.refused import Refused

KEY = "house-protocol:"
_SHEETS = TypeAdapter(StrategySheet)


@dataclass(frozen=True)
class HouseProtocol:
    """A strategy as it was adopted. costs: how often the clinic's costs of the region had been kept by then. onset,
    setting, age: of the typical patient. chances: id of the clinic's own starting chances of such a patient by then,
    empty where it had none. retired_at: None while it holds."""

    protocol_id: str
    name: str
    note: str
    at: dt.datetime
    by: str
    onset: str
    setting: str
    age: int | None
    costs: int
    sheet: StrategySheet
    retired_at: dt.datetime | None = None
    retired_by: str = ""
    retired_why: str = ""
    chances: str = ""


class HouseProtocols:
    """The protocols over a store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def every(self) -> tuple[HouseProtocol, ...]:
        """All that can be read, the last adopted first."""
        found = [_read(value) for key, value in self._store.settings().items() if key.startswith(KEY)]
        return tuple(sorted((p for p in found if p is not None), key=lambda p: p.at, reverse=True))

    def in_use(self, region: str) -> tuple[HouseProtocol, ...]:
        """Those of a region that hold and can be read, the last adopted first."""
        found = [
            _read(value)
            for key, value in self._store.settings().items()
            if key.startswith(KEY) and _in_use(value, region)
        ]
        return tuple(sorted((p for p in found if p is not None), key=lambda p: p.at, reverse=True))

    def unreadable(self) -> int:
        """How many another version has kept in a form that this one does not know."""
        return sum(key.startswith(KEY) and _read(value) is None for key, value in self._store.settings().items())

    def one(self, protocol_id: str) -> HouseProtocol:
        """One protocol; Refused(404) where there is none."""
        value = self._store.setting(KEY + protocol_id)
        found = _read(value) if value is not None else None
        if found is None:
            raise Refused(404, f"There is no house protocol “{protocol_id[:60]}”; the list of strategies has them all.")
        return found

    def adopt(self, protocol: HouseProtocol) -> HouseProtocol:
        """Keep a protocol; adopting the same id again changes nothing."""
        held = self._store.setting(KEY + protocol.protocol_id)
        if held is not None:
            return self.one(protocol.protocol_id)
        try:
            self._store.change_setting(KEY + protocol.protocol_id, None, _written(protocol))
        except SettingChanged:
            return self.one(protocol.protocol_id)  # sent to two servers at once: the first counts
        return protocol

    def retire(self, protocol_id: str, by: str, why: str, at: dt.datetime) -> None:
        """It holds no longer; it stays in the list. Refused(409) where it was retired before."""
        seen, held = self._store.setting(KEY + protocol_id), self.one(protocol_id)
        if held.retired_at is not None:
            raise Refused(409, f"It was retired before, by {held.retired_by}.")
        value = {**_written(held), "retired_at": at.isoformat(), "retired_by": by, "retired_why": why}
        try:
            self._store.change_setting(KEY + protocol_id, seen, value)
        except SettingChanged:
            raise Refused(409, "It was changed meanwhile; load the page again.") from None


def _in_use(value: Any, region: str) -> bool:
    sheet = value.get("sheet") if isinstance(value, Mapping) else None
    return isinstance(sheet, Mapping) and sheet.get("region") == region and not value.get("retired_at")


def _written(protocol: HouseProtocol) -> dict[str, Any]:
    value = asdict(protocol)
    value["at"] = protocol.at.isoformat()
    value["retired_at"] = protocol.retired_at.isoformat() if protocol.retired_at else None
    return value


def _read(value: Any) -> HouseProtocol | None:
    if not isinstance(value, Mapping):
        return None
    try:
        told = dict(value)
        told["sheet"] = _SHEETS.validate_python(told["sheet"])
        told["at"] = dt.datetime.fromisoformat(told["at"])
        told["retired_at"] = dt.datetime.fromisoformat(told["retired_at"]) if told.get("retired_at") else None
        return HouseProtocol(**told)
    except (KeyError, TypeError, ValueError, ValidationError):
        return None
