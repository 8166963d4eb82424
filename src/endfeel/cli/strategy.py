"""strategy: the whole adaptive examination of a typical patient as a tree, beside other ways of examining.

Public: add_to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from rich.console import Console
from rich.progress import Progress

from endfeel.cli.clinic import ClinicData
from endfeel.cli.moment import IrritabilityOption, MinutesOption, PositionOption, PrecautionOption, situation
from endfeel.cli.options import (
    AgeOption,
    Case,
    ChanceOption,
    Json,
    OnsetOption,
    RecordOption,
    Region,
    SettingOption,
    case,
)
from endfeel.cli.say import as_json, warn
from endfeel.documents.pdf import PaperError
from endfeel.documents.strategy_tree import ONSETS, strategy_pdf, strategy_sheet
from endfeel.documents.wording import SETTINGS
from endfeel.planning import Situation
from endfeel.planning.decide import action_table
from endfeel.planning.simulate import GENERATORS
from endfeel.planning.strategy import (
    DEPTH,
    EVERY,
    End,
    Outcome,
    Step,
    Strategy,
    battery_outcome,
    every_finding,
    most_published,
    published_names,
    strategy,
    strategy_text,
)
from endfeel.planning.trial import Trial, Trying

DEEPEST = 7
MOST_PATIENTS = 20_000
# Every test takes a whole belief for each patient: so many patients fewer than the other ways.
THOROUGH_SHARE = 10
SEED = 1


def add_to(app: typer.Typer) -> None:
    """Add the command of this file."""
    app.command("strategy")(strategy_command)


def strategy_command(
    region: Region,
    setting: SettingOption = "primary",
    age: AgeOption = None,
    onset: OnsetOption = "unknown",
    chance: ChanceOption = None,
    record: RecordOption = None,
    precaution: PrecautionOption = None,
    minutes: MinutesOption = None,
    irritability: IrritabilityOption = "moderate",
    position: PositionOption = None,
    depth: Annotated[int, typer.Option("--depth", help=f"findings in a row, 1 to {DEEPEST}")] = DEPTH,
    patients: Annotated[
        int, typer.Option("--patients", help="simulated for each world beside the model; 0 leaves them out")
    ] = 400,
    pdf: Annotated[Path | None, typer.Option("--pdf", help="write it on one page to this file")] = None,
    data: ClinicData = None,
    json: Json = False,
) -> None:
    """The strategy for a typical patient, and what it costs beside every test, the most-published tests and none."""
    if not 1 <= depth <= DEEPEST:
        raise typer.BadParameter(f"--depth {depth}: give 1 to {DEEPEST}")
    if not (patients == 0 or 2 * THOROUGH_SHARE <= patients <= MOST_PATIENTS):
        raise typer.BadParameter(f"--patients {patients}: give {2 * THOROUGH_SHARE} to {MOST_PATIENTS}, or 0")
    if pdf is not None and not pdf.absolute().parent.is_dir():
        raise typer.BadParameter(f"--pdf {pdf}: there is no folder {pdf.absolute().parent}")
    known = case(region, setting, age, onset, chance, record, data)
    warn(known.figures.trouble)
    results = known.belief.results
    start = situation(
        known.catalogue, precaution, minutes, irritability, position, onset=onset, age=age, done=frozenset(results)
    )
    found, trials = _worked_out(known, start, depth, patients)
    if pdf is not None:
        _write(pdf, found, known, start)
    if json:
        as_json(_json(found, known, trials))
        return
    typer.echo(strategy_text(found))
    if results:
        typer.echo(f"The tree begins after {', '.join(f'{o} {r}' for o, r in results.items())}.")
    _print_trials(trials, patients)
    typer.echo("The safety screen and the base examination come before it. Red flags and local pathways come first.")
    typer.echo(known.figures.words)
    if pdf is not None:
        typer.echo(f"Written to {pdf}.")


def _worked_out(known: Case, start: Situation, depth: int, patients: int) -> tuple[Strategy, list[Trial]]:
    """The strategy with what every test would cost, and the trials in each world."""
    evidence, model, catalogue, costs = known.evidence, known.model, known.catalogue, known.costs
    results = known.belief.results
    rng = np.random.default_rng(SEED)
    everything = every_finding(evidence, model, catalogue, costs, start)
    thorough = patients // THOROUGH_SHARE
    with Progress(console=Console(stderr=True), transient=True) as progress:
        growing = progress.add_task("growing the tree", total=1.0)
        found = strategy(
            evidence, model, catalogue, costs, start, depth=depth, patients=0, rng=rng, results=results,
            grown=lambda reach: progress.advance(growing, reach),
        )  # fmt: skip
        progress.update(growing, completed=1.0)
        if not patients:
            return found, []
        table = action_table(model.conditions, model.none_id, model.states, catalogue.region(model.region), costs)
        adding = progress.add_task("what every test would cost", total=1)
        every = battery_outcome(EVERY, model, table, everything, costs, start, thorough, rng, results)
        progress.advance(adding)
        if every is not None:
            found = replace(found, beside=(every, *found.beside))
        batteries = {
            EVERY: everything,
            "the most-published tests": most_published(evidence, model.region, everything),
            "no examination": (),
        }
        counts = {"strategy": patients, **dict.fromkeys(batteries, patients), EVERY: thorough}
        task = progress.add_task("simulated patients", total=len(GENERATORS) * sum(counts.values()))
        trying = Trying(model, table, costs, start, results)
        trials = []
        for name in GENERATORS:
            trial = trying.trial(name, found.root, batteries, counts, rng, lambda count: progress.advance(task, count))
            trials += [trial] if trial is not None else []
    return found, trials


def _write(pdf: Path, found: Strategy, known: Case, start: Situation) -> None:
    context = found.context
    who = f"A typical patient of {context.age} years" if context.age is not None else "A typical adult"
    under = [f"{who}, {ONSETS[context.onset]}, {SETTINGS[context.setting]}"]
    if known.belief.results:
        under.append("After " + ", ".join(f"{o} {r}" for o, r in known.belief.results.items()))
    if start.precautions:
        under.append("With " + ", ".join(known.catalogue.precautions[p].name for p in sorted(start.precautions)))
    if known.model.context.clinic:
        under.append("With the clinic's own starting chances")
    everything = every_finding(known.evidence, known.model, known.catalogue, known.costs, start)
    names = published_names(known.evidence, known.model.region, everything)
    try:
        paper = strategy_pdf(strategy_sheet(found, known.catalogue, under=under, known=names))
        pdf.write_bytes(paper)
    except PaperError as error:
        raise typer.BadParameter(f"--pdf {pdf}: {error}") from None
    except OSError as error:
        raise typer.BadParameter(f"--pdf {pdf}: {error.strerror}") from None


def _json(found: Strategy, known: Case, trials: Sequence[Trial]) -> dict[str, Any]:
    return {
        "region": found.region,
        "setting": found.context.setting,
        "onset": found.context.onset,
        "age": found.context.age,
        "edition": found.edition,
        "depth": found.depth,
        "recorded": known.belief.results,
        "tree": _node_json(found.root),
        "ways": [_outcome_json(o) for o in (found.outcome, *found.beside)],
        "simulated": [_trial_json(t) for t in trials],
        "own_studies": known.figures.own_studies,
    }


def _node_json(node: Step | End) -> dict[str, Any]:
    if isinstance(node, End):
        return {"do": node.words, "loss": node.decision.loss, "reach": node.reach, "stopped": node.stopped}
    return {
        "observable": node.observable,
        "name": node.name,
        "position": node.position,
        "moves": node.moves,
        "again": node.again,
        "minutes": node.minutes,
        "provocation": node.provocation,
        "burden": node.burden,
        "reach": node.reach,
        "probability": node.probability,
        "if_positive": _node_json(node.if_positive),
        "if_negative": _node_json(node.if_negative),
    }


def _outcome_json(outcome: Outcome) -> dict[str, Any]:
    return {**asdict(outcome), "total": outcome.total}


def _trial_json(trial: Trial) -> dict[str, Any]:
    first = trial.ways[0]
    ways = []
    for way in trial.ways:
        more, error = way.more_than(first)
        ways.append(
            {
                "name": way.name,
                "patients": len(way.loss),
                "findings": float(way.findings.mean()),
                "minutes": float(way.minutes.mean()),
                "provocation": float(way.provocation.mean()),
                "burden": float(way.burden.mean()),
                "loss": float(way.loss.mean()),
                "total": float(way.total.mean()),
                "more_than_strategy": more,
                "error": error,
            }
        )
    return {"generator": trial.generator, "words": trial.words, "ways": ways}


def _print_trials(trials: Sequence[Trial], patients: int) -> None:
    if not patients:
        return
    if not trials:
        typer.echo("No simulated patient shows what was recorded, so nothing was tried on any.")
        return
    typer.echo("")
    typer.echo("Tried on simulated patients; what each costs all told more than the strategy, ± 1.96 standard errors:")
    for trial in trials:
        first, *others = trial.ways
        typer.echo(
            f"{trial.words} ({len(first.loss)} patients): strategy {first.total.mean():.2f}, "
            f"{first.minutes.mean():.1f} min, provocation {first.provocation.mean():.1f}"
        )
        for way in others:
            more, error = way.more_than(first)
            typer.echo(
                f"    {way.name:<26}{way.minutes.mean():>7.1f} min   provocation {way.provocation.mean():>5.1f}   "
                f"loss {way.loss.mean():.2f}   {more:+.2f} ± {1.96 * error:.2f}"
            )
