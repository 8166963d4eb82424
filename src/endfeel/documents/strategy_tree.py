"""A strategy as one page: the tree of findings with its ends, and what it costs beside other ways of examining.

`strategy_sheet` builds it from a grown strategy, `strategy_pdf` sets it on one landscape page, `reached` follows it
along in a visit.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Literal

from endfeel.catalogue import Catalogue
from endfeel.documents.note import CAUTIONS
from endfeel.documents.pdf import House, set_document
from endfeel.documents.sections import flat
from endfeel.documents.wording import POSITIONS, REGION_NAMES, capital, chance_words, listed, lower, number, plural
from endfeel.planning.strategy import End, Outcome, Step, Strategy

ONSETS = {"injury": "after an injury", "gradual": "come on gradually", "unknown": "however it began"}
ASSUMED = (
    "Minutes, provocation grades, harms and prices are stated assumptions, Endfeel's own or your clinic's; "
    "1 is the price of one routine imaging referral."
)
FIRST = "The safety screen, the neighbours and the base examination come before this tree. A flag ends it."


@dataclass(frozen=True)
class TreeLine:
    """A finding or an end, in the order of reading: a line comes before those that follow from it.

    depth: findings done before it. after: the result that leads here, empty at the root; share: how often, of those
    who get to the finding before. words: the finding's name, or all that is done. detail: position, minutes,
    provocation; at an end why it ends. leaves: ends below it, itself included. reach: share of all patients.
    """

    depth: int
    kind: Literal["finding", "end"]
    after: Literal["", "positive", "negative"]
    share: str
    words: str
    detail: str
    observable: str
    moves: bool
    leaves: int
    reach: float


@dataclass(frozen=True)
class WayLine:
    """One way of examining, averages per patient: numbers of findings and moves, minutes, provocation grades, and
    burden, loss and both together in routine imaging referrals. error: standard error of the loss where patients were
    simulated, else 0. which: the findings in words where they are few."""

    name: str
    findings: float
    minutes: float
    provocation: float
    moves: float
    burden: float
    loss: float
    total: float
    error: float
    which: str


@dataclass(frozen=True)
class StrategySheet:
    """The page. complete: the figures of every test are among the ways. edition: of the pooled evidence."""

    region: str
    title: str
    under: tuple[str, ...]
    first: str
    lines: tuple[TreeLine, ...]
    depth: int
    said: tuple[str, ...]
    ways: tuple[WayLine, ...]
    complete: bool
    assumed: str
    cautions: tuple[str, ...]
    edition: str


def strategy_sheet(
    found: Strategy, catalogue: Catalogue, *, under: Sequence[str] = (), known: Sequence[str] = (), title: str = ""
) -> StrategySheet:
    """A grown strategy as a page. under: whom it is for, line by line. known: names of the most-published findings.

    KeyError where the catalogue has no such region.
    """
    catalogue.region(found.region)
    ways = tuple(_way(o, known) for o in (found.outcome, *found.beside))
    lines = tuple(_lines(found.root, 0, "", 1.0))
    onset = ONSETS[found.context.onset]
    return StrategySheet(
        region=found.region,
        title=flat(title) or f"{capital(REGION_NAMES.get(found.region, found.region))}, {onset}",
        under=tuple(flat(line) for line in under),
        first=FIRST,
        lines=lines,
        depth=max(line.depth for line in lines),
        said=_said(ways),
        ways=ways,
        complete=any(way.name == "every test" for way in ways),
        assumed=ASSUMED,
        cautions=CAUTIONS[:2],
        edition=found.edition,
    )


def strategy_pdf(sheet: StrategySheet, header: House | None = None, *, adopted: str = "") -> bytes:
    """The sheet on one landscape page. adopted: who adopted it and when. PaperError where it can't be set."""
    most = max(way.total for way in sheet.ways)
    return set_document(
        "strategy",
        {
            "title": sheet.title,
            "under": sheet.under,
            "adopted": adopted,
            "first": sheet.first,
            "depth": sheet.depth,
            "lines": [asdict(line) for line in sheet.lines],
            "said": sheet.said,
            "ways": [
                {
                    "name": capital(way.name) + (f": {way.which}" if way.which else ""),
                    "cells": [
                        f"{way.findings:.1f}", f"{way.minutes:.1f}", f"{way.provocation:.1f}", f"{way.burden:.2f}",
                        f"{way.loss:.2f}{error_words(way.error)}", f"{way.total:.2f}",
                    ],
                    "burden": way.burden / most if most else 0.0,
                    "loss": way.loss / most if most else 0.0,
                }
                for way in sheet.ways
            ],
            "assumed": sheet.assumed,
            "foot": " ".join(sheet.cautions),
            "code": f"Strategy, edition {sheet.edition}",
        },
        header,
    )  # fmt: skip


