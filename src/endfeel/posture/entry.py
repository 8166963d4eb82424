"""What an entry of drawings.toml says of how a finding is done.

Public: Drawing, Laid, Arrow, Prop, Step.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from endfeel.posture.camera import VIEWS
from endfeel.posture.joints import checked

Angles = dict[str, float]
Figure = Literal["standing", "sitting", "supine", "prone", "side-lying"]
Frame = Literal["whole", "leg", "legs", "knee", "thigh", "hip", "trunk", "upper", "arm", "shoulder", "forearm", "foot"]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Laid(_Strict):
    """An examiner's hand: where it lies, how it grips, and which way its forearm leaves."""

    on: str
    grip: Literal["clasp", "palm", "finger", "thumb", "fist"] = "palm"
    reach: str
    fingers: str | None = None
    flip: bool = False
    label: str | None = None
    label_at: tuple[float, float] | None = None


class Arrow(_Strict):
    """What is done: a straight push or pull (go), a turn about the segment (turn), or the way a place goes (sweep).

    kind: move (the examiner does it), active (the patient does it), resist (the patient goes that way and the examiner
    holds against it). both: a head at either end. shift and label_at: moved by so many panel units, right and down.
    """

    at: str
    go: str | None = None
    turn: Literal["out", "in"] | None = None
    sweep: bool = False
    both: bool = False
    kind: Literal["move", "active", "resist"] = "move"
    label: str | None = None
    length: float = Field(default=0.11, gt=0.02, le=0.4)
    shift: tuple[float, float] = (0, 0)
    label_at: tuple[float, float] | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Arrow:
        if (self.go is not None) + (self.turn is not None) + self.sweep != 1:
            raise ValueError("an arrow takes exactly one of go, turn and sweep")
        return self


class Prop(_Strict):
    """A thing that the body rests on: roll or pillow (at a place), step or stool (under a place), rail (beside one)."""

    kind: Literal["roll", "pillow", "ball", "step", "rail"]
    at: str


class Step(_Strict):
    """The second position of a pair: what differs from the first; lists replace those of the first."""

    caption: str
    joints: Angles = {}
    other: Angles = {}
    before: Angles | None = None
    lean_side: float | None = None
    hands: tuple[Laid, ...] | None = None
    arrows: tuple[Arrow, ...] | None = None


class Drawing(_Strict):
    """One finding's drawing. joints: tested side and trunk; other: the other side; before: what differed at the start.
    arms: where the patient's arms rest, if not where the figure has them.

    words: the picture in words, for those who can not see it. faint: parts of the body shown as a dotted outline.
    """

    figure: Figure
    words: str = Field(min_length=12)
    camera: str = "outer side"
    turn: float = 0.0
    tilt: float | None = None
    frame: Frame = "whole"
    joints: Angles = {}
    other: Angles = {}
    arms: Literal["belly", "chest", "sides"] | None = None
    before: Angles | None = None
    before_other: Angles = {}
    lean: float = 0.0
    lean_side: float = 0.0
    table: dict[Literal["head", "foot", "tested", "other"], float] = {}
    faint: tuple[Literal["other leg", "other arm", "tested arm", "head"], ...] = ()
    hands: tuple[Laid, ...] = ()
    arrows: tuple[Arrow, ...] = ()
    props: tuple[Prop, ...] = ()
    caption: str | None = None
    then: Step | None = None

    @model_validator(mode="after")
    def _possible(self) -> Drawing:
        if self.camera not in VIEWS:
            raise ValueError(f"there is no view “{self.camera}”; the views are {', '.join(VIEWS)}")
        checked(self.joints)
        checked(self.other, trunk=False)
        checked(self.before or {})
        checked(self.before_other, trunk=False)
        if self.then is not None:
            checked(self.then.joints)
            checked(self.then.other, trunk=False)
            checked(self.then.before or {})
            if self.caption is None:
                raise ValueError("a pair needs a caption for its first position too")
        if any(a.sweep for a in self.arrows) and self.before is None and not self.before_other:
            raise ValueError("a sweep needs “before”: the angles that it starts from")
        return self
