"""The base examination: neighbours to clear, and cards of items to look at, move and test before any special test."""

from __future__ import annotations

from typing import Literal

from endfeel.catalogue.entries import Entry
from endfeel.evidence.rows import Position

ItemKind = Literal[
    "observation", "active", "passive", "resisted", "sensation", "power", "reflex", "pulse", "palpation", "functional"
]


class Neighbour(Entry):
    """A neighbouring part that can send its pain here, and how it is cleared."""

    id: str
    name: str
    how: str


class ReliableChange(Entry):
    """The smallest change beyond measurement error, as published."""

    value: float
    unit: str
    source: str


class CardItem(Entry):
    """One thing to look at or measure; three states: not looked at, nothing found, something found."""

    id: str
    kind: ItemKind
    name: str
    how: str
    sides: bool = False
    measure: str = ""
    reliable_change: ReliableChange | None = None
    limits: bool = False


class Card(Entry):
    """The items of one position, in an order that is kind."""

    position: Position
    title: str
    item: tuple[CardItem, ...]


class BaseExamination(Entry):
    """What comes before special tests in a region."""

    neighbour: tuple[Neighbour, ...]
    card: tuple[Card, ...]