def reached(sheet: StrategySheet, results: Mapping[str, str]) -> TreeLine:
    """Where recorded results lead: the finding that comes next, or the end.

    results: by observable. A finding recorded as unclear or not done has led nowhere yet.
    """
    place = 0
    while (line := sheet.lines[place]).kind == "finding" and results.get(line.observable) in ("positive", "negative"):
        place = next(
            later
            for later in range(place + 1, len(sheet.lines))
            if sheet.lines[later].depth == line.depth + 1 and sheet.lines[later].after == results[line.observable]
        )
    return line


def error_words(error: float) -> str:
    """Half of a 95 % interval from a standard error, " ± 0.10"; empty where nothing was simulated."""
    return f" ± {1.96 * error:.2f}" if error else ""


def _way(outcome: Outcome, known: Sequence[str]) -> WayLine:
    which = listed(tuple(known)) if outcome.name == "the most-published tests" else ""
    return WayLine(
        outcome.name, outcome.findings, outcome.minutes, outcome.provocation, outcome.moves, outcome.burden,
        outcome.loss, outcome.total, outcome.error, flat(which),
    )  # fmt: skip


def _lines(
    node: Step | End, depth: int, after: Literal["", "positive", "negative"], chance: float
) -> Iterator[TreeLine]:
    share = chance_words(chance).removeprefix("about ") if after else ""
    if isinstance(node, End):
        why = "nothing left is worth its burden" if node.stopped else "as deep as this tree goes"
        yield TreeLine(depth, "end", after, share, capital(node.words), why, "", False, 1, node.reach)
        return
    below = [
        *_lines(node.if_positive, depth + 1, "positive", node.probability),
        *_lines(node.if_negative, depth + 1, "negative", 1 - node.probability),
    ]
    leaves = sum(line.kind == "end" for line in below)
    yield TreeLine(
        depth, "finding", after, share, node.name, _detail(node), node.observable, node.moves, leaves, node.reach
    )
    yield from below


def _detail(step: Step) -> str:
    if step.again:
        return "a further reading of the same test"
    where = "" if step.position == "any" else lower(POSITIONS.get(step.position, step.position))
    load = f"provocation {step.provocation:g} of 3" if step.provocation else ""
    parts = (where, f"{number(step.minutes)} min", load)
    return ", ".join(part.replace(" ", "\N{NO-BREAK SPACE}") for part in parts if part)


def _said(ways: tuple[WayLine, ...]) -> tuple[str, ...]:
    own, *others = ways
    few = plural(round(own.findings), "finding")
    said = [
        f"About {few} in {own.minutes:.0f} minutes on average. All told it costs {own.total:.2f}: {own.burden:.2f} for "
        f"examining, {own.loss:.2f} for care that may be wrong, what may be missed and looking further."
    ]
    for way in others:
        margin = 1.96 * way.error
        gap = way.total - own.total
        if abs(gap) <= max(margin, 0.005):
            said.append(f"{capital(way.name)}: no clear difference ({way.total:.2f}{error_words(way.error)}).")
        else:
            word = "more" if gap > 0 else "less"
            minutes = f", in {way.minutes:.0f} minutes" if way.minutes else ""
            said.append(f"{capital(way.name)}: {abs(gap):.2f}{error_words(way.error)} {word}{minutes}.")
    return tuple(said)
