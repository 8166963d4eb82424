"""The pages of strategies: the list with the house protocols, a strategy for a typical patient, a house protocol.

Public: StrategiesPage, StrategyPage, ProtocolPage, strategies_page, strategy_page, protocol_page, wanted_of,
adopted_words, tree_view.
"""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass
from typing import get_args
from urllib.parse import urlencode

from endfeel.belief.context import YOUNGEST, Context, Onset, Setting
from endfeel.documents.strategy_tree import ONSETS, StrategySheet, error_words
from endfeel.web import words
from endfeel.web.clinic_chances import patient_id
from endfeel.web.desk import Desk
from endfeel.web.evidence_words import check_region
from endfeel.web.house_protocols import HouseProtocol, HouseProtocols
from endfeel.web.refused import Refused
from endfeel.web.strategy_work import StrategyWork, Wanted
from endfeel.web.visits_view import SETTINGS

OLDEST = 110
USUAL_ONSET = {"knee": "injury", "ankle-foot": "injury"}
_STAGES = {
    "waiting": "It waits for its turn.",
    "growing": "Growing the tree: at each step, the finding that is worth most. This takes some seconds.",
    "comparing": "The tree is there. What every test would cost is still being worked out on simulated patients.",
    "done": "",
}


@dataclass(frozen=True)
class ProtocolLine:
    """A house protocol in a list."""

    name: str
    href: str
    words: str


@dataclass(frozen=True)
class RegionChoice:
    """A region to grow a strategy for."""

    name: str
    href: str
    words: str


@dataclass(frozen=True)
class StrategiesPage:
    """The list. unreadable: house protocols that another version kept."""

    regions: tuple[RegionChoice, ...]
    adopted: tuple[ProtocolLine, ...]
    retired: tuple[ProtocolLine, ...]
    unreadable: int


@dataclass(frozen=True)
class Branch:
    """A line of the tree as a page needs it. opens: a list begins before it; closes: lists that end before it."""

    kind: str
    after: str
    share: str
    words: str
    detail: str
    moves: bool
    reach: str
    href: str
    opens: bool
    closes: int


@dataclass(frozen=True)
class Way:
    """A way of examining as a page needs it. burden, loss: shares of the longest bar, 0 to 100."""

    name: str
    which: str
    findings: str
    minutes: str
    provocation: str
    moves: str
    burden: str
    loss: str
    total: str
    burden_bar: float
    loss_bar: float


@dataclass(frozen=True)
class TreeView:
    """A sheet laid out. left_open: lists still open after the last branch."""

    branches: tuple[Branch, ...]
    left_open: int
    ways: tuple[Way, ...]


@dataclass(frozen=True)
class StrategyPage:
    """A strategy for a typical patient. sheet: None while it grows. busy: what is being worked out; empty when done."""

    region: str
    name: str
    onset: str
    setting: str
    age: str
    onsets: tuple[tuple[str, str], ...]
    settings: tuple[tuple[str, str], ...]
    youngest: int
    oldest: int
    sheet: StrategySheet | None
    tree: TreeView | None
    busy: str
    seconds: int
    here: str
    pdf: str
    adopt: str
    name_offered: str
    client_id: str


@dataclass(frozen=True)
class ProtocolPage:
    """A house protocol as it was adopted. moved: what has changed since; empty where nothing has."""

    protocol_id: str
    name: str
    note: str
    adopted: str
    retired: str
    moved: str
    anew: str
    region: str
    region_name: str
    sheet: StrategySheet
    tree: TreeView
    pdf: str
    retire: str
    client_id: str


def strategies_page(desk: Desk, protocols: HouseProtocols) -> StrategiesPage:
    """All regions and all house protocols."""
    every = protocols.every()
    return StrategiesPage(
        regions=tuple(
            RegionChoice(words.region(r), f"/strategies/{r}", ONSETS[USUAL_ONSET.get(r, "gradual")])
            for r in desk.catalogue.regions
        ),
        adopted=tuple(_line(p) for p in every if p.retired_at is None),
        retired=tuple(_line(p) for p in every if p.retired_at is not None),
        unreadable=protocols.unreadable(),
    )


def wanted_of(desk: Desk, region: str, onset: str, setting: str, age: str) -> Wanted:
    """The typical patient that was chosen; Refused with one line where there can be none."""
    check_region(desk, region)
    onset = onset or USUAL_ONSET.get(region, "gradual")
    if onset not in get_args(Onset):
        raise Refused(400, f"onset: “{onset[:20]}” is none of {', '.join(get_args(Onset))}.")
    if setting not in get_args(Setting):
        raise Refused(400, f"setting: “{setting[:20]}” is none of {', '.join(get_args(Setting))}.")
    years = _years(age)
    who = f"A typical patient of {years} years" if years is not None else "A typical adult"
    under: tuple[str, ...] = (f"{who}, {ONSETS[onset]}, {words_of_setting(setting)}",)
    context = desk.with_clinic(Context(region, setting=setting, onset=onset, age=years))  # type: ignore[arg-type]
    if context.clinic:
        under = (*under, "With your clinic's starting chances")
    return Wanted(context, under)


def words_of_setting(setting: str) -> str:
    """A setting as the pages name it, "first contact"."""
    said = dict(SETTINGS).get(setting, "clinics of several kinds")
    return said[:1].lower() + said[1:]


