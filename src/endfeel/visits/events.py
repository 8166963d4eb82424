"""What can happen at a visit: one frozen model per event, told apart by ``type``.

Nothing but these events is stored. An event that turns out wrong is never changed: a later ``corrected`` event points
at it by its number. Fields that a person types freely are marked ``Words``; de-identified export leaves those out.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    TypeAdapter,
    ValidationError,
    field_validator,
    model_validator,
)

LONGEST_TEXT = 100_000  # characters in one free-text field
FIRST_DAY, LAST_DAY = dt.date(1900, 1, 1), dt.date(2200, 1, 1)
FIRST_MOMENT, LAST_MOMENT = dt.datetime(1970, 1, 1, tzinfo=dt.UTC), dt.datetime(2200, 1, 1, tzinfo=dt.UTC)


class FreeText:
    """Marks a field whose words a person typed: it may hold anything, names too."""


def _one_line(text: str) -> str:
    if any(ord(ch) < 32 or 127 <= ord(ch) < 160 for ch in text):
        raise ValueError("must not hold control characters")
    return text


Words = Annotated[str, StringConstraints(max_length=LONGEST_TEXT), FreeText()]
Label = Annotated[str, StringConstraints(min_length=1, max_length=200), AfterValidator(_one_line)]
TypedLabel = Annotated[Label, FreeText()]
Id = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9:._+\-]{0,119}$")]

Side = Literal["left", "right", "both", "none"]
Result = Literal["negative", "positive", "unclear", "not-done"]
Answer = Literal["yes", "no", "unsure"]
Onset = Literal["injury", "gradual", "sudden-no-injury"]
Setting = Literal["primary", "secondary", "tertiary", "sports", "emergency", "military", "mixed"]
HowLittle = Literal["little", "some", "much"]
HowBad = Literal["mild", "moderate", "severe"]
HowLong = Literal["minutes", "an-hour", "hours"]
Action = Literal["send-now", "look-further", "start-care", "set-aside"]
Observed = bool | int | float | Annotated[str, StringConstraints(max_length=10_000)]
ObservationId = Annotated[str, StringConstraints(max_length=120)]

Day = Annotated[dt.date, Field(ge=FIRST_DAY, le=LAST_DAY)]
Moment = Annotated[AwareDatetime, Field(ge=FIRST_MOMENT, le=LAST_MOMENT)]
Score = Annotated[float, Field(ge=0, le=10)]
Fraction = Annotated[float, Field(ge=0, le=1)]


class EventError(ValueError):
    """An event that can't be read; the message is one line."""


class Part(BaseModel):
    """Common ground of events and of what they are made of: frozen, no unknown fields, no infinite numbers."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class VisitOpened(Part):
    """The first event of every visit. ``edition`` and ``software`` say what the chances were computed with."""

    type: Literal["visit-opened"] = "visit-opened"
    patient_code: Label
    birth_year: Annotated[int, Field(ge=1880, le=2200)] | None = None
    sex: Literal["female", "male", "other"] | None = None
    initials: Annotated[str, StringConstraints(max_length=12), AfterValidator(_one_line)] | None = None
    setting: Setting = "primary"
    previous_visit_id: Id | None = None
    edition: Annotated[str, StringConstraints(max_length=200)] = ""
    software: Annotated[str, StringConstraints(max_length=200)] = ""


class ProblemAdded(Part):
    """One more region and side to work on; each problem has its own belief."""

    type: Literal["problem-added"] = "problem-added"
    problem_id: Id
    region: Id
    side: Side


class ProblemMoved(Part):
    """The problem is on another side than was entered.

    ``recordings_move``: the side was a slip of the finger, so what was recorded so far on the old side was in truth
    done on the new one (and the reverse). If false, earlier recordings keep their side.
    """

    type: Literal["problem-moved"] = "problem-moved"
    problem_id: Id
    side: Side
    reason: Words
    recordings_move: bool = False


class Mark(Part):
    """One mark on the body figure; x from its left edge, y from its top, as fractions of the drawing's size."""

    view: Literal["front", "back", "left", "right"]
    x: Fraction
    y: Fraction
    kind: Literal["pain", "tingling", "numbness"] = "pain"
    worst: bool = False


