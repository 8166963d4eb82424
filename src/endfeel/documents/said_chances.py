"""Chances, what moved them, what was decided and agreed, as lines of a note."""

from __future__ import annotations

import datetime as dt
import math

from endfeel.documents.figures import ChanceFigure, MoveFigure, ProblemFigures
from endfeel.documents.names import Names
from endfeel.documents.responses import response_words
from endfeel.documents.said_history import treatment_line
from endfeel.documents.sections import Line, Mark, Weight
from endfeel.documents.wording import (
    ACTIONS,
    RESULTS,
    capital,
    chance_line,
    clean,
    day,
    moment,
    number,
    percent,
    percent_line,
    plural,
)
from endfeel.visits.problem import Decision, ProblemState

BRACKETS = "In brackets: where the chance could lie if these tests work better or worse here."
MOST_MOVES = 4  # conditions told per finding, the strongest first
TOLD = 0.05  # smaller changes of log odds are left out, as in belief/explain.py


def chance_lines(figures: ProblemFigures | None, names: Names, withheld: str | None) -> tuple[Line, ...]:
    """Chances in words and numbers with their range, where they started and why; the rail's conditions first."""
    because = withheld or (figures.no_chances if figures else None)
    if because is not None:
        return (Line(because, "No chances", weight="strong"),)
    if figures is None or not figures.chances:
        return (Line("no chances were worked out for this note", weight="dashed"),)
    shown = [c for c in figures.chances if _rail(c, names) != "never"]
    ordered = sorted(shown, key=lambda c: (_rail(c, names) == "detail", -c.chance))
    lines = [_chance(c, names) for c in ordered]
    lines.append(Line(BRACKETS, weight="quiet"))
    lines += [Line(clean(remark), "Remark") for remark in figures.remarks]
    return tuple(lines)


def move_lines(figures: ProblemFigures | None, names: Names) -> tuple[Line, ...]:
    """What each recorded finding did to the odds of which condition, the strongest finding first."""
    by_finding: dict[str, list[MoveFigure]] = {}
    for move in figures.moves if figures else ():
        if abs(move.log_odds_change) >= TOLD:
            by_finding.setdefault(move.observable, []).append(move)
    lines = []
    for observable, moves in by_finding.items():
        ordered = sorted(moves, key=lambda m: -abs(m.log_odds_change))
        told = [_move(m, names) for m in ordered[:MOST_MOVES]]
        if len(ordered) > MOST_MOVES:
            told.append(f"and {plural(len(ordered) - MOST_MOVES, 'smaller change')}")
        lines.append(Line("; ".join(told), names.observable(observable), RESULTS[ordered[0].result]))
    if not lines:
        return (Line("no recorded finding moved a chance", weight="dashed"),)
    return (*lines, Line("Moves of tests that overlap do not add up: what repeats is counted once.", weight="quiet"))


def decision_lines(
    problem: ProblemState, figures: ProblemFigures | None, names: Names, zone: dt.tzinfo
) -> tuple[Line, ...]:
    """The decision with its date, earlier ones, and what costs and chances advised."""
    if problem.decision is None:
        lines = [Line("none was recorded", "Decision", weight="dashed")]
    else:
        lines = [_decision(problem.decision, names, zone, "Decision", "strong")]
        lines += [_decision(d, names, zone, "Earlier decision", "plain") for d in problem.decisions[-2::-1]]
    for advice in (figures.advice if figures else ())[:4]:
        if advice.action == "set-aside" and len(lines) > 1:
            continue
        group = names.care(advice.care_group)
        words = f"{group}; leading here: {names.condition(advice.condition)}"
        lines.append(Line(words, "By costs and chances", ACTIONS[advice.action], "quiet"))
    return tuple(lines)


def decision_summary(problem: ProblemState, names: Names) -> Line:
    """The decision in one line, for the top of a document."""
    decision = problem.decision
    if decision is None:
        return Line("none recorded", "Decision", weight="dashed")
    event = decision.event
    parts = [names.care(event.care_group), names.modality(event.modality), names.screen(event.screen_id)]
    if event.review_on is not None:
        parts.append(f"look again on {day(event.review_on)}")
    return Line("; ".join(p for p in parts if p), "Decision", capital(ACTIONS[event.action]), "strong")


