"""Where it hurts: marks on the figure, and the problems that they suggest.

Public: WherePage, where_page, changed_marks.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections import Counter
from dataclasses import dataclass

from endfeel.visits.events import Mark, Side
from endfeel.visits.state import VisitState
from endfeel.web import figure, words
from endfeel.web.desk import Desk
from endfeel.web.forms import Sent
from endfeel.web.refused import Refused
from endfeel.web.visit_head import Head, head

KINDS = ("pain", "tingling", "numbness")
_CENTRAL = ("cervical", "lumbar-pelvis")


@dataclass(frozen=True)
class ShownMark:
    """A mark: where it is drawn (in the figure's units), and in words."""

    view: str
    cx: float
    cy: float
    kind: str
    worst: bool
    name: str


@dataclass(frozen=True)
class Figure:
    """One view of the body and what is marked on it."""

    view: str
    name: str
    said: str
    bodies: tuple[str, ...]
    lines: tuple[str, ...]
    marks: tuple[ShownMark, ...]


@dataclass(frozen=True)
class Suggestion:
    """A problem that the marks suggest; value is REGION/SIDE."""

    value: str
    title: str


@dataclass(frozen=True)
class RegionChoice:
    """A region and the sides that it can have."""

    id: str
    name: str
    sides: tuple[tuple[Side, str], ...]


@dataclass(frozen=True)
class ProblemLine:
    """A problem of the visit, and how its side is put right."""

    id: str
    title: str
    move: str
    client_id: str
    sides: tuple[tuple[Side, str], ...]


@dataclass(frozen=True)
class WherePage:
    """The page “Where”."""

    head: Head
    width: int
    height: int
    figures: tuple[Figure, ...]
    marks: tuple[ShownMark, ...]
    kind: str
    places: tuple[figure.Place, ...]
    problems: tuple[ProblemLine, ...]
    suggested: tuple[Suggestion, ...]
    regions: tuple[RegionChoice, ...]
    post: str
    add: str
    onward: str
    client_id: str


def where_page(desk: Desk, state: VisitState, now: dt.datetime, kind: str = "pain") -> WherePage:
    """The page for a visit; ``kind`` is what the next mark will mean."""
    base = f"/visits/{state.visit_id}"
    marks = tuple(_shown(m) for m in state.marks)
    first = next(iter(state.problems.values()), None)
    figures = []
    for view in figure.VIEWS:
        here = tuple(m for m in marks if m.view == view)
        line = figure.outline(view)
        said = "; ".join(f"{m.name}, {m.kind}{', the worst' if m.worst else ''}" for m in here) or "nothing marked"
        figures.append(Figure(view, line.name, said, line.bodies, line.lines, here))
    return WherePage(
        head=head(desk, state, first, "where", now),
        width=figure.WIDTH,
        height=figure.HEIGHT,
        figures=tuple(figures),
        marks=marks,
        kind=kind,
        places=tuple(sorted(figure.PLACES, key=lambda p: p.name)),
        problems=tuple(
            ProblemLine(
                p.problem_id,
                words.side_and_region(p.side, p.region),
                f"{base}/{p.problem_id}/move",
                str(uuid.uuid4()),
                tuple(s for s in _sides(p.region) if s[0] != p.side),
            )
            for p in state.problems.values()
        ),
        suggested=_suggested(state, desk),
        regions=tuple(RegionChoice(r, words.region(r), _sides(r)) for r in desk.catalogue.regions),
        post=f"{base}/where",
        add=f"{base}/problems",
        onward=f"{base}/{first.problem_id}/story" if first else f"{base}/where",
        client_id=str(uuid.uuid4()),
    )


def changed_marks(state: VisitState, sent: Sent) -> tuple[Mark, ...]:
    """All marks as they stand after one tap: a new mark, one taken back, or one made the worst."""
    marks = list(state.marks)
    do = sent.choice("do", "What to do", ("add", "worst", "remove")) or "add"
    if do != "add":
        index = sent.whole("index", "The mark", 0, 199)
        if index is None or index >= len(marks):
            raise Refused(409, "That mark is no longer there; the page shows the marks as they are now.")
        if do == "remove":
            gone = marks.pop(index)
            if gone.worst and marks:
                marks[0] = marks[0].model_copy(update={"worst": True})
        else:
            marks = [m.model_copy(update={"worst": i == index}) for i, m in enumerate(marks)]
        return tuple(marks)
    if len(marks) >= 60:
        raise Refused(400, "There are 60 marks already; take some back before adding more.")
    kind = sent.choice("kind", "What the mark means", KINDS) or "pain"
    place_id = sent.text("place")
    if place_id:
        place = next((p for p in figure.PLACES if p.id == place_id), None)
        if place is None:
            raise Refused(400, f"There is no place “{place_id[:60]}” on the figure; choose one from the list.")
        view, x, y = place.view, place.x, place.y
    else:
        view = sent.choice("view", "The view", figure.VIEWS) or ""
        found_x = sent.number("x", "Place across", 0, 1)
        found_y = sent.number("y", "Place down", 0, 1)
        if not view or found_x is None or found_y is None:
            raise Refused(400, "No place was marked; tap the figure or choose a place from the list.")
        x, y = found_x, found_y
    marks.append(Mark(view=view, x=round(x, 4), y=round(y, 4), kind=kind, worst=not marks))  # type: ignore[arg-type]
    return tuple(marks)


def _shown(mark: Mark) -> ShownMark:
    place = figure.nearest(mark.view, mark.x, mark.y)
    return ShownMark(
        mark.view, round(mark.x * figure.WIDTH, 1), round(mark.y * figure.HEIGHT, 1), mark.kind, mark.worst, place.name
    )


def _sides(region: str) -> tuple[tuple[Side, str], ...]:
    if region in _CENTRAL:
        return (("none", "Middle or both"), ("right", "Right"), ("left", "Left"))
    return (("right", "Right"), ("left", "Left"), ("both", "Both"))


def _suggested(state: VisitState, desk: Desk) -> tuple[Suggestion, ...]:
    """Region and side of the marks, the worst first, without those that are problems already."""
    there = {(p.region, p.side) for p in state.problems.values()}
    votes: Counter[tuple[str, Side]] = Counter()
    for mark in state.marks:
        place = figure.nearest(mark.view, mark.x, mark.y)
        if place.region in desk.catalogue.regions:
            votes[(place.region, place.side)] += 100 if mark.worst else 1
    return tuple(
        Suggestion(f"{region}/{side}", words.side_and_region(side, region))
        for (region, side), _ in votes.most_common(3)
        if (region, side) not in there
    )