class WhereMarked(Part):
    """All marks on the figure, as they now stand (a later event replaces the whole set)."""

    type: Literal["where-marked"] = "where-marked"
    marks: Annotated[tuple[Mark, ...], Field(max_length=200)]


class Provoker(Part):
    """Something that brings the symptom on, and how long it then takes to settle (minutes)."""

    what: Words
    minutes_to_settle: Annotated[float, Field(ge=0, le=100_000)] | None = None


class Activity(Part):
    """An activity that the patient named: 0 cannot do it, 10 as before."""

    name: Words
    score: Score


class StoryTold(Part):
    """The history of one problem. A field left at None was not told this time and keeps what was told before."""

    type: Literal["story-told"] = "story-told"
    problem_id: Id
    onset: Onset | None = None
    onset_date: Day | None = None
    how: Words | None = None
    could_go_on: Literal["yes", "no", "with-difficulty"] | None = None
    pattern_24h: Words | None = None
    provokers: Annotated[tuple[Provoker, ...], Field(max_length=3)] | None = None
    eases: Words | None = None
    earlier: Words | None = None
    treatment_so_far: Words | None = None
    work: Words | None = None
    sleep: Words | None = None
    worry: Words | None = None
    expectation: Words | None = None
    activities: Annotated[tuple[Activity, ...], Field(max_length=5)] | None = None


class ContextSet(Part):
    """What is known about the person and the visit. None keeps what was set before.

    ``minutes``: for hands-on examination, from now. ``precautions``: id to yes or no, merged with earlier answers.
    ``chances``: starting chances set by hand (0 to 1); the map replaces the earlier one.
    """

    type: Literal["context-set"] = "context-set"
    problem_id: Id
    age: Annotated[int, Field(ge=0, le=130)] | None = None
    setting: Setting | None = None
    minutes: Annotated[float, Field(ge=0, le=600)] | None = None
    precautions: dict[Id, Literal["yes", "no"]] | None = None
    how_little: HowLittle | None = None
    how_bad: HowBad | None = None
    how_long: HowLong | None = None
    chances: dict[Id, Fraction] | None = None


class ConsentGiven(Part):
    """Consent to the visit, to intimate or to strongly provoking tests, or to one finding."""

    type: Literal["consent-given"] = "consent-given"
    scope: Literal["visit", "intimate", "provoking"]
    finding_id: Id | None = None
    chaperone: Literal["offered-declined", "present", "not-offered"] = "not-offered"


class ConsentWithdrawn(Part):
    """Consent taken back, for a scope or for one finding."""

    type: Literal["consent-withdrawn"] = "consent-withdrawn"
    scope: Literal["visit", "intimate", "provoking"]
    finding_id: Id | None = None


class ScreenAnswered(Part):
    """One item of a safety screen. An item without such an event was not asked."""

    type: Literal["screen-answered"] = "screen-answered"
    problem_id: Id
    screen_id: Id
    item_id: Id
    answer: Answer


class ScreenOverridden(Part):
    """Going on although a screen withholds findings, for a typed reason that the note keeps.

    Without ``screen_id`` it covers screens that are not complete, never one that is flagged. With ``screen_id`` it
    covers that screen as it stood, a flag too (a film was taken and shows no fracture); what is found later raises it
    again.
    """

    type: Literal["screen-overridden"] = "screen-overridden"
    problem_id: Id
    reason: Annotated[str, StringConstraints(min_length=3, max_length=LONGEST_TEXT), FreeText()]
    screen_id: Id | None = None


