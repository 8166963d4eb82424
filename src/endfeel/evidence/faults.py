"""What is wrong with an evidence table: where it stands and how to mend it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One fault of one table.

    line counts from 1 (the header); 0 means the file as a whole. column is empty where the whole line is meant.
    """

    file: str
    line: int
    column: str
    what: str
    mend: str

    def __str__(self) -> str:
        place = self.file + (f":{self.line}" if self.line else "") + (f": {self.column}" if self.column else "")
        return f"{place}: {self.what}; {self.mend}"


class EvidenceError(ValueError):
    """The tables have faults and were not loaded; every fault is listed."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        self.faults = faults
        more = f" (and {len(faults) - 1} more; 'endfeel evidence check' lists all)" if len(faults) > 1 else ""
        super().__init__(f"{faults[0]}{more}")
