"""pool, evidence check, edition build | show | check: the evidence and what was pooled from it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.progress import Progress

from endfeel.catalogue import load_catalogue
from endfeel.cli.clinic import ClinicData, figures
from endfeel.cli.options import Json
from endfeel.cli.say import as_json, interval, percent, ratio, warn
from endfeel.evidence import EvidenceBase, EvidenceError, load_evidence
from endfeel.evidence.incidental import load_incidental
from endfeel.pooling.edition import Edition, load_edition, save_edition
from endfeel.pooling.summary import SensSpec, pool

EditionFile = Annotated[Path | None, typer.Argument(help="an edition file; the shipped one where left out")]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command("pool")(pool_command)
    tables = typer.Typer(no_args_is_help=True, help="The published tables.", rich_markup_mode=None)
    tables.command("check")(check_command)
    tables.callback()(_group)
    app.add_typer(tables, name="evidence")
    editions = typer.Typer(no_args_is_help=True, help="Frozen builds of the pooled evidence.", rich_markup_mode=None)
    editions.command("build")(build_command)
    editions.command("show")(show_command)
    editions.command("check")(edition_check_command)
    app.add_typer(editions, name="edition")


def pool_command(
    observable: Annotated[str, typer.Argument(help="a finding id, or finding:reading")],
    condition: Annotated[str, typer.Argument(help="a condition id")],
    data: ClinicData = None,
    json: Json = False,
) -> None:
    """Pooled accuracy of one observable for one condition."""
    known = figures(data)
    evidence = known.evidence
    found = pool(known.edition, evidence, _only_reading(evidence, observable, condition), condition)
    warn(known.trouble)
    if json:
        as_json(
            {
                "observable": found.observable,
                "condition": found.condition,
                "k": found.k,
                "n": found.n,
                "pooled": _both(found.pooled),
                "predictive": _both(found.predictive),
                "lr_positive": interval(found.lr_positive),
                "lr_negative": interval(found.lr_negative),
                "edition": found.edition,
                "own_studies": known.own_studies,
                "sentence": found.sentence,
            }
        )
        return
    typer.echo(f"{found.observable} for {found.condition}: {found.sentence}")
    typer.echo(f"{found.k} studies, {found.n} people, edition {found.edition}")
    typer.echo(f"{'':<14}{'in the average study':<26}to expect in a new clinic")
    for name, average, new in (
        ("sensitivity", found.pooled.sensitivity, found.predictive.sensitivity),
        ("specificity", found.pooled.specificity, found.predictive.specificity),
    ):
        typer.echo(f"{name:<14}{percent(average):<26}{percent(new)}")
    typer.echo(f"likelihood ratio, positive {ratio(found.lr_positive)}, negative {ratio(found.lr_negative)}")
    typer.echo("The ratio is for one patient of an unknown clinic; its range, if the test works better or worse there.")
    typer.echo(known.words)


def check_command(
    directory: Annotated[Path | None, typer.Argument(help="folder of tables; the shipped ones where left out")] = None,
) -> None:
    """Check tables line by line: file, line, column and mend of each fault."""
    try:
        found, incidental = load_evidence(directory), load_incidental(directory)
    except EvidenceError as error:
        for fault in error.faults:
            print(fault, file=sys.stderr)
        print(f"{len(error.faults)} faults; nothing was loaded", file=sys.stderr)
        raise typer.Exit(2) from None
    typer.echo(
        f"no faults: {len(found.studies)} studies, {len(found.accuracy)} accuracy lines, "
        f"{len(found.rates)} rates lines, {len(found.findings)} findings, {len(found.pairs())} pairs, "
        f"{len(found.prevalence)} prevalences, "
        f"{len(found.combinations)} combinations, {len(incidental)} lines on people without symptoms"
    )
    typer.echo(f"fingerprint {found.fingerprint}")


def build_command(
    to: Annotated[Path, typer.Option("--to", help="file to write")] = Path("edition.npz"),
    tables: Annotated[Path | None, typer.Option("--tables", help="folder of tables; the shipped ones")] = None,
    seed: Annotated[int, typer.Option("--seed")] = 20260101,
    chains: Annotated[int, typer.Option("--chains", min=1, max=16)] = 2,
    warmup: Annotated[int, typer.Option("--warmup", min=10)] = 1000,
    samples: Annotated[int, typer.Option("--samples", min=10)] = 4000,
) -> None:
    """Pool all tables anew (needs the extra endfeel[editions])."""
    try:
        from endfeel.pooling.build import build_edition
    except ImportError:
        raise typer.BadParameter("building an edition needs numpyro: install endfeel[editions]") from None
    evidence, left_out = load_evidence(tables), load_catalogue().left_out()
    with Progress(console=Console(stderr=True)) as shown:
        task = shown.add_task("Pooling", total=None)
        edition = build_edition(
            evidence, seed, chains=chains, warmup=warmup, samples=samples, left_out=left_out,
            progress=lambda done, total: shown.update(task, completed=done, total=total),
        )  # fmt: skip
    save_edition(edition, to)
    _show(edition)
    typer.echo(f"written to {to}")


def show_command(file: EditionFile = None, json: Json = False) -> None:
    """What an edition holds and how it was built."""
    edition = load_edition(file)
    if json:
        as_json({"edition": edition.id, "draws": edition.draws, "pairs": len(edition.pairs), **_plain(edition.meta)})
        return
    _show(edition)


def edition_check_command(
    file: EditionFile = None,
    tables: Annotated[Path | None, typer.Option("--tables", help="folder of tables; the shipped ones")] = None,
) -> None:
    """Whether an edition was built from these tables, and whether its sampler converged."""
    edition, evidence = load_edition(file), load_evidence(tables)
    faults = []
    if edition.meta["evidence"] != evidence.fingerprint:
        faults.append("built from other tables; run 'endfeel edition build'")
    pooled = {pair for pair in evidence.pairs() if _has_rows(evidence, *pair)}
    missing = [f"{o} for {c}" for o, c in pooled if (o, c) not in edition.pair_index]
    if {tuple(item) for item in edition.meta.get("left_out", ())} != load_catalogue().left_out():
        faults.append("other studies are left out than the catalogue says; run 'endfeel edition build'")
    if missing:
        faults.append(f"lacks {len(missing)} pairs, first {missing[0]}")
    faults += [f"{name} {value}" for name, value in _poor(edition)]
    for fault in faults:
        print(f"edition {edition.id}: {fault}", file=sys.stderr)
    if faults:
        raise typer.Exit(2)
    typer.echo(f"edition {edition.id} fits the tables and its sampler converged")


def _group() -> None:
    """The published tables."""


def _has_rows(evidence: EvidenceBase, observable: str, condition: str) -> bool:
    """Whether any line of the pair describes the finding as it is done in clinic."""
    left_out = load_catalogue().left_out()
    rows = (*evidence.accuracy_of(observable, condition), *evidence.rates_of(observable, condition))
    return any((row.study_id, row.finding_id) not in left_out for row in rows)


def _only_reading(evidence: EvidenceBase, observable: str, condition: str) -> str:
    """A bare finding id stands for the only reading studied for the condition."""
    studied = [o for o, c in evidence.pairs() if c == condition]
    if observable in studied:
        return observable
    readings = [o for o in studied if o.split(":")[0] == observable]
    if len(readings) > 1:
        several = ", ".join(readings)
        raise typer.BadParameter(f"{observable} has several readings for {condition}: give one of {several}")
    if readings:
        return readings[0]
    evidence.finding(observable)
    evidence.region_of_condition(condition)
    others = ", ".join(dict.fromkeys(c for o, c in evidence.pairs() if o.split(":")[0] == observable.split(":")[0]))
    raise typer.BadParameter(
        f"no study measured {observable} for {condition}" + (f"; it was studied for {others}" if others else "")
    )


def _both(value: SensSpec) -> dict[str, dict[str, float]]:
    return {"sensitivity": interval(value.sensitivity), "specificity": interval(value.specificity)}


def _show(edition: Edition) -> None:
    typer.echo(f"edition {edition.id}: {edition.draws} draws, {len(edition.pairs)} pairs")
    for key, value in edition.meta.items():
        typer.echo(f"    {key}: {value}")


def _poor(edition: Edition) -> list[tuple[str, Any]]:
    diagnostics = edition.meta.get("diagnostics", {})
    found = []
    if diagnostics.get("r_hat_max", 1.0) > 1.05:
        found.append(("largest R-hat", diagnostics["r_hat_max"]))
    if diagnostics.get("divergences", 0) > 0:
        found.append(("divergences", diagnostics["divergences"]))
    return found


def _plain(meta: Any) -> dict[str, Any]:
    told = (str, int, float, bool, list, dict, type(None))
    return {str(key): value if isinstance(value, told) else str(value) for key, value in meta.items()}