class BaseRecorded(Part):
    """One item of the base examination or one neighbour, on one side. Never the evidence of a special test."""

    type: Literal["base-recorded"] = "base-recorded"
    problem_id: Id
    item_id: Id
    side: Side = "none"
    state: Literal["nothing-found", "something-found"]
    value: float | None = None
    unit: Annotated[str, StringConstraints(max_length=40)] | None = None
    painful: bool | None = None
    weak: bool | None = None
    end_feel: Annotated[str, StringConstraints(max_length=200), FreeText()] | None = None
    limits: Annotated[str, StringConstraints(max_length=200), FreeText()] | None = None
    text: Words | None = None


class CardCleared(Part):
    """The rest of one card: looked at, nothing found. Never overwrites an item that was recorded by itself."""

    type: Literal["card-cleared"] = "card-cleared"
    problem_id: Id
    card: Label
    items: Annotated[tuple[Id, ...], Field(max_length=100)]


class FindingRecorded(Part):
    """The result of one observable on one side, with what was seen and under what conditions.

    ``blind_to``: what the examiner did not know (imaging, another examiner's result …). ``symptoms_before`` and
    ``pain`` are 0 to 10. ``guarding``: the patient could not let go; a negative is then read as unclear.
    """

    type: Literal["finding-recorded"] = "finding-recorded"
    problem_id: Id
    observable: Id
    side: Side = "none"
    result: Result
    observations: Annotated[dict[ObservationId, Observed], Field(max_length=60)] = {}
    confidence: Annotated[int, Field(ge=1, le=5)] | None = None
    blind_to: tuple[TypedLabel, ...] = ()
    symptoms_before: Score | None = None
    pain: Score | None = None
    own_pain: bool | None = None
    guarding: bool | None = None
    not_done_because: Words | None = None
    rater: Label | None = None
    experience: Annotated[str, StringConstraints(max_length=200), FreeText()] | None = None


class MadeWorse(Part):
    """A test raised the symptoms: before and after on 0 to 10, and how long they took to settle (minutes)."""

    type: Literal["made-worse"] = "made-worse"
    problem_id: Id
    finding_id: Id | None = None
    before: Score
    after: Score
    settled_in_minutes: Annotated[float, Field(ge=0, le=100_000)] | None = None


class Decided(Part):
    """What is to be done. Sending now follows only from a screen; starting care needs the date to look again."""

    type: Literal["decided"] = "decided"
    problem_id: Id
    action: Action
    care_group: Id | None = None
    modality: Id | None = None
    review_on: Day | None = None
    screen_id: Id | None = None
    words: Words = ""

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.action == "start-care" and self.review_on is None:
            raise ValueError("starting care needs the date on which to look again (review_on)")
        if self.action == "send-now" and self.screen_id is None:
            raise ValueError("sending now needs the safety screen that asks for it (screen_id)")
        return self


class AdviceGiven(Part):
    """What the patient was told, and what should bring them back sooner."""

    type: Literal["advice-given"] = "advice-given"
    problem_id: Id
    advice: Words
    come_back_if: Words = ""


class OutcomeRecorded(Part):
    """What turned out later. ``blind``: whoever judged it did not know the examination. ``present`` None: not known."""

    type: Literal["outcome-recorded"] = "outcome-recorded"
    problem_id: Id
    source: TypedLabel
    on: Day
    condition: Id
    present: bool | None = None
    blind: bool | None = None
    not_verified_because: Words | None = None


class TreatmentRecorded(Part):
    """A treatment and what came of it."""

    type: Literal["treatment-recorded"] = "treatment-recorded"
    problem_id: Id | None = None
    what: Words
    dose: Words | None = None
    days: Annotated[float, Field(ge=0, le=10_000)] | None = None
    response: Literal["better", "same", "worse"] | None = None


class MeasureRecorded(Part):
    """A number that is compared from visit to visit: a range, a strength, a score."""

    type: Literal["measure-recorded"] = "measure-recorded"
    problem_id: Id
    measure: Id
    side: Side = "none"
    value: float
    unit: Annotated[str, StringConstraints(max_length=40)]


