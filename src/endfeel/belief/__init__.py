"""Conditions and findings to chances, explained: pure functions over frozen values."""

from endfeel.belief.combine import AtLeast, Combination, combine
from endfeel.belief.context import Context
from endfeel.belief.explain import Explanation, explain
from endfeel.belief.infer import Belief, Prediction, believe, predict, prior_belief, record, withdraw
from endfeel.belief.model import RegionModel, compile_region
from endfeel.belief.refusal import BeliefError
from endfeel.belief.resolve import resolve_observable
from endfeel.belief.results import Result
from endfeel.belief.starting import StartingChance

__all__ = [
    "AtLeast",
    "Belief",
    "BeliefError",
    "Combination",
    "Context",
    "Explanation",
    "Prediction",
    "RegionModel",
    "Result",
    "StartingChance",
    "believe",
    "combine",
    "compile_region",
    "explain",
    "predict",
    "prior_belief",
    "record",
    "resolve_observable",
    "withdraw",
]
