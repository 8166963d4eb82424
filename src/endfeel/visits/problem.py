"""One problem of a visit (a region and a side) as it stands after replay: frozen values only."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from endfeel.visits.corrections import Standing
from endfeel.visits.events import (
    AdviceGiven,
    Answer,
    BaseRecorded,
    CardCleared,
    ContextSet,
    Decided,
    FindingRecorded,
    MadeWorse,
    MeasureRecorded,
    OutcomeRecorded,
    Result,
    Setting,
    Side,
    StoryTold,
    TreatmentRecorded,
)

SWAPPED: Mapping[Side, Side] = {"left": "right", "right": "left", "both": "both", "none": "none"}


@dataclass(frozen=True)
class Made:
    """Who recorded something, when by the clock (UTC), and under which number."""

    seq: int
    at: dt.datetime
    actor: str


@dataclass(frozen=True)
class Recorded:
    """A finding as it stands. `side` is where it was done, also after the problem moved to the other side."""

    made: Made
    event: FindingRecorded
    side: Side

    @property
    def observable(self) -> str:
        """Id of the observable."""
        return self.event.observable

    @property
    def result(self) -> Result:
        """What it counts as: a negative in a patient who guarded is unclear."""
        if self.event.result == "negative" and self.event.guarding:
            return "unclear"
        return self.event.result


@dataclass(frozen=True)
class BaseItem:
    """A base item or neighbour on one side; `event` is None where the rest of a card was cleared at once."""

    made: Made
    state: Literal["nothing-found", "something-found"]
    side: Side
    event: BaseRecorded | None


@dataclass(frozen=True)
class Answered:
    """An answer to a screen's item; `side` is the problem's side when it was asked."""

    made: Made
    screen_id: str
    item_id: str
    answer: Answer
    side: Side


@dataclass(frozen=True)
class Override:
    """Going on in spite of a screen: for one screen, or for those that were not complete."""

    made: Made
    reason: str
    screen_id: str | None


@dataclass(frozen=True)
class Moved:
    """The problem's side was changed."""

    made: Made
    before: Side
    after: Side
    reason: str
    recordings_moved: bool


@dataclass(frozen=True)
class Decision:
    """A decision and when it was taken."""

    made: Made
    event: Decided


@dataclass(frozen=True)
class Contradiction:
    """Two answers to one question that differ; the later one counts."""

    seq_earlier: int
    seq_later: int
    problem_id: str
    what: str
    earlier: str
    later: str


@dataclass(frozen=True)
class Person:
    """What the visit's opening says about the person."""

    birth_year: int | None
    sex: Literal["female", "male", "other"] | None


@dataclass(frozen=True)
class ProblemState:
    """One problem.

    story and context are merged from all events of that kind (a field at None was never told).
    screens: screen id to item id to answer, for what holds on the present side; an item that is missing was not asked.
    asked_elsewhere: answers other than yes that were given before the problem moved to another side.
    findings: by (observable, side). base: by (item id, side). history: every event, what was corrected included.
    edition: id of the pooled evidence that the visit began with.
    """

    problem_id: str
    region: str
    side: Side
    added: Made
    person: Person
    visit_setting: Setting
    story: StoryTold
    story_told: bool
    context: ContextSet
    minutes_set_at: dt.datetime | None
    answers: Mapping[tuple[str, str], Answered]
    asked_elsewhere: tuple[Answered, ...]
    overrides: tuple[Override, ...]
    base: Mapping[tuple[str, Side], BaseItem]
    cards_cleared: tuple[CardCleared, ...]
    findings: Mapping[tuple[str, Side], Recorded]
    made_worse: tuple[MadeWorse, ...]
    decisions: tuple[Decision, ...]
    advice: tuple[AdviceGiven, ...]
    outcomes: tuple[OutcomeRecorded, ...]
    treatments: tuple[TreatmentRecorded, ...]
    measures: Mapping[tuple[str, Side], MeasureRecorded]
    moved: tuple[Moved, ...]
    contradictions: tuple[Contradiction, ...]
    withdrawn_findings: frozenset[str]
    withdrawn_scopes: frozenset[str]
    history: tuple[Standing, ...]
    edition: str = ""

    @property
    def screens(self) -> dict[str, dict[str, Answer]]:
        """Answers by screen and item."""
        result: dict[str, dict[str, Answer]] = {}
        for (screen_id, item_id), answered in self.answers.items():
            result.setdefault(screen_id, {})[item_id] = answered.answer
        return result

    @property
    def decision(self) -> Decision | None:
        """The last decision that stands."""
        return self.decisions[-1] if self.decisions else None

    @property
    def setting(self) -> Setting:
        """Where the patient is seen: as set for the problem, else as the visit was opened."""
        return self.context.setting or self.visit_setting

    def age_between(self, on: dt.date) -> tuple[int, int] | None:
        """Youngest and oldest age in years that fits what is known on a day; None where nothing is."""
        if self.context.age is not None:
            return self.context.age, self.context.age
        if self.person.birth_year is None:
            return None
        oldest = max(0, on.year - self.person.birth_year)
        return max(0, oldest - 1), oldest

    def age(self, on: dt.date) -> int | None:
        """Age in years on a day; from the birth year alone it may be one too high."""
        between = self.age_between(on)
        return between[1] if between else None

    def days_since_onset(self, on: dt.date) -> int | None:
        """Days from the onset to a day, at least 0; None where the date was not told."""
        if self.story.onset_date is None:
            return None
        return max(0, (on - self.story.onset_date).days)

    def results(self) -> dict[str, Result]:
        """Result of each observable on the problem's side, for belief, in the order first recorded.

        On a left or right problem, a recording on that side counts before one on both sides or without a side; the
        other side is the comparison and never counts. On a problem of both sides or none, positive on any side is
        positive, else negative on any side is negative.
        """
        by_observable: dict[str, dict[Side, Result]] = {}
        for (observable, side), recorded in self.findings.items():
            by_observable.setdefault(observable, {})[side] = recorded.result
        results: dict[str, Result] = {}
        for observable, sides in by_observable.items():
            result = self._one_result(sides)
            if result is not None:
                results[observable] = result
        return results

    def _one_result(self, sides: Mapping[Side, Result]) -> Result | None:
        if self.side in ("left", "right"):
            for side in (self.side, "both", "none"):
                if side in sides:
                    return sides[side]
            return None
        order: tuple[Result, ...] = ("positive", "negative", "unclear", "not-done")
        return next((result for result in order if result in sides.values()), None)
