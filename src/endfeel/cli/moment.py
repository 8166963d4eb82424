"""Options of a moment in a visit that several commands share: precautions, minutes left, irritability, position.

Public: PrecautionOption, MinutesOption, IrritabilityOption, PositionOption, situation.
"""

from __future__ import annotations

from typing import Annotated, get_args

import typer

from endfeel.catalogue import Catalogue
from endfeel.evidence.rows import Position
from endfeel.planning import Situation
from endfeel.planning.situation import Irritability

PrecautionOption = Annotated[
    list[str] | None, typer.Option("--precaution", help="a precaution id that holds, such as osteoporosis")
]
MinutesOption = Annotated[float | None, typer.Option("--minutes", help="minutes left for hands-on examination")]
IrritabilityOption = Annotated[str, typer.Option("--irritability", help="low, moderate or high")]
PositionOption = Annotated[
    str | None, typer.Option("--position", help=f"the patient's position now: {', '.join(get_args(Position))}")
]


def situation(
    catalogue: Catalogue,
    precaution: list[str] | None,
    minutes: float | None,
    irritability: str,
    position: str | None,
    *,
    onset: str,
    age: int | None,
    done: frozenset[str],
) -> Situation:
    """The moment that the options tell of; BadParameter in one line where one is wrong.

    done: observables recorded. Whether a fresh injury is there is not known here: the safety screens decide that.
    """
    for item in precaution or ():
        if item not in catalogue.precautions:
            raise typer.BadParameter(
                f"--precaution {item}: there is none of that name; one of {', '.join(catalogue.precautions)}"
            )
    if irritability not in get_args(Irritability):
        raise typer.BadParameter(f"--irritability {irritability}: give one of {', '.join(get_args(Irritability))}")
    if minutes is not None and not 0 <= minutes <= 600:
        raise typer.BadParameter(f"--minutes {minutes:g}: give minutes from 0 to 600")
    if position is not None and position not in get_args(Position):
        raise typer.BadParameter(f"--position {position}: give one of {', '.join(get_args(Position))}")
    return Situation(
        precautions=frozenset(precaution or ()),
        irritability=irritability,  # type: ignore[arg-type]
        minutes_left=minutes,
        position=None if position == "any" else position,
        trauma_recent=onset == "injury",
        done=done,
        age=age,
    )
