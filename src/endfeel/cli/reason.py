"""belief, plan, combine: the reasoning on one patient, without a server."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from endfeel.belief.combine import AtLeast, Rule, combine
from endfeel.belief.explain import Explanation, explain
from endfeel.cli.clinic import ClinicData, figures
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
from endfeel.cli.say import as_json, interval, percent, ratio, warn
from endfeel.documents.wording import chance_line
from endfeel.planning import Offer, Plan, decision_now, decision_words, plan

MOST_COMPARED = 40  # findings of which a plan still says whether they sit badly together: each is left out in turn


def add_to(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command("belief")(belief_command)
    app.command("plan")(plan_command)
    app.command("combine")(combine_command)


def belief_command(
    region: Region,
    setting: SettingOption = "primary",
    age: AgeOption = None,
    onset: OnsetOption = "unknown",
    chance: ChanceOption = None,
    record: RecordOption = None,
    data: ClinicData = None,
    json: Json = False,
) -> None:
    """The chances after what was recorded, and what each finding moved."""
    known = case(region, setting, age, onset, chance, record, data)
    warn(known.figures.trouble)
    why = explain(known.model, known.belief)
    if json:
        as_json(_belief_json(known, why))
        return
    region_entry = known.catalogue.region(region)
    decision = decision_now(known.model, known.belief, region_entry, known.costs)
    shown = sorted(known.belief.chances.items(), key=lambda item: -item[1].mean)
    for condition, chances in shown:
        start = known.model.starting.get(condition)
        came_from = f"   started at {100 * start.chance:.0f} %: {start.source_words}" if start else ""
        said = chance_line(chances.mean, chances.low, chances.high)
        typer.echo(f"{region_entry.conditions[condition].name:<48} {said:<34}{came_from}")
    for move in why.moves:
        if move.direct:
            kind = " (assumed: nobody measured it)" if move.assumed else ""
            typer.echo(
                f"{move.observable} {move.result}: {region_entry.conditions[move.condition].name} "
                f"{move.log_odds_change:+.2f} log odds ({move.low:+.2f} to {move.high:+.2f}){kind}"
            )
    for discount in why.discounted:
        typer.echo(discount.words)
    if why.surprise:
        typer.echo(why.surprise.words)
    for note in known.model.prior_notes:
        typer.echo(note)
    typer.echo(f"Now: {decision_words(decision, region_entry)}")
    typer.echo("Red flags and local pathways come first; no chance rules out an emergency.")
    typer.echo(known.figures.words)


def plan_command(
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
    data: ClinicData = None,
    json: Json = False,
) -> None:
    """What to do next, in which order, what is withheld and why, or a stop."""
    known = case(region, setting, age, onset, chance, record, data)
    warn(known.figures.trouble)
    entry = known.catalogue.region(region)
    now = situation(
        known.catalogue, precaution, minutes, irritability, position,
        onset=onset, age=age, done=frozenset(known.belief.results),
    )  # fmt: skip
    found = plan(known.evidence, known.model, known.belief, known.catalogue, known.costs, now)
    surprise = explain(known.model, known.belief).surprise if len(known.belief.results) <= MOST_COMPARED else None
    if json:
        notes = {"notes": list(known.model.prior_notes), "surprise": surprise and surprise.words}
        as_json({**_plan_json(found), **notes, "own_studies": known.figures.own_studies})
        return
    typer.echo(f"Now: {decision_words(found.decision, entry)}")
    typer.echo(("Stop: " if found.stop else "") + found.why + ".")
    if surprise:
        typer.echo(surprise.words)
    for note in known.model.prior_notes:
        typer.echo(note)
    for offer in found.next[:6]:
        place = "a further reading" if offer.again else _place(offer)
        typer.echo(f"{offer.name} ({place}, {offer.minutes:g} min): {offer.worth_words}")
        typer.echo(f"    if positive  {offer.if_positive}")
        typer.echo(f"    if negative  {offer.if_negative}")
    if found.route:
        typer.echo("Route, if each result comes out as expected:")
        for stop in found.route:
            names = ", ".join(o.name for o in stop.offers)
            where = "Asked" if stop.position == "any" else stop.position.capitalize()
            typer.echo(f"    {where} ({stop.minutes:.2g} min): {names}")
    for held in found.withheld:
        typer.echo(f"Withheld: {held.observable}: {held.because}")
    typer.echo(known.figures.words)


def combine_command(
    region: Region,
    condition: Annotated[str, typer.Argument(help="condition id")],
    findings: Annotated[str, typer.Option("--findings", help="observables or finding ids, separated by commas")],
    at_least: Annotated[int | None, typer.Option("--at-least", help="positive where at least so many are")] = None,
    rule: Annotated[str | None, typer.Option("--rule", help="and, or: instead of --at-least")] = None,
    data: ClinicData = None,
    json: Json = False,
) -> None:
    """The accuracy to expect of several findings read by a rule, beside what independence would claim."""
    if (at_least is None) == (rule is None):
        raise typer.BadParameter("give either --at-least N or --rule and|or")
    if rule is not None and rule not in ("and", "or"):
        raise typer.BadParameter(f"--rule {rule}: give and, or")
    reading: Rule = AtLeast(at_least) if at_least is not None else rule  # type: ignore[assignment]
    names = tuple(name.strip() for name in findings.split(",") if name.strip())
    known = figures(data)
    warn(known.trouble)
    found = combine(known.evidence, known.edition, known.release.catalogue, region, condition, names, reading)
    if json:
        as_json(
            {
                "region": region,
                "condition": condition,
                "observables": list(found.observables),
                "at_least": found.at_least,
                "sensitivity": interval(found.sensitivity),
                "specificity": interval(found.specificity),
                "lr_positive": interval(found.lr_positive),
                "lr_negative": interval(found.lr_negative),
                "independent": {
                    "sensitivity": found.independent.sensitivity,
                    "specificity": found.independent.specificity,
                    "lr_positive": found.independent.lr_positive,
                    "lr_negative": found.independent.lr_negative,
                },
                "assumed": list(found.assumed),
                "own_studies": known.own_studies,
            }
        )
        return
    alone = found.independent
    typer.echo(f"At least {found.at_least} of {len(found.observables)}: {', '.join(found.observables)}")
    typer.echo(f"{'':<22}{'to expect':<26}as though independent")
    typer.echo(f"{'sensitivity':<22}{percent(found.sensitivity):<26}{100 * alone.sensitivity:.0f} %")
    typer.echo(f"{'specificity':<22}{percent(found.specificity):<26}{100 * alone.specificity:.0f} %")
    typer.echo(f"{'likelihood ratio +':<22}{ratio(found.lr_positive):<26}{alone.lr_positive:.2f}")
    typer.echo(f"{'likelihood ratio -':<22}{ratio(found.lr_negative):<26}{alone.lr_negative:.2f}")
    for observable in found.assumed:
        typer.echo(f"{observable}: nobody studied it for {condition}; what such findings are like is assumed")
    typer.echo(known.words)


def _belief_json(known: Case, why: Explanation) -> dict[str, Any]:
    surprise = why.surprise
    return {
        "region": known.model.region,
        "setting": known.model.context.setting,
        "edition": known.edition.id,
        "own_studies": known.figures.own_studies,
        "chances": {c: interval(i) for c, i in known.belief.chances.items()},
        "explained": [
            {
                "observable": m.observable,
                "result": m.result,
                "condition": m.condition,
                "log_odds_change": m.log_odds_change,
                "low": m.low,
                "high": m.high,
                "direct": m.direct,
                "assumed": m.assumed,
            }
            for m in why.moves
        ],
        "discounted": [
            {
                "observables": list(d.observables),
                "condition": d.condition,
                "log_odds_independent": d.log_odds_independent,
                "log_odds_joint": d.log_odds_joint,
                "words": d.words,
            }
            for d in why.discounted
        ],
        "surprise": surprise
        and {"probability": surprise.probability, "observable": surprise.observable, "words": surprise.words},
    }


def _plan_json(found: Plan) -> dict[str, Any]:
    return {
        "next": [_offer_json(o) for o in found.next],
        "route": [
            {"position": s.position, "minutes": s.minutes, "findings": [o.observable for o in s.offers]}
            for s in found.route
        ],
        "withheld": [{"observable": w.observable, "because": w.because} for w in found.withheld],
        "stop": found.stop,
        "why": found.why,
        "nodes": found.nodes,
    }


def _offer_json(offer: Offer) -> dict[str, Any]:
    return {
        "observable": offer.observable,
        "name": offer.name,
        "worth": offer.worth,
        "burden": offer.burden,
        "minutes": offer.minutes,
        "again": offer.again,
        "position": offer.position,
        "if_positive": offer.if_positive,
        "if_negative": offer.if_negative,
        "changes": offer.changes,
        "first": list(offer.first),
    }


def _place(offer: Offer) -> str:
    return "asked" if offer.position == "any" else offer.position
