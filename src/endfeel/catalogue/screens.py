"""Safety rules, outside the chances: what is asked and looked for, and what it sends for.

A screen has three outcomes (not asked; asked, none found; flag), never a percentage.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from endfeel.catalogue.entries import Entry, Review

SendsFor = Literal["emergency", "same-day", "urgent", "film-first"]


class ScreenSource(Entry):
    """Where a rule, or a figure in its words, was read."""

    citation: str
    url: str = ""


class When(Entry):
    """When the screen is asked; all that are given must hold. Ages in whole years, days since the injury."""

    onset: Literal["injury", "gradual"] | None = None
    days_under: int | None = None
    age_min: int | None = None
    age_max: int | None = None
    sex: Literal["female", "male"] | None = None


class Outside(Entry):
    """People the rule was not studied in: there it may raise, never clear."""

    model_config = Entry.model_config | {"populate_by_name": True}
    when: Annotated[str, Field(alias="if")]
    words: str


class Shown(Entry):
    """What was recorded outside the screen and speaks for an item of it.

    item: a base item or a neighbour with something found; person: a precaution answered yes. One of the two.
    at_most: holds at this measured value or less, whatever else was recorded (a grade, degrees). feels: only with this
    end feel. sides "both": only where it holds on both sides. unless: not where the pain began so. asks: does not speak
    by itself; the item has to be asked after it. pain_asks: so where pain was noted with it, which can hide strength.
    """

    item: str = ""
    person: str = ""
    at_most: float | None = None
    feels: str = ""
    sides: Literal["any", "both"] = "any"
    unless: Literal["injury", "gradual", "sudden-no-injury"] | None = None
    asks: bool = False
    pain_asks: bool = False

    @property
    def id(self) -> str:
        """The id of what is recorded."""
        return self.item or self.person

    @model_validator(mode="after")
    def _one_of_two(self) -> Shown:
        if bool(self.item) == bool(self.person):
            raise ValueError("shown_by needs either item or person")
        if self.person and (self.at_most is not None or self.feels or self.sides == "both" or self.pain_asks):
            raise ValueError(f"shown_by {self.person!r}: at_most, feels, sides and pain_asks belong to an item")
        return self


class ScreenItem(Entry):
    """One question (`ask`) or sign (`look`); what raises it.

    fed_by: findings whose positive result raises it. shown_by: base items, neighbours, and what was said of the person.
    sends_for: where this item alone asks for more haste than its screen.
    """

    id: str
    ask: str = ""
    look: str = ""
    why: str = ""
    fed_by: tuple[str, ...] = ()
    shown_by: tuple[Shown, ...] = ()
    counts: int = 1
    sends_for: SendsFor | None = None

    @model_validator(mode="after")
    def _asked_or_looked_for(self) -> ScreenItem:
        if bool(self.ask) == bool(self.look):
            raise ValueError(f"item {self.id!r} needs either ask or look")
        return self


class Screen(Entry):
    """One safety rule. discreet: its words stay off what the patient takes home, where others may read them."""

    id: str
    name: str
    plain: str
    regions: tuple[str, ...]
    when: When = When()
    sends_for: SendsFor
    precaution: str = ""
    withholds_until_done: bool = False
    flag_at: Annotated[int, Field(ge=1)] = 1
    discreet: bool = False
    outside: tuple[Outside, ...] = ()
    clinician: str
    patient: str
    sources: tuple[ScreenSource, ...]
    item: Annotated[tuple[ScreenItem, ...], Field(min_length=1)]
    review: Review
