"""What to do next, in which order, when to stop, and what to decide: costs in, plans out; pure functions."""

from endfeel.planning.costs import CostError, Costs, Thresholds, change, default_costs
from endfeel.planning.decide import Advice, Decision
from endfeel.planning.plan import Offer, Plan, Stop, decision_now, decision_words, plan
from endfeel.planning.situation import Situation
from endfeel.planning.withhold import Withheld

__all__ = [
    "Advice",
    "CostError",
    "Costs",
    "Decision",
    "Offer",
    "Plan",
    "Situation",
    "Stop",
    "Thresholds",
    "Withheld",
    "change",
    "decision_now",
    "decision_words",
    "default_costs",
    "plan",
]
