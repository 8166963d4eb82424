"""The evidence page of a condition: every finding studied for it, and the counts behind its starting chance.

Public: ConditionEvidence, CountedLine, condition_evidence, counted_line.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args
from urllib.parse import quote, urlencode

from endfeel.belief.context import Context
from endfeel.belief.starting import PLAIN, StartingChance, starting_chances, usable_lines
from endfeel.evidence.rows import CombinationRow, PrevalenceRow, Setting
from endfeel.web import words
from endfeel.web.desk import Desk
from endfeel.web.evidence_view import Choice, pair_lines
from endfeel.web.evidence_words import (
    TICKS,
    USUAL_LEAST,
    PairLine,
    RatioTick,
    check_region,
    selected_words,
    setting_words,
)
from endfeel.web.refused import Refused

_COUNTING = {
    "main-diagnosis": "as the main diagnosis",
    "on-reference": "present on the reference standard, alone or with others",
    "on-imaging": "present on a scan",
    "injection-relief": "relieved by an injection",
    "clinical-label": "labelled so by a clinician",
}
_ONSETS: dict[str, str] = {
    "injury": "after an injury",
    "gradual": "with a gradual onset",
    "unknown": "where how it began is not known",
}


@dataclass(frozen=True)
class CountedLine:
    """One published count. serves: for whom it gives a starting chance; now: whether for the people chosen above."""

    counted: str
    share: str
    population: str
    setting: str
    selected_by: str
    counting: str
    ages: str
    serves: str
    now: bool
    url: str
    study: str
    study_href: str


@dataclass(frozen=True)
class RuleLine:
    """A published combination or rule."""

    rule: str
    figures: str
    citation: str
    url: str
    read: str


@dataclass(frozen=True)
class ConditionEvidence:
    """The evidence page of a condition. own: the clinic's own starting chance, if any. table: where all of them are."""

    region: str
    region_name: str
    condition: str
    name: str
    plain: str
    picture: str
    related: tuple[tuple[str, str, str], ...]
    settings: tuple[Choice, ...]
    onsets: tuple[Choice, ...]
    start: str
    start_source: str
    start_assumed: bool
    own: str
    table: str
    counted: tuple[CountedLine, ...]
    pairs: tuple[PairLine, ...]
    ticks: tuple[RatioTick, ...]
    rules: tuple[RuleLine, ...]
    emergency: bool
    edition: str


def condition_evidence(
    desk: Desk, region: str, condition: str, setting: str = "primary", onset: str = "gradual"
) -> ConditionEvidence:
    """The page; Refused with one line where there is no such condition, setting or onset."""
    check_region(desk, region)
    catalogue = desk.catalogue.region(region)
    entry = catalogue.conditions.get(condition)
    if entry is None:
        raise Refused(404, f"There is no condition “{condition[:60]}” in {words.region(region)}.")
    if setting not in get_args(Setting):
        raise Refused(400, f"setting: “{setting[:20]}” is none of {', '.join(get_args(Setting))}.")
    if onset not in _ONSETS:
        raise Refused(400, f"onset: “{onset[:20]}” is none of {', '.join(_ONSETS)}.")
    context = Context(region=region, setting=setting, onset=onset)  # type: ignore[arg-type]
    start = _start(desk, condition, context)
    own = desk.with_clinic(context).clinic.get(condition)
    rows = [r for r in desk.evidence.prevalence if r.region == region and r.condition_id == condition]
    return ConditionEvidence(
        region=region,
        region_name=words.region(region),
        condition=condition,
        name=entry.name,
        plain=entry.plain,
        picture=entry.picture,
        related=_related(desk, region, condition),
        settings=tuple(Choice(s, words.capital(setting_words(s)), s == setting) for s in get_args(Setting)),
        onsets=tuple(Choice(key, words.capital(said), key == onset) for key, said in _ONSETS.items()),
        start=words.chance_line(start.chance, start.low, start.high) if start else "",
        start_source=start.source_words if start else "",
        start_assumed=bool(start and start.assumed),
        own="" if own is None else f"{100 * own:.3g} %",
        table="/chances?" + urlencode({"region": region, "setting": setting, "onset": onset}),
        counted=tuple(counted_line(desk, row, condition, start) for row in rows),
        pairs=tuple(p for p in pair_lines(desk, region, USUAL_LEAST) if p.condition_id == condition),
        ticks=TICKS,
        rules=tuple(_rule(row) for row in desk.evidence.combinations if row.condition_id == condition),
        emergency=entry.urgency in ("emergency", "same-day", "urgent"),
        edition=desk.edition.id,
    )


