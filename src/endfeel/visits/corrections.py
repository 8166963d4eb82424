"""What still stands of each event once corrections, and corrections of corrections, are applied.

Nothing is dropped: every stored event comes back with what it now says, or None where it was taken back.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from endfeel.visits.events import Corrected, Event, StoredEvent


@dataclass(frozen=True)
class Standing:
    """One stored event and what it now says.

    event: the content that counts; None if it was taken back (a correction that was taken back has None too).
    corrected_by: numbers of all corrections aimed at it, in order, whether or not they still stand.
    """

    stored: StoredEvent
    event: Event | None
    corrected_by: tuple[int, ...]

    @property
    def seq(self) -> int:
        """The event's number in its visit."""
        return self.stored.seq

    @property
    def changed(self) -> bool:
        """Whether it now says something else than when it was stored."""
        return self.event != self.stored.event


def standing(events: Sequence[StoredEvent]) -> tuple[Standing, ...]:
    """Every event with what it now says, in the order stored.

    A correction may aim only at an earlier event. Of several that aim at one event, the last that stands decides.
    """
    aimed: dict[int, list[Standing]] = defaultdict(list)
    known = {stored.seq for stored in events}
    result: list[Standing] = []
    for stored in sorted(events, key=lambda s: s.seq, reverse=True):
        corrections = aimed.pop(stored.seq, [])[::-1]
        now = Standing(stored, _settle(stored.event, corrections), tuple(c.seq for c in corrections))
        result.append(now)
        event = stored.event
        if isinstance(event, Corrected) and event.of < stored.seq and event.of in known:
            aimed[event.of].append(now)
    return tuple(reversed(result))


def root_of(events: Sequence[StoredEvent], seq: int) -> StoredEvent:
    """The event that a number stands for once every correction is followed to what it corrects.

    KeyError with one clear line where there is no such event.
    """
    by_seq = {stored.seq: stored for stored in events}
    while True:
        if seq not in by_seq:
            raise KeyError(f"there is no event {seq} in this visit")
        stored = by_seq[seq]
        if not isinstance(stored.event, Corrected) or stored.event.of >= seq:
            return stored
        seq = stored.event.of


def _settle(event: Event, corrections: Sequence[Standing]) -> Event | None:
    now: Event | None = event
    for correction in corrections:
        made = correction.event
        if not isinstance(made, Corrected):
            continue  # that correction was itself taken back
        if not isinstance(event, Corrected):
            now = made.replacement
        elif made.replacement is None:
            now = None
        else:
            now = Corrected(of=event.of, replacement=made.replacement, reason=made.reason)
    return now
