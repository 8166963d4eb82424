"""Options that several commands share: who is examined, and what was recorded."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, get_args

import typer

from endfeel.belief import Belief, Context, RegionModel, believe, compile_region
from endfeel.belief.context import Setting
from endfeel.belief.resolve import resolve_observable
from endfeel.belief.results import Result, check_result
from endfeel.catalogue import Catalogue
from endfeel.cli.clinic import Figures, figures
from endfeel.evidence import EvidenceBase
from endfeel.planning import Costs
from endfeel.pooling.edition import Edition
from endfeel.web.clinic_chances import own_chances

Region = Annotated[str, typer.Argument(help="knee, shoulder, hip and so on")]
SettingOption = Annotated[str, typer.Option("--setting", help=f"one of {', '.join(get_args(Setting))}")]
AgeOption = Annotated[int | None, typer.Option("--age", help="whole years")]
OnsetOption = Annotated[str, typer.Option("--onset", help="injury, gradual or unknown; sets the starting chances")]
ChanceOption = Annotated[list[str] | None, typer.Option("--chance", help="CONDITION=P, a starting chance set by hand")]
RecordOption = Annotated[
    list[str] | None,
    typer.Option("--record", help="OBSERVABLE=RESULT; RESULT is negative, positive, unclear or not-done"),
]
Json = Annotated[bool, typer.Option("--json", help="print one JSON object")]


@dataclass(frozen=True)
class Case:
    """One patient on the command line: the model, the belief, and what they were built from."""

    evidence: EvidenceBase
    edition: Edition
    catalogue: Catalogue
    costs: Costs
    model: RegionModel
    belief: Belief
    figures: Figures


def case(
    region: str,
    setting: str,
    age: int | None,
    onset: str,
    chance: list[str] | None,
    record: list[str] | None,
    data: Path | None = None,
) -> Case:
    """Read the options into a belief; BeliefError or BadParameter in one line where one is wrong.

    data: folder of a clinic's data, whose own studies, costs and starting chances are used.
    """
    known = figures(data)
    evidence, edition, catalogue = known.evidence, known.edition, known.release.catalogue
    catalogue.region(region)
    chances = {}
    for item in chance or ():
        condition, value = _split(item, "--chance", "CONDITION=P")
        try:
            chances[condition] = float(value)
        except ValueError:
            raise typer.BadParameter(f"--chance {item}: {value!r} is no number from 0 to 1") from None
    context = Context(region, setting=setting, age=age, onset=onset, chances=chances)  # type: ignore[arg-type]
    clinic = own_chances(known.chances_set.get(region, {}), context.setting, context.onset, age)
    context = replace(context, clinic=clinic)
    model = compile_region(evidence, edition, catalogue, context)
    results: dict[str, Result] = {}
    for item in record or ():
        name, value = _split(item, "--record", "OBSERVABLE=RESULT")
        observable = resolve_observable(name, model.observables)
        if observable in results:
            raise typer.BadParameter(f"--record {item}: {observable} is recorded twice; keep one")
        results[observable] = check_result(value)
    return Case(evidence, edition, catalogue, known.costs[region], model, believe(model, results), known)


def _split(item: str, option: str, form: str) -> tuple[str, str]:
    left, found, right = item.partition("=")
    if not (left and found and right):
        raise typer.BadParameter(f"{option} {item}: write {form}")
    return left.strip(), right.strip()
