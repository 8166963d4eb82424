"""A plan card: one page to lay beside the treatment table. Screens, the route by position with drawings, boxes to tick.

`plan_card` builds it from a route, `plan_card_of` from a problem of a visit; `pdf.plan_card_pdf` sets it.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from endfeel.catalogue import Catalogue
from endfeel.catalogue.entries import HandsOn, HistoryItem
from endfeel.documents.figures import ProblemFigures, RouteFigure
from endfeel.documents.names import Names
from endfeel.documents.note import CAUTIONS
from endfeel.documents.sections import flat
from endfeel.documents.wording import POSITIONS, SENDS_FOR, day, listed, lower, side_and_region
from endfeel.evidence import EvidenceBase, load_evidence
from endfeel.posture import PRINT, DrawingError, draw, parse_drawing
from endfeel.visits.events import Side
from endfeel.visits.problem import ProblemState
from endfeel.visits.safety import precautions_from, screen_views, screens_for
from endfeel.visits.state import VisitState

MOST_FINDINGS = 8  # what one page holds in letters that can be read beside a table


@dataclass(frozen=True)
class CardScreen:
    """A safety screen on a card, with what it sends for. state: how it stands; empty on a card without a visit."""

    name: str
    sends_for: str
    state: str = ""


@dataclass(frozen=True)
class CardFinding:
    """One finding: how it is done in brief, and its drawing as SVG (empty where there is none)."""

    name: str
    patient: str
    move: str
    stop_if: str
    never_if: str
    sides: bool
    drawing: str = ""


@dataclass(frozen=True)
class CardStop:
    """The findings of one position."""

    position: str
    findings: tuple[CardFinding, ...]


@dataclass(frozen=True)
class PlanCard:
    """A card. left_off: how many findings of the route did not fit. notes: precautions that hold, in words."""

    title: str
    under: tuple[str, ...]
    screens: tuple[CardScreen, ...]
    notes: tuple[str, ...]
    neighbours: tuple[str, ...]
    stops: tuple[CardStop, ...]
    left_off: int
    cautions: tuple[str, ...]
    code: str


def plan_card(
    region: str,
    route: tuple[RouteFigure, ...],
    catalogue: Catalogue,
    *,
    side: Side = "none",
    title: str = "",
    under: tuple[str, ...] = (),
    screens: tuple[CardScreen, ...] | None = None,
    notes: tuple[str, ...] = (),
    code: str = "",
    evidence: EvidenceBase | None = None,
) -> PlanCard:
    """A card for a route. screens: those of the region for any adult where left out.

    KeyError where the catalogue has no such region.
    """
    catalogue.region(region)
    names = Names(catalogue, evidence or load_evidence(), region)
    shared = _never_for_all([o for stop in route for o in stop.observables][:MOST_FINDINGS], names)
    left = MOST_FINDINGS
    stops = []
    for stop in route:
        kept = stop.observables[:left]
        left -= len(kept)
        if kept:
            stops.append(
                CardStop(POSITIONS.get(stop.position, stop.position), tuple(_finding(o, names, shared) for o in kept))
            )
    asked = screens
    if asked is None:
        asked = tuple(
            CardScreen(s.name, SENDS_FOR[s.sends_for], "")
            for s in screens_for(catalogue, region, (18, 120))
            if not s.discreet
        )
    return PlanCard(
        title=flat(title) or f"Plan: {lower(side_and_region(side, region))}",
        under=tuple(flat(line) for line in under),
        screens=asked,
        notes=(*(flat(note) for note in notes), *_shared_words(shared, names)),
        neighbours=tuple(n.name for n in catalogue.region(region).neighbours),
        stops=tuple(stops),
        left_off=sum(len(stop.observables) for stop in route) - (MOST_FINDINGS - left),
        cautions=CAUTIONS[:2],
        code=code,
    )


def plan_card_of(
    state: VisitState,
    catalogue: Catalogue,
    problem_id: str,
    figures: ProblemFigures,
    *,
    evidence: EvidenceBase | None = None,
    now: dt.datetime | None = None,
    zone: dt.tzinfo = dt.UTC,
) -> PlanCard:
    """A card for one problem of a visit: its route, how its screens stand, the precautions that hold.

    KeyError where the visit has no such problem.
    """
    problem = state.problems[problem_id]
    at = now or state.last_at
    names = Names(catalogue, evidence or load_evidence(), problem.region)
    held = sorted(precautions_from(problem, catalogue, at))
    return plan_card(
        problem.region,
        figures.route,
        catalogue,
        side=problem.side,
        under=(f"Patient {state.opened.patient_code}, {day(at.astimezone(zone))}",),
        screens=tuple(
            CardScreen(view.screen.name, SENDS_FOR[view.sends_for], view.words)
            for view in screen_views(problem, catalogue, at)
            if not view.screen.discreet
        ),
        notes=_notes(problem, names, held),
        code=state.opened.patient_code,
        evidence=evidence,
    )


def _notes(problem: ProblemState, names: Names, held: list[str]) -> tuple[str, ...]:
    notes = []
    if held:
        notes.append(f"Precautions that hold: {listed([lower(names.precaution(p)) for p in held])}")
    rises = sum(event.after > event.before for event in problem.made_worse)
    if rises:
        notes.append(f"Tests that raised the symptoms so far: {rises}")
    return tuple(notes)


def _never_for_all(observables: list[str], names: Names) -> tuple[str, ...]:
    """Precautions that withhold every hands-on finding of the card: said once, so that the rest can be read."""
    entries = [e for e in dict.fromkeys(o.split(":")[0] for o in observables) if isinstance(names.entry(e), HandsOn)]
    if len(entries) < 2:
        return ()
    held = [set(entry.never_if) for e in entries if isinstance(entry := names.entry(e), HandsOn)]
    every = set.intersection(*held)
    return tuple(p for p in names.catalogue.precautions if p in every)


def _shared_words(shared: tuple[str, ...], names: Names) -> tuple[str, ...]:
    if not shared:
        return ()
    return (f"None of the tests below if: {'; '.join(lower(names.precaution(p)) for p in shared)}",)


def _finding(observable: str, names: Names, shared: tuple[str, ...]) -> CardFinding:
    entry = names.entry(observable)
    name = names.observable(observable)
    if isinstance(entry, HandsOn):
        never = [lower(names.precaution(p)) for p in entry.never_if if p not in shared]
        also = "Nor if" if len(never) < len(entry.never_if) else "Not if"
        return CardFinding(
            name=name,
            patient=entry.patient,
            move=entry.move,
            stop_if=", ".join(entry.stop_if),
            never_if=f"{also}: {'; '.join(never)}" if never else "",
            sides=entry.other_side_first,
            drawing=_drawing(observable, name, names),
        )
    ask = entry.ask if isinstance(entry, HistoryItem) else ""
    return CardFinding(name, "", ask, "", "", False)


def _drawing(observable: str, name: str, names: Names) -> str:
    entry = names.region.drawings.get(observable.split(":")[0]) if names.region else None
    if entry is None:
        return ""
    try:
        return draw(parse_drawing(entry), title=name, palette=PRINT)
    except DrawingError:
        return ""  # a card without a picture is better than a wrong picture or no card
