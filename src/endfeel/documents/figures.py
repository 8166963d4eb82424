"""What was computed for one problem, as plain values that a document can show.

A document computes no chances. Whoever asks for one hands these in, from the same belief that the page showed; with
`figures_of` straight from the model, the belief and its explanation, or filled by hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from endfeel.belief import Belief, RegionModel, prior_belief
from endfeel.belief.explain import Explanation
from endfeel.planning.decide import Decision
from endfeel.planning.plan import Plan
from endfeel.visits.events import Result

Because = Literal["would-not-change", "withheld", "not-today"]


@dataclass(frozen=True)
class ChanceFigure:
    """One condition's chance now and at the start, each 0 to 1 with its range (of the start: as its source has it).

    source_words: where the starting chance comes from. assumed: it is our stated assumption.
    """

    condition: str
    chance: float
    low: float
    high: float
    start: float | None = None
    start_low: float | None = None
    start_high: float | None = None
    source_words: str = ""
    assumed: bool = False

    def __post_init__(self) -> None:
        for name in ("chance", "low", "high", "start", "start_low", "start_high"):
            value = getattr(self, name)
            if value is not None and not 0.0 <= value <= 1.0:
                raise ValueError(f"{name} of {self.condition} is {value}; a chance lies between 0 and 1")


@dataclass(frozen=True)
class MoveFigure:
    """How far one recorded finding moved one condition (log odds, with its range)."""

    observable: str
    result: Result
    condition: str
    log_odds_change: float
    low: float
    high: float
    direct: bool = True
    assumed: bool = False


@dataclass(frozen=True)
class SkippedFigure:
    """A finding that was left out, and why in words."""

    observable: str
    because: Because
    words: str


@dataclass(frozen=True)
class AdviceFigure:
    """What the costs and chances make cheapest for one care group; not yet anyone's decision."""

    care_group: str
    action: Literal["set-aside", "look-further", "start-care"]
    chance: float
    condition: str
    words: str = ""


@dataclass(frozen=True)
class RouteFigure:
    """One position of a route and its observables in order."""

    position: str
    observables: tuple[str, ...]


@dataclass(frozen=True)
class ProblemFigures:
    """All that was computed for one problem.

    recorded: results that the chances rest on. remarks: surprise, overlap and scaled starting chances in words.
    no_chances: why there are none. edition: id of the pooled evidence. setting: where the chances hold.
    """

    chances: tuple[ChanceFigure, ...] = ()
    moves: tuple[MoveFigure, ...] = ()
    skipped: tuple[SkippedFigure, ...] = ()
    advice: tuple[AdviceFigure, ...] = ()
    route: tuple[RouteFigure, ...] = ()
    remarks: tuple[str, ...] = ()
    no_chances: str | None = None
    edition: str = ""

    def chance_of(self, condition: str) -> ChanceFigure | None:
        """The chance of one condition."""
        return next((c for c in self.chances if c.condition == condition), None)


def figures_of(
    model: RegionModel,
    belief: Belief,
    explanation: Explanation | None = None,
    decision: Decision | None = None,
    plan: Plan | None = None,
    edition: str = "",
) -> ProblemFigures:
    """Figures from a belief. plan: for the route, and for what was not done because it would not change anything."""
    before = prior_belief(model).chances
    chances = []
    for condition, now in belief.chances.items():
        source = model.starting.get(condition)
        was = before[condition]
        chances.append(
            ChanceFigure(
                condition, _unit(now.mean), _unit(now.low), _unit(now.high),
                _unit(was.mean), _unit(source.low) if source else None, _unit(source.high) if source else None,
                source.source_words if source else "",
                source.assumed if source else False,
            )
        )  # fmt: skip
    advised = decision or (plan.decision if plan else None)
    return ProblemFigures(
        chances=tuple(sorted(chances, key=lambda c: -c.chance)),
        moves=_moves(explanation),
        skipped=_skipped(plan),
        advice=tuple(
            AdviceFigure(a.care_group, a.action, _unit(a.chance), a.condition, a.words)
            for a in (advised.by_group if advised else ())
        ),
        route=tuple(
            RouteFigure(s.position, tuple(o.observable for o in s.offers)) for s in (plan.route if plan else ())
        ),
        remarks=_remarks(model, explanation),
        edition=edition,
    )


def _unit(value: float) -> float:
    return min(1.0, max(0.0, float(value)))


def _moves(explanation: Explanation | None) -> tuple[MoveFigure, ...]:
    return tuple(
        MoveFigure(m.observable, m.result, m.condition, m.log_odds_change, m.low, m.high, m.direct, m.assumed)
        for m in (explanation.moves if explanation else ())
    )


def _remarks(model: RegionModel, explanation: Explanation | None) -> tuple[str, ...]:
    told = list(model.prior_notes)
    if explanation is not None:
        told += [d.words for d in explanation.discounted]
        if explanation.surprise is not None:
            told.append(explanation.surprise.words)
    return tuple(dict.fromkeys(told))


def _skipped(plan: Plan | None) -> tuple[SkippedFigure, ...]:
    if plan is None:
        return ()
    same = [SkippedFigure(o.observable, "would-not-change", o.worth_words) for o in plan.others if not o.changes]
    kept = [
        SkippedFigure(w.observable, "not-today" if w.because.startswith("not today") else "withheld", w.because)
        for w in plan.withheld
    ]
    return (*same, *kept)
