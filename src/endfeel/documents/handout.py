"""A handout for the patient: plain words, what was agreed, when to come back sooner. No scores of tests, no jargon.

`handout` builds it from a visit; `handout_text` gives plain text, `endfeel.documents.pdf.handout_pdf` paper.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass

from endfeel.catalogue import Catalogue
from endfeel.documents.figures import ProblemFigures
from endfeel.documents.incidental import chanced_for
from endfeel.documents.names import Names
from endfeel.documents.said_chances import leading
from endfeel.documents.said_safety import no_chances
from endfeel.documents.sections import flat, rule_under
from endfeel.documents.wording import chance_words, clean, day, lower, side_and_region
from endfeel.evidence import EvidenceBase, load_evidence
from endfeel.visits.problem import ProblemState
from endfeel.visits.safety import flags_of
from endfeel.visits.state import VisitState

EMERGENCY = "In an emergency do not wait for us: call your local emergency number."
CAUTION = (
    "This page is about you and this visit only. It does not replace talking to us: ask whenever something is not "
    "clear or is not going as it should."
)


@dataclass(frozen=True)
class ActivityLine:
    """An activity that the patient named, with the score of the day (0 can not do it, 10 as before)."""

    name: str
    score: float


@dataclass(frozen=True)
class Handout:
    """A handout. first: what must happen now, where a safety flag is raised. could_be: only where it was asked for."""

    title: str
    date: str
    first: tuple[str, ...]
    what: tuple[str, ...]
    could_be: tuple[tuple[str, str], ...]
    next: tuple[str, ...]
    agreed: tuple[str, ...]
    come_back_if: tuple[str, ...]
    look_again: str
    activities: tuple[ActivityLine, ...]
    closing: tuple[str, ...]
    code: str
    visit_id: str
    entry: int


def handout(
    state: VisitState,
    catalogue: Catalogue,
    problem_id: str,
    figures: ProblemFigures | None = None,
    *,
    with_chances: bool = False,
    evidence: EvidenceBase | None = None,
    now: dt.datetime | None = None,
    zone: dt.tzinfo = dt.UTC,
) -> Handout:
    """A handout about one problem. with_chances: the patient asked how likely things are; they come as "about 6 in 10".

    KeyError where the visit has no such problem.
    """
    problem = state.problems[problem_id]
    names = Names(catalogue, evidence or load_evidence(), problem.region)
    at = now or state.last_at
    show = with_chances and no_chances(problem, at.date()) is None
    decision = problem.decision
    review = decision.event.review_on if decision else None
    return Handout(
        title=f"Your {lower(_plain_where(problem))}",
        date=day(at.astimezone(zone)),
        first=tuple(dict.fromkeys(f.screen.patient for f in flags_of(problem, catalogue, at) if not f.screen.discreet)),
        what=_what(problem, names),
        could_be=tuple(
            (_plain(names, c.condition), chance_words(c.chance)) for c in (leading(figures, names, 4) if show else ())
        ),
        next=_next(problem, names, at.date()),
        agreed=_points(advice.advice for advice in problem.advice),
        come_back_if=_points((advice.come_back_if for advice in problem.advice), at_semicolons=True),
        look_again=f"We look at it again on {day(review)}." if review else "",
        activities=tuple(ActivityLine(flat(a.name), a.score) for a in problem.story.activities or ()),
        closing=(EMERGENCY, CAUTION),
        code=state.opened.patient_code,
        visit_id=state.visit_id,
        entry=state.seq,
    )


def handout_text(handout: Handout) -> str:
    """The handout as plain text."""
    parts: list[tuple[str, tuple[str, ...]]] = [
        ("First", handout.first),
        ("What this is about", handout.what),
        ("What it could be", tuple(f"{name}: {chance}" for name, chance in handout.could_be)),
        ("What happens now", handout.next),
        ("What we agreed", handout.agreed),
        ("Come back sooner if", handout.come_back_if or ("anything gets worse or worries you",)),
        ("When we look again", (handout.look_again,) if handout.look_again else ()),
        ("How you are doing", tuple(f"{a.name}: {a.score:g} of 10 today" for a in handout.activities)),
    ]
    out = [rule_under(handout.title, "="), handout.date]
    for title, lines in parts:
        if lines:
            out += ["", rule_under(title, "-"), *(f"  {line}" for line in lines)]
    return "\n".join([*out, "", *handout.closing]) + "\n"


def _plain_where(problem: ProblemState) -> str:
    return side_and_region(problem.side, problem.region)


def _plain(names: Names, condition: str) -> str:
    entry = names.condition_entry(condition)
    return entry.plain if entry else names.condition(condition)


def _what(problem: ProblemState, names: Names) -> tuple[str, ...]:
    decision = problem.decision
    entry = names.region.care.get(decision.event.care_group or "") if decision and names.region else None
    return (entry.plain,) if entry else ()


def _next(problem: ProblemState, names: Names, on: dt.date) -> tuple[str, ...]:
    decision = problem.decision
    if decision is None:
        return ("We have not decided yet what comes next. We will tell you.",)
    event = decision.event
    if event.action == "send-now":
        screen = names.catalogue.screens.get(event.screen_id or "")
        if screen is not None and screen.discreet:
            return ("We tell you in person what happens next.",)
        return (screen.patient if screen else "You need to be seen now.",)
    if event.action == "look-further":
        how = f": {lower(names.modality(event.modality))}" if event.modality else ""
        return (f"We want to look further before we choose{how}.", *_by_chance(problem, names, on))
    if event.action == "start-care":
        return ("We start today.",)
    return ("Nothing more is needed for this now. It can be taken up again at any time.",)


def _by_chance(problem: ProblemState, names: Names, on: dt.date) -> tuple[str, ...]:
    """That a scan shows what need not hurt, with the figure; nothing where none was read, or where it is no scan."""
    event = problem.decision.event if problem.decision else None
    if event is None or names.region is None:
        return ()
    found = chanced_for(problem, names.region, event.care_group, event.modality, on)
    if not found:
        return ()
    return (f"A scan also shows things that are no trouble. {found[0].plain} We look at it together with how you are.",)


def _points(texts: Iterable[str], at_semicolons: bool = False) -> tuple[str, ...]:
    split = r"[\n;]" if at_semicolons else r"\n"
    found = [part.strip(" .,-") for text in texts for part in re.split(split, clean(text))]
    return tuple(part for part in found if part)
