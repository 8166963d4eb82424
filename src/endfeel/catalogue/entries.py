"""How one finding is elicited: hands-on, asked, or looked for by a scan or a laboratory (docs/catalogue-format.md)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from endfeel.catalogue.expression import Expression, parse

RULE_KEYS = ("void", "positive", "negative", "otherwise")


class Entry(BaseModel):
    """What every part of the catalogue shares: frozen, no field outside the format."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Review(Entry):
    """Who stands behind an entry: a draft until a licensed reviewer signs, named by role."""

    status: Literal["draft", "reviewed"]
    by_role: str = ""
    on: str = ""


class Observation(Entry):
    """One thing to note while doing a test: a choice, a scale or a measure; per position where it is read twice."""

    id: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_-]*$")]
    ask: str = ""
    choose: tuple[str, ...] = ()
    scale: str = ""
    unit: str = ""
    per: Literal["", "position"] = ""

    @model_validator(mode="after")
    def _one_way_to_answer(self) -> Observation:
        if sum(map(bool, (self.choose, self.scale, self.unit))) != 1:
            raise ValueError(f"observation {self.id!r} needs exactly one of choose, scale and unit")
        return self


class TestPosition(Entry):
    """One of the two positions of a test that compares them."""

    id: str
    name: str = ""
    like: str = ""
    contact: str = ""


class Reading(Entry):
    """One reading of a manoeuvre: its words; any_of makes it the coarse form of others; level makes it a grade;
    excludes names the readings that can not hold with it."""

    words: str
    any_of: tuple[str, ...] = ()
    level: int | None = None
    excludes: tuple[str, ...] = ()


class Grade(Entry):
    """A finding that grades a sign which other findings grade too: a stronger level includes the milder ones."""

    sign: Annotated[str, Field(min_length=1)]
    level: Annotated[int, Field(ge=1)]


class ResultRule(Entry):
    """When the result is unclear whatever else (void), positive, negative; what it is otherwise."""

    void: str | None = None
    positive: str
    negative: str | None = None
    otherwise: Literal["negative", "positive", "unclear"] = "unclear"

    @model_validator(mode="after")
    def _can_be_read(self) -> ResultRule:
        for text in (self.void, self.positive, self.negative):
            if text is not None:
                parse(text)
        return self

    def expressions(self) -> tuple[tuple[str, Expression], ...]:
        """(result, expression) in the order in which they decide."""
        rules = (("unclear", self.void), ("positive", self.positive), ("negative", self.negative))
        return tuple((result, parse(text)) for result, text in rules if text is not None)


class StudiedAs(Entry):
    """Which way of doing the test the pooled rows used, and which rows are left out and why."""

    note: str = ""
    left_out: Mapping[str, str] = {}


class Relatives(Entry):
    """Findings that load the same structure, that come before or after in strength."""

    same_load: tuple[str, ...] = ()
    lighter: tuple[str, ...] = ()
    stronger: tuple[str, ...] = ()
    skip_stronger_if: Literal["", "positive", "negative"] = ""


class LookAgain(Entry):
    """A sign that a fresh injury hides: when to look again."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)
    when: Annotated[str, Field(alias="if")]
    injury_days_under: int
    on_day: tuple[int, ...]


def _readings(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    return {k: {"words": v} if isinstance(v, str) else v for k, v in value.items()}


Readings = Annotated[Mapping[str, Reading], BeforeValidator(_readings)]


class _Finding(Entry):
    id: str
    targets: tuple[str, ...] = ()
    readings: Readings = {}
    grade: Grade | None = None
    studied_as: StudiedAs = StudiedAs()
    our_reading: str = ""
    review: Review

    @model_validator(mode="after")
    def _exclusions_fit(self) -> _Finding:
        if self.grade is not None and self.readings:
            raise ValueError("a finding with readings can be no grade itself; give its readings a level")
        for name, reading in self.readings.items():
            if reading.excludes and (reading.level is not None or reading.any_of):
                raise ValueError(f"reading {name!r} is a grade or a coarse form, so it can not say excludes")
            for other in reading.excludes:
                if other == name or other not in self.readings:
                    raise ValueError(f"reading {name!r} excludes {other!r}, which is no other reading here")
                if {name, *reading.excludes} != {other, *self.readings[other].excludes}:
                    raise ValueError(
                        f"readings {name!r} and {other!r}: let every reading of the set exclude all the others"
                    )
        return self

    def observables(self) -> tuple[str, ...]:
        """Observable ids: the finding, or one for each reading."""
        return tuple(f"{self.id}:{part}" for part in self.readings) or (self.id,)


class HandsOn(_Finding):
    """A sign or test that the clinician looks for, feels or provokes."""

    purpose: str
    say: str = ""
    first: tuple[str, ...] = ()
    never_if: Mapping[str, str] = {}
    stop_if: tuple[str, ...] = ()
    patient: str
    examiner: str
    move: str
    dose: str = ""
    other_side_first: bool = False
    positions: tuple[TestPosition, ...] = ()
    observe: tuple[Observation, ...]
    result: ResultRule | Mapping[str, ResultRule]
    counts_not: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    relatives: Relatives = Relatives()
    look_again: LookAgain | None = None
    intimate: bool = False

    def rule(self, reading: str | None = None) -> ResultRule | None:
        """The rule of a reading, or of the finding; None for a coarse reading that follows from others."""
        if isinstance(self.result, ResultRule):
            return self.result
        return self.result.get(reading or "")

    def observation_names(self) -> frozenset[str]:
        """Names that its expressions may use."""
        names: set[str] = set()
        for item in self.observe:
            names |= {f"{item.id}.{p.id}" for p in self.positions} if item.per == "position" else {item.id}
        if self.positions:
            names |= {"done.both", *(f"done.{p.id}" for p in self.positions)}
        return frozenset(names)


class HistoryItem(_Finding):
    """A question, its answers, and which of them count; `derived` where it follows from what is known already."""

    ask: str
    answers: tuple[str, ...]
    positive: tuple[str, ...]
    negative: tuple[str, ...] = ()
    why: str
    derived: str | None = None

    @model_validator(mode="after")
    def _answers_exist(self) -> HistoryItem:
        stray = [a for a in (*self.positive, *self.negative) if a not in self.answers]
        if stray:
            raise ValueError(f"{stray[0]!r} is not among the answers")
        if self.derived is not None:
            parse(self.derived)
        return self


class LookFurther(_Finding):
    """A scan or a laboratory test: an action with a cost, never the next hands-on finding."""

    purpose: str
    modality: str


Finding = HandsOn | HistoryItem | LookFurther
