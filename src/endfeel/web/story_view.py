"""The story: how it began, what brings it on, how irritable it is, and the questions that published studies weighed.

Public: StoryPage, story_page, told, context_told.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from endfeel.catalogue.entries import HistoryItem
from endfeel.visits.events import Activity, ContextSet, Provoker, StoryTold
from endfeel.visits.problem import ProblemState
from endfeel.visits.state import VisitState
from endfeel.web.desk import Desk
from endfeel.web.forms import Sent
from endfeel.web.refused import Refused
from endfeel.web.visit_head import Head, head

ONSETS = (("injury", "An injury"), ("gradual", "Came on gradually"), ("sudden-no-injury", "Suddenly, no injury"))
GO_ON = (("yes", "Yes"), ("with-difficulty", "With difficulty"), ("no", "No"))
AGO = (
    (0, "Today"), (1, "Yesterday"), (2, "2 days"), (3, "3 days"), (5, "5 days"), (7, "1 week"), (14, "2 weeks"),
    (28, "4 weeks"), (84, "12 weeks"), (182, "6 months"), (365, "1 year"),
)  # fmt: skip
HOW_LITTLE = (("little", "Little brings it on"), ("some", "Some effort"), ("much", "Takes much"))
HOW_BAD = (("mild", "Mild"), ("moderate", "Moderate"), ("severe", "Severe"))
HOW_LONG = (("minutes", "Minutes"), ("an-hour", "About an hour"), ("hours", "Hours or more"))
TEXTS = (
    ("how", "What happened", "In the patient’s words: position, force, sound, swelling."),
    ("pattern_24h", "Through day and night", "Morning, after sitting, at the end of the day, at night."),
    ("eases", "What eases it", ""),
    ("earlier", "Earlier episodes", ""),
    ("treatment_so_far", "Treatment so far", "What, how long, and what came of it. It moves no chance."),
    ("work", "Work and sport", ""),
    ("sleep", "Sleep", ""),
    ("worry", "What worries the patient", ""),
    ("expectation", "What the patient hopes for", ""),
)


@dataclass(frozen=True)
class TextField:
    """One free-text part of the story."""

    name: str
    label: str
    hint: str
    value: str


@dataclass(frozen=True)
class Question:
    """A history item that a study weighed; ``given`` is the recorded answer, ``seq`` the event that holds it."""

    observable: str
    ask: str
    answers: tuple[str, ...]
    given: str | None
    result: str | None
    seq: int | None
    why: str


@dataclass(frozen=True)
class StoryPage:
    """The page “Story”."""

    head: Head
    post: str
    record: str
    onward: str
    onset: str | None
    onsets: tuple[tuple[str, str], ...]
    onset_date: str
    today: str
    ago: tuple[tuple[int, str], ...]
    ago_chosen: int | None
    could_go_on: str | None
    go_on: tuple[tuple[str, str], ...]
    texts: tuple[TextField, ...]
    provokers: tuple[tuple[str, str], ...]
    activities: tuple[tuple[str, int | None], ...]
    irritability: str
    irritability_words: str
    irritability_rule: str
    how_little: str | None
    how_bad: str | None
    how_long: str | None
    taps: tuple[tuple[str, str, tuple[tuple[str, str], ...], str | None], ...]
    minutes: float | None
    more_told: bool
    questions: tuple[Question, ...]


def story_page(desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime) -> StoryPage:
    """The page for one problem."""
    story, context = problem.story, problem.context
    base = f"/visits/{state.visit_id}/{problem.problem_id}"
    provokers = [
        (p.what, "" if p.minutes_to_settle is None else f"{p.minutes_to_settle:g}") for p in story.provokers or ()
    ]
    activities: list[tuple[str, int | None]] = [(a.name, round(a.score)) for a in story.activities or ()]
    days = problem.days_since_onset(now.date())
    return StoryPage(
        head=head(desk, state, problem, "story", now),
        post=f"{base}/story",
        record=f"{base}/answer-history",
        onward=f"{base}/safety",
        onset=story.onset,
        onsets=ONSETS,
        onset_date=story.onset_date.isoformat() if story.onset_date and days not in dict(AGO) else "",
        today=now.date().isoformat(),
        ago=AGO,
        ago_chosen=days if days in dict(AGO) else None,
        could_go_on=story.could_go_on,
        go_on=GO_ON,
        texts=tuple(TextField(n, label, hint, getattr(story, n) or "") for n, label, hint in TEXTS),
        provokers=tuple([*provokers, *[("", "")] * 3][:3]),
        activities=tuple([*activities, *[("", None)] * 5][: min(5, len(activities) + 1)]),
        irritability=desk.irritability(problem, now).level,
        irritability_words=desk.irritability(problem, now).words,
        irritability_rule=desk.irritability(problem, now).rule,
        how_little=context.how_little,
        how_bad=context.how_bad,
        how_long=context.how_long,
        taps=(
            ("how_little", "How little brings it on?", HOW_LITTLE, context.how_little),
            ("how_bad", "How bad does it get?", HOW_BAD, context.how_bad),
            ("how_long", "How long until it settles?", HOW_LONG, context.how_long),
        ),
        minutes=context.minutes,
        more_told=bool(provokers or activities or any(getattr(story, n) for n, _, _ in TEXTS[1:])),
        questions=_questions(desk, problem),
    )


def told(problem: ProblemState, sent: Sent, today: dt.date) -> StoryTold | None:
    """What of the story is new in a post; None where nothing is. A text that was emptied is told as empty."""
    new: dict[str, Any] = {}
    now: dict[str, Any] = {
        "onset": sent.choice("onset", "How it began", tuple(v for v, _ in ONSETS)),
        "could_go_on": sent.choice("could_go_on", "Could go on", tuple(v for v, _ in GO_ON)),
        "onset_date": sent.day("onset_date", "The day it began"),
    }
    ago = sent.whole("ago", "Days ago", 0, 40_000)
    if ago is not None and now["onset_date"] is None:
        now["onset_date"] = (sent.day("shown_on", "The page's day") or today) - dt.timedelta(days=ago)
    latest = max(today, sent.day("shown_on", "The page's day") or today)
    if now["onset_date"] is not None and now["onset_date"] > latest:
        raise Refused(400, f"The day it began, {now['onset_date']}, lies in the future; give the day it happened.")
    for name, _, _ in TEXTS:
        if name in sent.fields:
            now[name] = sent.text(name) or ("" if getattr(problem.story, name) else None)
    provokers = _provokers(sent)
    if provokers or problem.story.provokers:
        now["provokers"] = provokers
    activities = _activities(sent)
    if activities or problem.story.activities:
        now["activities"] = activities
    for name, value in now.items():
        if value is not None and value != getattr(problem.story, name):
            new[name] = value
    return StoryTold(problem_id=problem.problem_id, **new) if new else None


def context_told(problem: ProblemState, sent: Sent) -> ContextSet | None:
    """What of the irritability taps and the time at hand is new in a post; None where nothing is."""
    new: dict[str, Any] = {}
    for name, options in (("how_little", HOW_LITTLE), ("how_bad", HOW_BAD), ("how_long", HOW_LONG)):
        value = sent.choice(name, name.replace("_", " "), tuple(v for v, _ in options))
        if value is not None and value != getattr(problem.context, name):
            new[name] = value
    minutes = sent.number("minutes", "Minutes for the examination", 0, 600)
    if minutes is not None and minutes != problem.context.minutes:
        new["minutes"] = minutes
    return ContextSet(problem_id=problem.problem_id, **new) if new else None


def _provokers(sent: Sent) -> tuple[Provoker, ...]:
    out = []
    for i in range(3):
        what = sent.text(f"provoker_{i}")
        if what:
            minutes = sent.number(f"settles_{i}", "Minutes to settle", 0, 100_000)
            out.append(Provoker(what=what, minutes_to_settle=minutes))
    return tuple(out)


def _activities(sent: Sent) -> tuple[Activity, ...]:
    out = []
    for i in range(5):
        name = sent.text(f"activity_{i}")
        score = sent.number(f"score_{i}", "The activity’s score", 0, 10)
        if name and score is not None:
            out.append(Activity(name=name, score=score))
    return tuple(out)


def _questions(desk: Desk, problem: ProblemState) -> tuple[Question, ...]:
    """History items of the region that the model weighs, those recorded included, in the model's order."""
    region = desk.catalogue.region(problem.region)
    meant = desk.meant(problem)
    out = []
    for finding in region.findings.values():
        if not isinstance(finding, HistoryItem) or finding.derived is not None:
            continue
        for observable in finding.observables():
            recorded = desk.recorded(problem, observable)
            if observable not in meant and recorded is None:
                continue
            given = recorded.event.observations.get("answer") if recorded else None
            out.append(
                Question(
                    observable,
                    finding.ask,
                    finding.answers,
                    str(given) if given is not None else None,
                    recorded.result if recorded else None,
                    recorded.made.seq if recorded else None,
                    finding.why,
                )
            )
    return tuple(out)
