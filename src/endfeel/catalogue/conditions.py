"""What a condition is, what care it leads to, and what looking further costs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from endfeel.catalogue.entries import Entry, Review

Claim = Literal["lesion", "pain-source", "syndrome", "sign"]
Urgency = Literal["emergency", "same-day", "urgent", "soon", "routine"]


class Condition(Entry):
    """A condition: what it claims, what care it shares, whether it stands on the rail, what it is a kind of."""

    id: str
    name: str
    plain: str
    claim: Claim
    care_group: str
    urgency: Urgency
    rail: Literal["yes", "detail", "never"]
    kind_of: tuple[str, ...] = ()
    picture: str
    icd10: Annotated[str, Field(pattern=r"^([A-Z]\d\d(\.\d{1,2})?)?$")] = ""
    onset: tuple[Literal["injury", "gradual", "either"], ...] = ("either",)
    assumed_chance: Mapping[Literal["injury", "gradual"], Annotated[float, Field(gt=0, lt=1)]] = {}
    structures: tuple[str, ...] = ()
    none: bool = False
    review: Review


class CareGroup(Entry):
    """What would be done for the patient. Harms are our stated assumption; 1 = one routine imaging referral."""

    id: str
    name: str
    plain: str
    start_care: str
    look_further: str
    set_aside: str
    modality: str = ""
    look_again_days: Annotated[int, Field(ge=1)]
    harm_of_a_miss: Annotated[float, Field(gt=0)]
    harm_of_wrong_care: Annotated[float, Field(gt=0)]
    review: Review = Review(status="draft")


class Modality(Entry):
    """A way of looking further and its cost (our stated assumption; 1 = one routine imaging referral)."""

    id: str
    name: str
    cost: Annotated[float, Field(gt=0)]


class Precaution(Entry):
    """Something about the person, or not yet settled, that withholds findings; asked at the start or set later."""

    id: str
    name: str
    asked: bool
