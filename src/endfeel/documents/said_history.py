"""The history of a problem as lines of a note."""

from __future__ import annotations

import datetime as dt
from collections import Counter

from endfeel.catalogue.entries import HistoryItem
from endfeel.documents.names import Names
from endfeel.documents.sections import Line, Weight
from endfeel.documents.wording import RESULTS, capital, clean, day, listed, number, plural
from endfeel.visits.events import Mark, StoryTold, TreatmentRecorded
from endfeel.visits.irritability import irritability_of
from endfeel.visits.problem import ProblemState, Recorded

ONSETS = {"injury": "with an injury", "gradual": "gradually", "sudden-no-injury": "suddenly, without an injury"}
GOING_ON = {"yes": "could go on", "no": "could not go on", "with-difficulty": "could go on with difficulty"}
_TOLD = (
    ("how", "How it happened"),
    ("pattern_24h", "Over day and night"),
    ("eases", "What eases it"),
    ("earlier", "Earlier episodes"),
    ("treatment_so_far", "Treatment so far"),
    ("work", "Work"),
    ("sleep", "Sleep"),
    ("worry", "Worry"),
    ("expectation", "Expectation"),
)


def history_lines(problem: ProblemState, marks: tuple[Mark, ...], names: Names, on: dt.date) -> tuple[Line, ...]:
    """The story, what was asked, irritability and precautions; what was not told is named."""
    return (
        *_where(marks),
        *_story(problem.story, problem, on),
        *_asked(problem, names),
        _irritability(problem, on),
        *_treatments(problem.treatments),
        *_precautions(problem, names),
        *_not_told(problem),
    )


def is_history(names: Names, observable: str) -> bool:
    """Whether a finding is a question and belongs to the history."""
    return isinstance(names.entry(observable), HistoryItem)


def _where(marks: tuple[Mark, ...]) -> tuple[Line, ...]:
    if not marks:
        return (Line("not marked on the figure", "Where", weight="dashed"),)
    counted = Counter((mark.kind, mark.view) for mark in marks)
    parts = []
    for (kind, view), many in counted.items():
        side = f"{view} side" if view in ("left", "right") else view
        worst = any(m.worst for m in marks if (m.kind, m.view) == (kind, view))
        more = [plural(many, "mark")] * (many > 1) + ["the worst"] * worst
        parts.append(f"{kind} on the {side}" + (f" ({', '.join(more)})" if more else ""))
    return (Line(listed(parts), "Where"),)


def _story(story: StoryTold, problem: ProblemState, on: dt.date) -> tuple[Line, ...]:
    lines = []
    if story.onset is not None or story.onset_date is not None:
        began = ONSETS[story.onset] if story.onset else "how it began was not told"
        days = problem.days_since_onset(on)
        when = f", {day(story.onset_date)} ({plural(days or 0, 'day')} before this visit)" if story.onset_date else ""
        lines.append(Line(began + (when or ", date not told"), "Began"))
    for name, label in _TOLD:
        if (told := getattr(story, name)) is not None:
            lines.append(Line(clean(told), label))
        if name == "how" and story.could_go_on is not None:
            lines.append(Line(GOING_ON[story.could_go_on], "Afterwards"))
    for provoker in story.provokers or ():
        settles = provoker.minutes_to_settle
        after = "; time to settle not told" if settles is None else f"; settles in {number(settles)} minutes"
        lines.append(Line(clean(provoker.what) + after, "Brings it on"))
    for activity in story.activities or ():
        lines.append(Line(f"{clean(activity.name)}: {number(activity.score)} of 10 (10: as before)", "Activity"))
    return tuple(lines)


def _asked(problem: ProblemState, names: Names) -> tuple[Line, ...]:
    return tuple(
        _answer(recorded, names)
        for recorded in sorted(problem.findings.values(), key=lambda r: r.made.seq)
        if is_history(names, recorded.observable) and recorded.result != "not-done"
    )


def _answer(recorded: Recorded, names: Names) -> Line:
    entry = names.entry(recorded.observable)
    question = f"asked: {entry.ask}" if isinstance(entry, HistoryItem) else ""
    said = ", ".join(str(v) for v in recorded.event.observations.values())
    answer = f"answer: {clean(said)}" if said else ""
    words = "; ".join(part for part in (answer, question) if part)
    weight: Weight = "dashed" if recorded.result == "unclear" else "plain"
    return Line(words, names.observable(recorded.observable), RESULTS[recorded.result], weight)


def _irritability(problem: ProblemState, on: dt.date) -> Line:
    judged = irritability_of(problem, on)
    return Line(judged.words, "Irritability", judged.level)


def _treatments(treatments: tuple[TreatmentRecorded, ...]) -> tuple[Line, ...]:
    return tuple(treatment_line(t) for t in treatments)


def treatment_line(treatment: TreatmentRecorded) -> Line:
    """A treatment and what came of it."""
    days = None if treatment.days is None else f"over {plural(int(treatment.days), 'day')}"
    parts = [treatment.what, treatment.dose, days, treatment.response or "response not told"]
    return Line(clean("; ".join(p for p in parts if p)), "Treatment")


def _precautions(problem: ProblemState, names: Names) -> tuple[Line, ...]:
    answers = problem.context.precautions or {}
    yes = [names.precaution(p) for p, answer in answers.items() if answer == "yes"]
    no = [names.precaution(p) for p, answer in answers.items() if answer == "no"]
    asked = [p for p in names.catalogue.precautions.values() if p.asked and p.id not in answers]
    lines = []
    if yes:
        lines.append(Line("; ".join(yes), "Precautions, yes", weight="strong"))
    if no:
        lines.append(Line("; ".join(no), "Precautions, no"))
    if asked:
        words = "none of them was asked" if not answers else "; ".join(p.name for p in asked)
        lines.append(Line(words, "Precautions, not asked", weight="dashed"))
    return tuple(lines)


def _not_told(problem: ProblemState) -> tuple[Line, ...]:
    story = problem.story
    rest = (("onset", "how it began"), ("could_go_on", "whether they could go on"))
    fields = (*_TOLD, *rest, ("provokers", "what brings it on"), ("activities", "activities"))
    missing = [label[:1].lower() + label[1:] for name, label in fields if getattr(story, name) is None]
    return (Line(capital(listed(missing)), "Not told", weight="dashed"),) if missing else ()
