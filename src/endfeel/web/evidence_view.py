"""The evidence by region: how much was read, and what each finding can do.

Public: RegionsPage, RegionPage, regions_page, region_page, pair_lines.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from endfeel.web import words
from endfeel.web.desk import Desk
from endfeel.web.evidence_words import (
    CAN,
    LEAST,
    TICKS,
    USUAL_LEAST,
    PairLine,
    RatioTick,
    can_do,
    check_region,
    pair_line,
)
from endfeel.web.refused import Refused

SORTS: dict[str, tuple[str, Callable[[PairLine], object]]] = {
    "telling": ("most telling first", lambda p: -abs(math.log(p.positive_mean / p.negative_mean))),
    "in": ("best to rule in first", lambda p: -p.positive_mean),
    "out": ("best to rule out first", lambda p: p.negative_mean),
    "studies": ("most studied first", lambda p: (-p.k, -p.n)),
    "name": ("by name", lambda p: p.name.casefold()),
}


@dataclass(frozen=True)
class RegionLine:
    """One region and how much was read for it."""

    id: str
    name: str
    studies: int
    pairs: int
    findings: int


@dataclass(frozen=True)
class RegionsPage:
    """All regions, and what the clinic has added. trouble: why its own studies are not used."""

    regions: tuple[RegionLine, ...]
    edition: str
    based_on: str
    fingerprint: str
    own: int
    retired: int
    trouble: str


@dataclass(frozen=True)
class Choice:
    """One value of a filter. chosen: whether it is set."""

    id: str
    words: str
    chosen: bool


@dataclass(frozen=True)
class CanChoice:
    """One thing that findings can do, how many do it under the other filters, and the address that shows them."""

    id: str
    words: str
    count: int
    chosen: bool
    href: str


@dataclass(frozen=True)
class CanGroup:
    """Pairs that can do the same."""

    id: str
    words: str
    pairs: tuple[PairLine, ...]


@dataclass(frozen=True)
class RegionPage:
    """A region's pairs by what they can do, and the filters that are set."""

    region: str
    name: str
    groups: tuple[CanGroup, ...]
    can: tuple[CanChoice, ...]
    can_now: str
    filtered: bool
    least: tuple[Choice, ...]
    sort: tuple[Choice, ...]
    conditions: tuple[Choice, ...]
    query: str
    least_now: int
    ticks: tuple[RatioTick, ...]
    shown: int
    total: int
    edition: str
    unstudied: tuple[str, ...]


def regions_page(desk: Desk) -> RegionsPage:
    """How much was read for each region."""
    standing = desk.own.now()
    evidence = standing.evidence
    lines = []
    for region in desk.catalogue.regions:
        rows = [r for r in (*evidence.accuracy, *evidence.rates) if r.region == region]
        studies = {r.study_id for r in rows}
        findings = {r.finding_id for r in rows}
        lines.append(RegionLine(region, words.region(region), len(studies), len(evidence.pairs(region)), len(findings)))
    return RegionsPage(
        tuple(lines), standing.edition.id, str(standing.edition.meta.get("based_on", "")), evidence.fingerprint[:12],
        len(standing.wanted.own), len(standing.wanted.retired), standing.trouble,
    )  # fmt: skip


def region_page(
    desk: Desk,
    region: str,
    *,
    condition: str = "",
    query: str = "",
    can: str = "",
    least: int = USUAL_LEAST,
    sort: str = "telling",
) -> RegionPage:
    """The pairs of a region that pass the filters; Refused with one line where a filter has no such value."""
    check_region(desk, region)
    if least not in LEAST:
        raise Refused(400, f"least: {least} is none of {', '.join(map(str, LEAST))}.")
    if sort not in SORTS:
        raise Refused(400, f"sort: “{sort[:20]}” is none of {', '.join(SORTS)}.")
    if can and can not in dict(CAN):
        raise Refused(400, f"can: “{can[:20]}” is none of {', '.join(dict(CAN))}.")
    every = pair_lines(desk, region, least)
    wanted = query.casefold().split()
    passing = [
        p for p in every
        if condition in ("", p.condition_id)
        and all(w in f"{p.name} {p.observable} {p.condition}".casefold() for w in wanted)
    ]  # fmt: skip
    shown = [p for p in passing if can in ("", p.can)]
    shown.sort(key=SORTS[sort][1])  # type: ignore[arg-type]
    names = {p.condition_id: p.condition for p in every}
    studied = {p.observable.partition(":")[0] for p in every}
    return RegionPage(
        region=region,
        name=words.region(region),
        groups=tuple(
            CanGroup(key, said, found) for key, said in CAN if (found := tuple(p for p in shown if p.can == key))
        ),
        can=tuple(
            CanChoice(
                key,
                said,
                sum(key in ("", p.can) for p in passing),
                key == can,
                f"/evidence/{region}?"
                + urlencode({"can": key, "least": least, "condition": condition, "q": query, "sort": sort}),
            )
            for key, said in (("", "All"), *CAN)
        ),
        can_now=can,
        filtered=bool(condition or query or least != USUAL_LEAST or sort != "telling"),
        least=_choices(tuple((str(n), f"{n} times") for n in LEAST), str(least)),
        sort=_choices(tuple((key, said) for key, (said, _) in SORTS.items()), sort),
        conditions=_choices((("", "All conditions"), *sorted(names.items(), key=lambda c: c[1])), condition),
        query=query,
        least_now=least,
        ticks=TICKS,
        shown=len(shown),
        total=len(every),
        edition=desk.edition.id,
        unstudied=tuple(row.name for row in desk.evidence.findings_of(region) if row.finding_id not in studied),
    )


def pair_lines(desk: Desk, region: str, least: int) -> tuple[PairLine, ...]:
    """Every studied pair of a region."""

    def make() -> tuple[PairLine, ...]:
        found = []
        for observable, condition in desk.evidence.pairs(region):
            accuracy = desk.pooled(observable, condition)
            if accuracy is not None and accuracy.k:
                found.append(pair_line(desk, region, observable, condition, accuracy, least))
        return tuple(found)

    lines = desk.kept.once(("pairs", desk.edition.id, region), make)
    return tuple(replace(p, can=can_do(p.positive_mean, p.negative_mean, least)) for p in lines)


def _choices(options: tuple[tuple[str, str], ...], chosen: str) -> tuple[Choice, ...]:
    return tuple(Choice(key, said, key == chosen) for key, said in options)
