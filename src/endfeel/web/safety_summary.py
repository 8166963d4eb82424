"""Safety in words for the top of every page of a visit, and the flags: the only inverted blocks.

Public: SafetySummary, FlagBlock, summary_of, flags_of, raised_words, recorded_words, SENDS, LOCAL_PATHWAY.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from endfeel.documents.names import Names
from endfeel.visits.problem import ProblemState
from endfeel.visits.safety import ScreenView
from endfeel.visits.state import VisitState
from endfeel.web import words
from endfeel.web.desk import Desk

SENDS = {
    "emergency": "Send as an emergency",
    "same-day": "Send to be seen the same day",
    "urgent": "Send urgently",
    "film-first": "Have an X-ray taken first",
}
LOCAL_PATHWAY = "local-pathway:"


@dataclass(frozen=True)
class SafetySummary:
    """Safety in words for the top of a page. kind: open (something is not asked), clear, raised."""

    kind: str
    words: str
    short: str
    href: str


@dataclass(frozen=True)
class FlagBlock:
    """A raised screen: what to do in one sentence, the clinic's own pathway first."""

    screen_id: str
    title: str
    local: str | None
    clinician: str
    raised_by: tuple[str, ...]
    act: str
    decide: str


def summary_of(desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime) -> SafetySummary:
    """Safety in words: raised, not asked, partly asked, or asked and none found."""
    views = desk.screens(state, problem, now)
    href = f"/visits/{state.visit_id}/{problem.problem_id}/safety"
    raised = [v for v in views if v.state == "flag" and v.override is None]
    if raised:
        return SafetySummary("raised", f"Safety: {raised[0].screen.name.lower()}", "raised", href)
    items = sum(len(v.items) for v in views)
    never, left = sum(len(v.not_asked) for v in views), sum(len(v.to_ask) for v in views)
    unsure = sum(i.answer == "unsure" for v in views for i in v.items)
    if items and never == items:
        return SafetySummary("open", "Safety: not asked", "not asked", href)
    if left or unsure:
        said = words.plural(left, "question") + " not asked" if left else words.plural(unsure, "answer") + " unsure"
        if left > never:
            said = words.plural(left, "question") + (" not asked or" if never else "") + " to ask again"
        return SafetySummary("open", f"Safety: {said}", f"{items - left} of {items}", href)
    if any(v.state == "flag" for v in views):
        return SafetySummary("open", "Safety: raised, gone on for a reason", "gone on", href)
    if any(v.one_way for v in views):
        return SafetySummary("open", "Safety: asked, cannot be cleared here", "asked", href)
    if any(i.counts for v in views for i in v.items):
        return SafetySummary("clear", "Safety: asked, too little to send", "asked", href)
    return SafetySummary("clear", "Safety: asked, none found", "none found", href)


def flags_of(desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime) -> tuple[FlagBlock, ...]:
    """Raised screens that nobody went on from, most urgent first."""
    out = []
    for view in desk.screens(state, problem, now):
        flag = view.flag
        if flag is None or view.override is not None:
            continue
        local = desk.store.setting(LOCAL_PATHWAY + flag.sends_for)
        out.append(
            FlagBlock(
                flag.screen.id,
                f"{SENDS[flag.sends_for]}: {flag.screen.name[0].lower()}{flag.screen.name[1:]}",
                local if isinstance(local, str) and local.strip() else None,
                flag.words,
                raised_words(desk, problem, view),
                "Decide: send now" if flag.sends_for != "film-first" else "Decide: X-ray first",
                f"/visits/{state.visit_id}/{problem.problem_id}/decide#send-{flag.screen.id}",
            )
        )
    return tuple(out)


def raised_words(desk: Desk, problem: ProblemState, view: ScreenView) -> tuple[str, ...]:
    """Why a screen is raised: each question that counts, and what was recorded where that is why it does."""
    why = []
    for seen in view.items:
        if seen.counts:
            by = recorded_words(desk, problem, seen.raised_by)
            why.append((seen.item.ask or seen.item.look).rstrip(".?") + (f" ({by})" if by else ""))
    return tuple(why)


def recorded_words(desk: Desk, problem: ProblemState, recorded: tuple[str, ...]) -> str:
    """What was recorded, by name; a base item and a finding with the side where it was found."""
    names = Names(desk.catalogue, desk.evidence, problem.region)
    said = []
    for name in recorded:
        sides = [s for (item, s), base in problem.base.items() if item == name and base.state == "something-found"]
        for (observable, side), found in problem.findings.items():
            if name in (observable, observable.split(":")[0]) and found.result == "positive":
                sides.append(side)
        where = " and ".join(side for side in dict.fromkeys(sides) if side in ("left", "right"))
        said.append(names.recorded(name) + (f", {where}" if where else ""))
    return "; ".join(said)
