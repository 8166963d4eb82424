"""The costs of a region: one table, how each threshold follows from it, and what doubling or halving would change.

Public: CostsPage, RegionCosts, costs_page, region_costs.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace

from endfeel.belief.context import Context, Onset
from endfeel.belief.infer import prior_belief
from endfeel.planning.costs import CostError, Costs
from endfeel.planning.decide import ACTION_WORDS, Decision
from endfeel.planning.plan import decision_now
from endfeel.visits.safety import chances_withheld
from endfeel.web import words
from endfeel.web.clinic_costs import GRADES, cost_values, with_values
from endfeel.web.desk import Desk
from endfeel.web.evidence_words import check_region
from endfeel.web.rail_view import place
from endfeel.web.refused import Refused

ONSETS: dict[str, str] = {"injury": "after an injury", "gradual": "with a gradual onset"}
_LATEST_VISITS = 30


@dataclass(frozen=True)
class RegionLine:
    """One region and whether the clinic changed its costs."""

    id: str
    name: str
    words: str
    href: str


@dataclass(frozen=True)
class CostsPage:
    """All regions."""

    regions: tuple[RegionLine, ...]


@dataclass(frozen=True)
class CostCell:
    """One figure of the table. doubled, halved: how the advice would change, in words."""

    name: str
    label: str
    value: str
    usual: str
    doubled: str
    halved: str


@dataclass(frozen=True)
class ZoneBar:
    """The zones of a care group on the rail's axis, in per cent: set aside to low, start care from high."""

    low: float
    high: float
    middle: bool


@dataclass(frozen=True)
class GroupCosts:
    """One care group: its harms, what follows from them, and where the patient in question stands."""

    id: str
    name: str
    plain: str
    cells: tuple[CostCell, ...]
    modality: str
    follows: tuple[str, ...]
    zones: ZoneBar
    chance: str
    at: float | None
    advised: str


@dataclass(frozen=True)
class CostHistory:
    """One time that the table was kept."""

    when: str
    by: str
    words: str


@dataclass(frozen=True)
class VisitChoice:
    """A visit whose advice can be looked at."""

    value: str
    words: str
    chosen: bool


@dataclass(frozen=True)
class RegionCosts:
    """The cost page of a region. who: whose advice is shown. refused: why what was sent was not kept."""

    region: str
    region_name: str
    who: str
    onset: str
    onsets: tuple[VisitChoice, ...]
    visits: tuple[VisitChoice, ...]
    visit: str
    advice: str
    groups: tuple[GroupCosts, ...]
    looking: tuple[CostCell, ...]
    burden: tuple[CostCell, ...]
    history: tuple[CostHistory, ...]
    seen: int
    changed: bool
    refused: str
    trouble: str
    post: str
    back: str


@dataclass(frozen=True)
class _Patient:
    """Whose advice is shown: a function from costs to the decision, and words for who it is."""

    who: str
    decide: _Decides


class _Decides:
    """Costs in, decision out, for one belief; each table is decided once."""

    def __init__(self, desk: Desk, region: str, context: Context | None, visit: str) -> None:
        self._catalogue = desk.catalogue.region(region)
        if context is not None:
            self._model = desk.model_with(desk.own.now(), context)
            key = ("prior belief", desk.edition.id, region, context.setting, context.onset)
            self._belief = desk.kept.once(key, lambda: prior_belief(self._model))
            return
        visit_id, _, problem_id = visit.partition("/")
        problem = desk.problem(desk.visit(visit_id), problem_id)
        now = dt.datetime.now(dt.UTC)
        model = desk.model(problem, now)
        if problem.region != region or model is None:
            why = (
                chances_withheld(problem, now.date()) if model is None else f"it is about another region than {region}"
            )
            raise Refused(409, f"The advice of this visit can not be shown here: {why}.")
        self._model, self._belief = model, desk.belief(problem, model)

    def __call__(self, costs: Costs) -> Decision:
        return decision_now(self._model, self._belief, self._catalogue, costs)


def costs_page(desk: Desk) -> CostsPage:
    """All regions."""
    lines = []
    for region in desk.catalogue.regions:
        history = desk.own_costs.history(region)
        changed = len(history[-1].values) if history else 0
        said = f"{words.plural(changed, 'figure')} of your own" if changed else "as shipped"
        lines.append(RegionLine(region, words.region(region), said, f"/costs/{region}"))
    return CostsPage(tuple(lines))