def strategy_page(desk: Desk, work: StrategyWork, wanted: Wanted, *, whole: bool = False) -> StrategyPage:
    """The page of a strategy, as far as it is grown. whole: waits until it is."""
    context = wanted.context
    if whole:
        sheet: StrategySheet | None = work.finished(wanted)
        busy, seconds = "", 0
    else:
        standing = work.look(wanted)
        sheet, busy, seconds = standing.sheet, _STAGES[standing.stage], int(standing.seconds)
    chosen = {"onset": context.onset, "setting": context.setting, "age": "" if context.age is None else context.age}
    query = urlencode(chosen)
    at = f"/strategies/{context.region}"
    return StrategyPage(
        region=context.region,
        name=words.region(context.region),
        onset=context.onset,
        setting=context.setting,
        age=str(chosen["age"]),
        onsets=tuple((key, words.capital(said)) for key, said in ONSETS.items()),
        settings=(*SETTINGS, ("mixed", "Clinics of several kinds")),
        youngest=YOUNGEST,
        oldest=OLDEST,
        sheet=sheet,
        tree=tree_view(sheet) if sheet else None,
        busy=busy,
        seconds=seconds,
        here=f"{at}?{query}",
        pdf=f"{at}.pdf?{query}",
        adopt=f"{at}/adopt",
        name_offered=sheet.title if sheet else "",
        client_id=str(uuid.uuid4()),
    )


def protocol_page(desk: Desk, protocol: HouseProtocol) -> ProtocolPage:
    """The page of a house protocol."""
    sheet = protocol.sheet
    since = []
    if sheet.edition != desk.edition.id:
        since.append("the pooled evidence")
    if protocol.costs != desk.own_costs.number(sheet.region):
        since.append("the table of costs")
    whom = Context(sheet.region, setting=protocol.setting, onset=protocol.onset, age=protocol.age)  # type: ignore[arg-type]
    if protocol.chances != patient_id(desk.with_clinic(whom).clinic):
        since.append("your clinic's starting chances")
    age = "" if protocol.age is None else protocol.age
    query = urlencode({"onset": protocol.onset, "setting": protocol.setting, "age": age})
    at = f"/strategies/house/{protocol.protocol_id}"
    return ProtocolPage(
        protocol_id=protocol.protocol_id,
        name=protocol.name,
        note=protocol.note,
        adopted=adopted_words(protocol),
        retired=_retired_words(protocol),
        moved=f"Since then {' and '.join(since)} changed. This page shows it as it was adopted." if since else "",
        anew=f"/strategies/{sheet.region}?{query}",
        region=sheet.region,
        region_name=words.region(sheet.region),
        sheet=sheet,
        tree=tree_view(sheet),
        pdf=f"{at}.pdf",
        retire=f"{at}/retire",
        client_id=str(uuid.uuid4()),
    )


def adopted_words(protocol: HouseProtocol) -> str:
    """Who adopted it and when, for the page and for paper."""
    return f"House protocol, adopted {_day(protocol.at)} by {protocol.by}"


def tree_view(sheet: StrategySheet) -> TreeView:
    """A sheet's tree as nested lists and its ways as bars."""
    branches = []
    before = -1
    for line in sheet.lines:
        branches.append(
            Branch(
                kind=line.kind,
                after=line.after,
                share=line.share,
                words=line.words,
                detail=line.detail,
                moves=line.moves,
                reach=f"{100 * line.reach:.0f}" if line.reach >= 0.01 else "fewer than 1",
                href=f"/evidence/{sheet.region}/finding/{line.observable.partition(':')[0]}" if line.observable else "",
                opens=line.depth > before,
                closes=max(before - line.depth, 0),
            )
        )
        before = line.depth
    most = max((way.total for way in sheet.ways), default=1.0) or 1.0
    ways = tuple(
        Way(
            words.capital(way.name), way.which, f"{way.findings:.1f}", f"{way.minutes:.1f}", f"{way.provocation:.1f}",
            f"{way.moves:.1f}", f"{way.burden:.2f}", f"{way.loss:.2f}{error_words(way.error)}", f"{way.total:.2f}",
            round(100 * way.burden / most, 2), round(100 * way.loss / most, 2),
        )
        for way in sheet.ways
    )  # fmt: skip
    return TreeView(tuple(branches), before + 1, ways)


def _years(age: str) -> int | None:
    if not age.strip():
        return None
    try:
        years = int(age)
    except ValueError:
        raise Refused(400, f"age: “{age[:20]}” is no whole number of years.") from None
    if years < YOUNGEST:
        raise Refused(400, f"age: the studies are of adults, so there is no strategy under {YOUNGEST}.")
    if years > OLDEST:
        raise Refused(400, f"age: give years from {YOUNGEST} to {OLDEST}.")
    return years


def _line(protocol: HouseProtocol) -> ProtocolLine:
    said = _retired_words(protocol) or f"adopted {_day(protocol.at)} by {protocol.by}"
    return ProtocolLine(
        protocol.name, f"/strategies/house/{protocol.protocol_id}", f"{words.region(protocol.sheet.region)}, {said}"
    )


def _retired_words(protocol: HouseProtocol) -> str:
    if protocol.retired_at is None:
        return ""
    return f"retired {_day(protocol.retired_at)} by {protocol.retired_by}: {protocol.retired_why}"


def _day(at: dt.datetime) -> str:
    return words.day(at.astimezone())
