"""Who is being examined: what is known before the first finding and moves the starting chances."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal, get_args

from endfeel.belief.refusal import BeliefError

Setting = Literal["primary", "secondary", "tertiary", "sports", "emergency", "military", "mixed"]
Onset = Literal["injury", "gradual", "unknown"]

SETTINGS: tuple[Setting, ...] = get_args(Setting)
YOUNGEST = 16


@dataclass(frozen=True)
class Context:
    """The region, the setting and the person.

    onset: how it began; "unknown" where nobody asked. age in years, days_since_injury in days; None where not known.
    chances: set by hand, from 0 to 1, by condition id (finest, union, or "no specific structure"). clinic: the clinic's
    own starting chances for such people, the same way; a hand goes before them. BeliefError where a value is none that
    can be.
    """

    region: str
    setting: Setting = "primary"
    age: int | None = None
    sex: str | None = None
    onset: Onset = "gradual"
    days_since_injury: int | None = None
    chances: Mapping[str, float] = field(default_factory=dict)
    clinic: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.setting not in SETTINGS:
            raise BeliefError(f"setting {self.setting!r}: give one of {', '.join(SETTINGS)}")
        if self.onset not in get_args(Onset):
            raise BeliefError(f"onset {self.onset!r}: give one of {', '.join(get_args(Onset))}")
        if self.age is not None and not 0 <= self.age <= 130:
            raise BeliefError(f"age {self.age!r}: give whole years from 0 to 130")
        for condition, chance in (*self.chances.items(), *self.clinic.items()):
            if not 0 <= chance <= 1:
                raise BeliefError(f"chance of {condition}: {chance!r} is no number from 0 to 1")
        object.__setattr__(self, "chances", MappingProxyType(dict(self.chances)))
        object.__setattr__(self, "clinic", MappingProxyType(dict(self.clinic)))
