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


class ScreenItem(Entry):
    """One question (`ask`) or sign (`look`); fed_by names findings or base items whose positive result raises it."""

    id: str
    ask: str = ""
    look: str = ""
    why: str = ""
    fed_by: tuple[str, ...] = ()
    counts: int = 1

    @model_validator(mode="after")
    def _asked_or_looked_for(self) -> ScreenItem:
        if bool(self.ask) == bool(self.look):
            raise ValueError(f"item {self.id!r} needs either ask or look")
        return self


class Screen(Entry):
    """One safety rule."""

    id: str
    name: str
    plain: str
    regions: tuple[str, ...]
    when: When = When()
    sends_for: SendsFor
    precaution: str = ""
    withholds_until_done: bool = False
    flag_at: Annotated[int, Field(ge=1)] = 1
    outside: tuple[Outside, ...] = ()
    clinician: str
    patient: str
    sources: tuple[ScreenSource, ...]
    item: Annotated[tuple[ScreenItem, ...], Field(min_length=1)]
    review: Review