class Closed(Part):
    """The visit is finished. Whatever arrives later is still kept and is marked as late."""

    type: Literal["closed"] = "closed"
    summary: Words | None = None


class Reopened(Part):
    """A closed visit is taken up again, for a reason."""

    type: Literal["reopened"] = "reopened"
    reason: Annotated[str, StringConstraints(min_length=1, max_length=LONGEST_TEXT), FreeText()]


Plain = Annotated[
    VisitOpened
    | ProblemAdded
    | ProblemMoved
    | WhereMarked
    | StoryTold
    | ContextSet
    | ConsentGiven
    | ConsentWithdrawn
    | ScreenAnswered
    | ScreenOverridden
    | BaseRecorded
    | CardCleared
    | FindingRecorded
    | MadeWorse
    | Decided
    | AdviceGiven
    | OutcomeRecorded
    | TreatmentRecorded
    | MeasureRecorded
    | Closed
    | Reopened,
    Field(discriminator="type"),
]


class Corrected(Part):
    """The event number ``of`` was wrong. ``replacement`` None takes it back.

    Aimed at a correction, it changes that correction instead: None takes the correction back, so that what it corrected
    stands again; a replacement stands in its place.
    """

    type: Literal["corrected"] = "corrected"
    of: Annotated[int, Field(ge=1)]
    replacement: Plain | None = None
    reason: Words | None = None


Event = Annotated[
    VisitOpened
    | ProblemAdded
    | ProblemMoved
    | WhereMarked
    | StoryTold
    | ContextSet
    | ConsentGiven
    | ConsentWithdrawn
    | ScreenAnswered
    | ScreenOverridden
    | BaseRecorded
    | CardCleared
    | FindingRecorded
    | MadeWorse
    | Decided
    | AdviceGiven
    | OutcomeRecorded
    | TreatmentRecorded
    | MeasureRecorded
    | Closed
    | Reopened
    | Corrected,
    Field(discriminator="type"),
]


class StoredEvent(Part):
    """An event as it lies in the store.

    ``seq`` counts from 1 within its visit and alone gives the order; ``at`` is what the clock said (UTC) and may go
    back. ``client_id`` is made by whoever sends the event, so that sending it twice stores it once.
    """

    seq: Annotated[int, Field(ge=1)]
    visit_id: Id
    at: Moment
    actor: Label
    client_id: Id
    event: Event

    @field_validator("at")
    @classmethod
    def _utc(cls, value: dt.datetime) -> dt.datetime:
        return value.astimezone(dt.UTC)


def parse_event(data: str | bytes | Mapping[str, Any]) -> Event:
    """Read one event from JSON text or from a mapping.

    Raises EventError with one line that names the field and what is wrong with it.
    """
    try:
        if isinstance(data, (str, bytes)):
            return _EVENT.validate_json(data)
        return _EVENT.validate_python(dict(data))
    except ValidationError as error:
        raise EventError(_line(error)) from None


def event_json(event: Event) -> str:
    """The event as compact JSON; fields left at None are not written."""
    return event.model_dump_json(exclude_none=True)


_EVENT: TypeAdapter[Event] = TypeAdapter(Event)
_TYPES: tuple[str, ...] = tuple(c.model_fields["type"].default for c in get_args(get_args(Event)[0]))


def _line(error: ValidationError) -> str:
    first = error.errors(include_url=False, include_input=False)[0]
    where = ".".join(str(part) for part in first["loc"]) or "event"
    more = error.error_count() - 1
    message = first["msg"].removeprefix("Value error, ")
    if first["type"].startswith("union_tag"):
        message = f"type must be one of {', '.join(_TYPES)}"
    message = f"{where}: {message}" + (f" (and {more} more)" if more else "")
    return " ".join(message.split())