def _start(desk: Desk, condition: str, context: Context) -> StartingChance | None:
    region = desk.catalogue.region(context.region)
    key = ("starting", context.region, context.setting, context.onset)
    return desk.kept.once(key, lambda: starting_chances(desk.evidence, region, context)).get(condition)


def _related(desk: Desk, region: str, condition: str) -> tuple[tuple[str, str, str], ...]:
    """(how, name, address) of what it is a kind of, and of its kinds."""
    conditions = desk.catalogue.region(region).conditions
    base = f"/evidence/{region}/condition"
    wider = [("a kind of", conditions[c].name, f"{base}/{c}") for c in conditions[condition].kind_of]
    finer = [("one kind", c.name, f"{base}/{c.id}") for c in conditions.values() if condition in c.kind_of]
    return (*wider, *finer)


def counted_line(desk: Desk, row: PrevalenceRow, condition: str, start: StartingChance | None) -> CountedLine:
    """A published count for a reader."""
    low, high, study = row.age_low, row.age_high, row.study_id or ""
    ages = f"{low:g} to {high:g} years" if low and high else f"from {low:g} years" if low else ""
    return CountedLine(
        counted=f"{row.n_with} of {row.n_total}",
        share=words.percent(row.n_with / row.n_total),
        population=row.population,
        setting=setting_words(row.setting),
        selected_by=selected_words(row),
        counting=_COUNTING[row.counting],
        ages=ages or (f"to {high:g} years" if high else ""),
        serves=_serves(desk, row, condition),
        now=bool(start and row in start.rows),
        url=row.source_url,
        study=desk.citation(study) if study else "",
        study_href=f"/evidence/studies/{quote(study, safe='')}" if study in desk.evidence.studies else "",
    )


def _serves(desk: Desk, row: PrevalenceRow, condition: str) -> str:
    """For whom a line gives a starting chance, found by asking for every setting and onset, and an age inside it."""
    region = desk.catalogue.region(row.region)
    if not region.parts(condition):
        return "for no starting chance: it has none here, or its kinds have their own"
    age = None
    if row.age_low or row.age_high:
        age = int(((row.age_low or 18) + (row.age_high or 90)) / 2)
    served: dict[str, list[str]] = {}
    for onset in ("injury", "gradual"):
        for setting in get_args(Setting):
            for tried in (None, age):
                context = Context(region=row.region, setting=setting, onset=onset, age=tried)
                if row in usable_lines(desk.evidence, region, condition, context)[0]:
                    served.setdefault(_ONSETS.get(onset, onset), []).append(setting_words(setting))
                    break
    if not served:
        chosen = [word.replace("-", " ") for word in row.selected_by if word not in PLAIN]
        if chosen:
            return f"for no starting chance: how its people were chosen shifts it ({', '.join(chosen)})"
        return (
            "for no starting chance: its people, or how they were counted, do not fit a first visit with this complaint"
        )
    return "; ".join(f"{onset}: {', '.join(settings)}" for onset, settings in served.items())


def _rule(row: CombinationRow) -> RuleLine:
    figures = []
    if None not in (row.tp, row.fp, row.fn, row.tn):
        with_it, without = (row.tp or 0) + (row.fn or 0), (row.fp or 0) + (row.tn or 0)
        figures.append(f"{row.tp} of {with_it} with it, {row.fp} of {without} without")
    for said, value in (("sensitivity", row.sens_printed), ("specificity", row.spec_printed),
                        ("ratio if positive", row.lr_pos_printed), ("if negative", row.lr_neg_printed)):  # fmt: skip
        if value is not None:
            figures.append(f"{said} {value:g}")
    return RuleLine(row.rule, ", ".join(figures) or "no figures printed", row.citation, row.source_url, row.read_at)
