"""Neighbours and the base examination: three-state items on cards, one card per position, both sides.

Public: NeighboursPage, LookPage, neighbours_page, look_page, base_recorded, rest_of_card, END_FEELS.

An item that is not recorded is “not looked at”; nothing here is the evidence of a special test.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from endfeel.catalogue.base_examination import Card, CardItem
from endfeel.visits.events import BaseRecorded, CardCleared, Side
from endfeel.visits.problem import BaseItem, ProblemState
from endfeel.visits.state import VisitState
from endfeel.web.desk import Desk
from endfeel.web.forms import Sent
from endfeel.web.refused import Refused
from endfeel.web.visit_head import Head, head

END_FEELS = ("soft tissue", "firm, capsule", "hard, bone", "springy block", "empty, pain stops it", "spasm")
POSITIONS = {
    "standing": "Standing", "walking": "Walking", "sitting": "Sitting", "supine": "Lying face up",
    "side-lying": "Lying on the side", "prone": "Lying face down", "any": "Any position",
}  # fmt: skip
SIDES: tuple[Side, ...] = ("left", "right", "both", "none")


@dataclass(frozen=True)
class SideState:
    """One item on one side: its state (None: not looked at) and what was noted."""

    side: Side
    side_words: str
    state: str | None
    value: float | None
    unit: str | None
    painful: bool | None
    weak: bool | None
    end_feel: str | None
    limits: str | None
    text: str | None
    cleared_with_card: bool


@dataclass(frozen=True)
class ItemView:
    """One item of a card, other side first."""

    id: str
    name: str
    how: str
    kind: str
    measure: str
    asks_limits: bool
    asks_strength: bool
    reliable_change: str
    sides: tuple[SideState, ...]


@dataclass(frozen=True)
class CardView:
    """One card: a position, its items, and how many were not looked at."""

    id: str
    title: str
    position: str
    items: tuple[ItemView, ...]
    open_items: int


@dataclass(frozen=True)
class NeighboursPage:
    """The page “Neighbours”."""

    head: Head
    post: str
    onward: str
    items: tuple[ItemView, ...]


@dataclass(frozen=True)
class LookPage:
    """The page “Look and move”."""

    head: Head
    post: str
    clear: str
    onward: str
    cards: tuple[CardView, ...]
    end_feels: tuple[str, ...]


def neighbours_page(desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime) -> NeighboursPage:
    """The neighbouring parts to clear; each is not checked until it is."""
    base = f"/visits/{state.visit_id}/{problem.problem_id}"
    side: Side = problem.side if problem.side in ("left", "right") else "none"
    items = tuple(
        ItemView(
            n.id, n.name, n.how, "neighbour", "", False, False, "", (_side_state(problem, n.id, side, words_of(side)),)
        )
        for n in desk.catalogue.region(problem.region).neighbours
    )
    return NeighboursPage(head(desk, state, problem, "neighbours", now), f"{base}/base", f"{base}/look", items)


def look_page(desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime) -> LookPage:
    """The cards of the base examination."""
    base = f"/visits/{state.visit_id}/{problem.problem_id}"
    cards = []
    for number, card in enumerate(desk.catalogue.region(problem.region).cards):
        items = tuple(_item(problem, item) for item in card.item)
        unseen = sum(all(s.state is None for s in item.sides) for item in items)
        cards.append(CardView(str(number), card.title, POSITIONS[card.position], items, unseen))
    return LookPage(
        head(desk, state, problem, "look", now),
        f"{base}/base",
        f"{base}/card",
        f"{base}/bench",
        tuple(cards),
        END_FEELS,
    )


def base_recorded(desk: Desk, problem: ProblemState, sent: Sent) -> BaseRecorded:
    """One item as posted; Refused where there is no such item."""
    item_id = sent.needed("item", "The item")
    region = desk.catalogue.region(problem.region)
    item = region.item(item_id)
    if item is None and item_id not in {n.id for n in region.neighbours}:
        raise Refused(404, f"There is no item “{item_id[:60]}” in this region's examination.")
    side = sent.choice("side", "The side", SIDES) or "none"
    found = sent.choice("state", "What was found", ("nothing-found", "something-found"))
    if found is None:
        raise Refused(400, "Nothing was chosen; tap nothing found or something found.")
    detail = found == "something-found"
    value = sent.number("value", "The measured value", -1000, 1000)
    return BaseRecorded(
        problem_id=problem.problem_id,
        item_id=item_id,
        side=side,  # type: ignore[arg-type]
        state=found,  # type: ignore[arg-type]
        value=value,
        unit=item.measure[:40] if item and item.measure and value is not None else None,
        painful=True if detail and sent.text("painful") else None,
        weak=True if detail and sent.text("weak") else None,
        end_feel=(sent.text("end_feel") or "")[:200] or None,
        limits=(sent.text("limits") or "")[:200] or None,
        text=sent.text("text"),
    )


def rest_of_card(desk: Desk, problem: ProblemState, sent: Sent) -> CardCleared:
    """“Rest of this card: looked at, nothing found”: the items of a card that were not recorded by themselves."""
    number = sent.whole("card", "The card", 0, 99)
    cards = desk.catalogue.region(problem.region).cards
    if number is None or number >= len(cards):
        raise Refused(404, "There is no such card in this region's examination.")
    card: Card = cards[number]
    looked = {item for item, _ in problem.base}
    rest = tuple(i.id for i in card.item if i.id not in looked)
    if not rest:
        raise Refused(409, "Everything on this card was looked at already.")
    return CardCleared(problem_id=problem.problem_id, card=card.title, items=rest)


def words_of(side: Side) -> str:
    """A side as a label; nothing where there is none."""
    return {"left": "Left", "right": "Right", "both": "Both sides", "none": ""}[side]


def _item(problem: ProblemState, item: CardItem) -> ItemView:
    sides = _order(problem.side) if item.sides else ("none",)
    change = item.reliable_change
    said = ""
    if change is not None:
        said = f"A change of {change.value:g} {change.unit} or more is beyond measurement error ({change.source})."
    return ItemView(
        item.id, item.name, item.how, item.kind, item.measure, item.limits, item.kind in ("resisted", "power"),
        said,
        tuple(_side_state(problem, item.id, side, words_of(side)) for side in sides),
    )  # fmt: skip


def _order(side: Side) -> tuple[Side, ...]:
    """Both sides, the other one first."""
    return ("right", "left") if side == "left" else ("left", "right")


def _side_state(problem: ProblemState, item_id: str, side: Side, label: str) -> SideState:
    for wanted in (side, "both", "none"):
        found: BaseItem | None = problem.base.get((item_id, wanted))
        if found is not None:
            event = found.event
            return SideState(
                side, label, found.state, event.value if event else None, event.unit if event else None,
                event.painful if event else None, event.weak if event else None, event.end_feel if event else None,
                event.limits if event else None, event.text if event else None, event is None,
            )  # fmt: skip
    return SideState(side, label, None, None, None, None, None, None, None, None, False)