def region_costs(
    desk: Desk,
    region: str,
    onset: str = "gradual",
    visit: str = "",
    *,
    given: Mapping[str, str] | None = None,
    refused: str = "",
    seen: int | None = None,
) -> RegionCosts:
    """The page; Refused with one line for bad addresses.

    given: figures as they were typed, where they were not kept.
    """
    check_region(desk, region)
    if onset not in ONSETS:
        raise Refused(400, f"onset: “{onset[:20]}” is none of {', '.join(ONSETS)}.")
    patient = _patient(desk, region, onset, visit)
    costs, shipped = desk.costs(region), desk.own_costs.shipped(region)
    decision = patient.decide(costs)
    cells = _cells(desk, region, costs, shipped, patient, decision, given or {})
    history = desk.own_costs.history(region)
    return RegionCosts(
        region=region,
        region_name=words.region(region),
        who=patient.who,
        onset=onset,
        onsets=tuple(VisitChoice(key, words.capital(said), key == onset) for key, said in ONSETS.items()),
        visits=_visits(desk, region, visit),
        visit=visit,
        advice=_decision_words(desk, region, decision),
        groups=tuple(_group(desk, region, group, costs, decision, cells) for group in costs.harm_of_a_miss),
        looking=tuple(cells[f"scan {m}"] for m in _used_modalities(costs)),
        burden=tuple(cells[name] for name in ("minute", "reposition", "repeat", *(f"provocation {g}" for g in GRADES))),
        history=tuple(
            CostHistory(
                f"{change.at.astimezone():%Y-%m-%d %H:%M}",
                change.by,
                "; ".join(f"{_label(desk, region, name)} {value:g}" for name, value in change.values.items())
                or "back to the shipped figures",
            )
            for change in reversed(history)
        ),
        seen=desk.own_costs.number(region) if seen is None else seen,
        changed=bool(history and history[-1].values),
        refused=refused,
        trouble=desk.own_costs.trouble(region),
        post=f"/costs/{region}?onset={onset}" + (f"&visit={visit}" if visit else ""),
        back=f"/visits/{visit}/decide" if visit else "/costs",
    )


def _patient(desk: Desk, region: str, onset: str, visit: str) -> _Patient:
    if visit:
        state = desk.visit(visit.partition("/")[0])
        own = desk.on(state.visit_id).basis is not None
        under = ", under today's figures (the visit keeps those that it began with)" if own else ""
        who = f"the visit of {state.opened.patient_code}, as it stands{under}"
        return _Patient(who, _Decides(desk, region, None, visit))
    context = desk.with_clinic(Context(region=region, setting="primary", onset=_onset(onset)))
    who = f"a typical patient of primary care {ONSETS[onset]}, before any finding"
    return _Patient(who, _Decides(desk, region, context, ""))


def _onset(onset: str) -> Onset:
    return "injury" if onset == "injury" else "gradual"


def _visits(desk: Desk, region: str, visit: str) -> tuple[VisitChoice, ...]:
    found = [VisitChoice("", "a typical patient", not visit)]
    for line in desk.store.visits(limit=_LATEST_VISITS):
        if all(problem.region != region for problem in line.problems):
            continue
        for problem in desk.visit(line.visit_id).problems.values():
            if problem.region == region:
                value = f"{line.visit_id}/{problem.problem_id}"
                said = f"{line.patient_code}, {line.opened_at.astimezone():%Y-%m-%d}, {problem.side}"
                found.append(VisitChoice(value, said, value == visit))
    if visit and not any(choice.chosen for choice in found):
        found.append(VisitChoice(visit, "this visit", True))
    return tuple(found)


def _cells(
    desk: Desk,
    region: str,
    costs: Costs,
    shipped: Costs,
    patient: _Patient,
    decision: Decision,
    given: Mapping[str, str],
) -> dict[str, CostCell]:
    usual = cost_values(shipped)
    found = {}
    for name, value in cost_values(costs).items():
        decides = name.startswith(("miss ", "wrong ", "scan "))
        found[name] = CostCell(
            name=name,
            label=_label(desk, region, name),
            value=given.get(name, f"{value:g}"),
            usual=f"{usual[name]:g}",
            doubled=_changed(desk, region, costs, patient, decision, {name: value * 2}) if decides else "",
            halved=_changed(desk, region, costs, patient, decision, {name: value / 2}) if decides else "",
        )
    return found


def _changed(
    desk: Desk, region: str, costs: Costs, patient: _Patient, before: Decision, values: dict[str, float]
) -> str:
    """How the advice for the patient changes with some figures; empty where it stays."""
    try:
        table = with_values(costs, values)
    except CostError:
        # Looking further would never be the cheapest: such a table is refused, but the advice it gives can be told.
        table = _unchecked(costs, values)
        told = _difference(desk, region, before, patient.decide(table)) or "the same advice"
        return f"would leave no middle zone, so it can not be kept; {told}"
    return _difference(desk, region, before, patient.decide(table))