def plan_lines(problem: ProblemState, names: Names) -> tuple[Line, ...]:
    """Advice given, what should bring the patient back, treatments and outcomes."""
    lines = []
    for advice in problem.advice:
        lines.append(Line(clean(advice.advice), "Advice given"))
        words = clean(advice.come_back_if)
        lines.append(Line(words or "not told", "Come back if", weight="strong" if words else "dashed"))
    if not problem.advice:
        lines.append(Line("none was recorded", "Advice given", weight="dashed"))
        lines.append(Line("not told", "Come back if", weight="dashed"))
    lines += [treatment_line(t) for t in problem.treatments]
    if any(t.response for t in problem.treatments):
        lines.append(Line(response_words(names.evidence, problem.region), weight="quiet"))
    return tuple(lines)


def outcome_lines(problem: ProblemState, names: Names) -> tuple[Line, ...]:
    """What turned out later, and how it is known."""
    lines = []
    for outcome in problem.outcomes:
        state = {True: "present", False: "absent", None: "not known"}[outcome.present]
        parts = [f"{outcome.source}, {day(outcome.on)}"]
        if outcome.blind is not None:
            parts.append("judged blind to the examination" if outcome.blind else "judged knowing the examination")
        if outcome.not_verified_because:
            parts.append(f"not verified: {clean(outcome.not_verified_because)}")
        lines.append(Line("; ".join(parts), names.condition(outcome.condition), state))
    return tuple(lines)


def leading(figures: ProblemFigures | None, names: Names, many: int = 3) -> tuple[ChanceFigure, ...]:
    """The likeliest conditions of the rail."""
    shown = [c for c in (figures.chances if figures else ()) if _rail(c, names) == "yes"]
    return tuple(sorted(shown, key=lambda c: -c.chance)[:many])


def mark_of(chance: ChanceFigure) -> Mark:
    """Where to draw a chance."""
    return Mark(chance.chance, chance.low, chance.high, chance.start)


def _rail(chance: ChanceFigure, names: Names) -> str:
    entry = names.condition_entry(chance.condition)
    return entry.rail if entry else "yes"


def _chance(c: ChanceFigure, names: Names) -> Line:
    told = [percent_line(c.chance, c.low, c.high)]
    if c.start is not None:
        low, high = c.start_low, c.start_high
        start = percent_line(c.start, low, high) if low is not None and high is not None else percent(c.start)
        source = f": {clean(c.source_words).rstrip('.')}" if c.source_words else ""
        assumed = ", our stated assumption" if c.assumed and "assum" not in c.source_words else ""
        told.append(f"started at {start}{assumed}{source}")
    return Line("; ".join(told), names.condition(c.condition), chance_line(c.chance, c.low, c.high), mark=mark_of(c))


def _move(m: MoveFigure, names: Names) -> str:
    size, low, high = (math.exp(min(30.0, v)) for v in _outward(m))
    verb = "odds times" if m.log_odds_change >= 0 else "odds divided by"
    words = f"{names.condition(m.condition)}: {verb} {_times(size)} ({_times(low)} to {_times(high)})"
    if m.assumed:
        return f"{words}, assumed: nobody measured it"
    return words if m.direct else f"{words}, moved along"


def _outward(m: MoveFigure) -> tuple[float, float, float]:
    if m.log_odds_change >= 0:
        return m.log_odds_change, m.low, m.high
    return -m.log_odds_change, -m.high, -m.low


def _times(value: float) -> str:
    return number(round(value, 1)) if value < 20 else f"{value:.0f}"


def _decision(decision: Decision, names: Names, zone: dt.tzinfo, label: str, weight: Weight) -> Line:
    event = decision.event
    parts = [names.care(event.care_group), names.modality(event.modality)]
    if event.screen_id is not None:
        parts.append(f"because of the screen: {names.screen(event.screen_id)}")
    if event.review_on is not None:
        parts.append(f"look again on {day(event.review_on)}")
    parts.append(clean(event.words).rstrip(" ."))
    parts.append(f"decided by {decision.made.actor}, {moment(decision.made.at, zone)}")
    words = "; ".join(p for p in parts if p)
    return Line(words, label, capital(ACTIONS[event.action]), weight)
