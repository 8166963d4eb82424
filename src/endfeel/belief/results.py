"""What can be recorded of a finding, and which of it is evidence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, get_args

from endfeel.belief.model import RegionModel
from endfeel.belief.refusal import BeliefError
from endfeel.belief.rules import with_rules

Result = Literal["negative", "positive", "unclear", "not-done"]
RESULTS: tuple[Result, ...] = get_args(Result)
DECISIVE = ("negative", "positive")


def check_result(result: str) -> Result:
    """The result, or BeliefError where it is none."""
    for known in RESULTS:
        if result == known:
            return known
    raise BeliefError(f"result {result!r}: give one of {', '.join(RESULTS)}")


def telling(model: RegionModel, recorded: Mapping[str, Result]) -> dict[str, bool]:
    """Results that are evidence, as positive or not, by observable or validated rule.

    Neither unclear nor not done; no coarse reading of which a finer one is recorded; no item of a rule that is settled,
    in whose place the rule stands.
    """
    return with_rules(decisive(model, recorded), model.rules)


def decisive(model: RegionModel, recorded: Mapping[str, Result]) -> dict[str, bool]:
    """The same before any rule stands in its items' place."""
    decided = {o: r == "positive" for o, r in recorded.items() if r in DECISIVE}
    return {
        o: positive for o, positive in decided.items()
        if not any(part in decided for part in model.observed(o).coarse_of if part != o)
    }