def _unchecked(costs: Costs, values: dict[str, float]) -> Costs:
    ((name, value),) = values.items()
    kind, _, which = name.partition(" ")
    if kind == "miss":
        return replace(costs, harm_of_a_miss={**costs.harm_of_a_miss, which: value})
    if kind == "wrong":
        return replace(costs, harm_of_wrong_care={**costs.harm_of_wrong_care, which: value})
    return replace(costs, modality_cost={**costs.modality_cost, which: value})


def _difference(desk: Desk, region: str, before: Decision, after: Decision) -> str:
    care = desk.catalogue.region(region).care
    was = {advice.care_group: advice.action for advice in before.by_group}
    return "; ".join(
        f"{_lower(care[a.care_group].name)}: {ACTION_WORDS[was[a.care_group]]} becomes {ACTION_WORDS[a.action]}"
        for a in after.by_group
        if was.get(a.care_group) != a.action
    )


def _group(
    desk: Desk, region: str, group: str, costs: Costs, decision: Decision, cells: Mapping[str, CostCell]
) -> GroupCosts:
    care = desk.catalogue.region(region).care[group]
    modality = desk.catalogue.modalities.get(costs.modality[group])
    found = costs.thresholds(group)
    middle = found.low < found.high
    advice = next((a for a in decision.by_group if a.care_group == group), None)
    return GroupCosts(
        id=group,
        name=care.name,
        plain=care.plain,
        cells=(cells[f"miss {group}"], cells[f"wrong {group}"]),
        modality=modality.name if modality else "",
        follows=_follows(costs, group, modality.name if modality else ""),
        zones=ZoneBar(place(found.low), place(found.high), middle),
        chance=words.chance(advice.chance) if advice else "",
        at=place(advice.chance) if advice else None,
        advised=ACTION_WORDS[advice.action] if advice else "",
    )


def _follows(costs: Costs, group: str, modality: str) -> tuple[str, ...]:
    """How the thresholds follow, step by step."""
    miss, wrong = costs.harm_of_a_miss[group], costs.harm_of_wrong_care[group]
    found = costs.thresholds(group)
    even = wrong / (miss + wrong)
    if not modality:
        return (
            f"There is nothing to look further with. Care costs as much as setting aside at {wrong:g} / ({miss:g} + "
            f"{wrong:g}) = {_percent(even)}: start care above it.",
        )
    look = costs.modality_cost[costs.modality[group]]
    limit = miss * wrong / (miss + wrong)
    scan = _lower(modality)
    if found.low >= found.high:
        return (
            f"{modality} costs {look:g}. It would have to cost less than {miss:g} × {wrong:g} / ({miss:g} + {wrong:g}) "
            f"= {limit:.2g} to be the cheapest at any chance, so there is no middle zone: start care above "
            f"{_percent(even)}. By these figures no picture settles what to do here, also where one is taken for other "
            "care.",
        )
    return (
        f"Set aside below {look:g} / {miss:g} = {_percent(found.low)}: there a miss costs less than {scan}.",
        f"Start care above 1 − {look:g} / {wrong:g} = {_percent(found.high)}: there wrong care costs less than {scan}.",
        f"Look further between. That zone stays as long as {scan} costs less than {limit:.2f}.",
    )


def _decision_words(desk: Desk, region: str, decision: Decision) -> str:
    care = desk.catalogue.region(region).care
    acted = [a for a in decision.by_group if a.action != "set-aside"]
    if not acted:
        return "set everything aside for now"
    return "; ".join(f"{ACTION_WORDS[a.action]}: {_lower(care[a.care_group].name)}" for a in acted)


def _used_modalities(costs: Costs) -> tuple[str, ...]:
    return tuple(dict.fromkeys(m for m in costs.modality.values() if m))


def _label(desk: Desk, region: str, name: str) -> str:
    kind, _, which = name.partition(" ")
    if kind == "scan":
        return desk.catalogue.modalities[which].name if which in desk.catalogue.modalities else which
    if kind in ("miss", "wrong"):
        group = desk.catalogue.region(region).care.get(which)
        said = "Harm of a miss" if kind == "miss" else "Harm of wrong care"
        return f"{said}, {_lower(group.name) if group else which}"
    return {
        "minute": "One minute of the visit",
        "reposition": "Sitting up, lying down or turning over once",
        "repeat": "A further reading of a test just done, as a share of its minutes and provocation",
    }.get(name, f"Bringing on symptoms, {which}")


def _lower(name: str) -> str:
    return name if name[:2].isupper() else name[0].lower() + name[1:]


def _percent(value: float) -> str:
    return f"{100 * value:.0f} %" if 0.02 <= value <= 0.98 else f"{100 * value:.1f} %"
