"""Before anything has been found, a clear screen starts care: in no region does the base rate alone ask for a scan."""

from __future__ import annotations

from typing import get_args

import pytest

from endfeel.belief import Context, compile_region, prior_belief
from endfeel.belief.context import Onset
from endfeel.catalogue import load_catalogue
from endfeel.evidence import load_evidence
from endfeel.planning.costs import default_costs
from endfeel.planning.decide import action_table, decide
from endfeel.pooling.edition import load_edition

CATALOGUE = load_catalogue()


@pytest.mark.parametrize("onset", get_args(Onset))
@pytest.mark.parametrize("name", sorted(CATALOGUE.regions))
def test_nothing_found_yet_starts_care(name: str, onset: Onset) -> None:
    region = CATALOGUE.region(name)
    model = compile_region(load_evidence(), load_edition(), CATALOGUE, Context(name, onset=onset))
    costs = default_costs(region, CATALOGUE.modalities)
    table = action_table(model.conditions, model.none_id, model.states, region, costs)
    decision = decide(
        table, prior_belief(model).state_probability, region, model.states, model.conditions, costs
    )  # fmt: skip
    assert decision.look_further_with == ()
    assert decision.overall.action == "start-care"
