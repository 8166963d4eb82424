"""The starting chances of a region in one table: where each comes from, the clinic's own beside it, what that moves.

Public: ChancesPage, ChanceLine, People, chances_page, people_of, values_of, chance_of,
refuse_misfits.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import get_args
from urllib.parse import urlencode

import numpy as np

from endfeel.belief.context import Context, Onset, Setting
from endfeel.belief.model import RegionModel
from endfeel.belief.starting import StartingChance, starting_chances
from endfeel.catalogue.regions import RegionCatalogue
from endfeel.web import words
from endfeel.web.chances_by_age import spans_by_age
from endfeel.web.chances_fit import misfit, per_cent
from endfeel.web.clinic_chances import AGES, ALL_AGES, ChancesSet, own_chances, section_of, set_id
from endfeel.web.desk import Desk
from endfeel.web.evidence_condition_view import CountedLine, counted_line
from endfeel.web.evidence_view import Choice
from endfeel.web.evidence_words import check_region, setting_words
from endfeel.web.refused import Refused

ONSETS: Mapping[str, str] = {
    "injury": "after an injury",
    "gradual": "with a gradual onset",
    "unknown": "where how it began is not known",
}
ALL_AGES_WORDS = "all ages"
_TOLD = 12  # changes told in the history


@dataclass(frozen=True)
class People:
    """Whose starting chances: of one setting and onset, of all ages or of an age band."""

    region: str
    setting: Setting
    onset: Onset
    ages: str

    @property
    def section(self) -> str:
        """Their section of the clinic's table."""
        return section_of(self.setting, self.onset, self.ages)

    @property
    def age(self) -> int | None:
        """The age that stands for them: the middle of the band (85 for the oldest); None for all ages."""
        if self.ages == ALL_AGES:
            return None
        low, high = AGES[self.ages]
        return (low + min(high, low + 10)) // 2

    @property
    def href(self) -> str:
        """The page's address for them."""
        return "/chances?" + urlencode(
            {"region": self.region, "setting": self.setting, "onset": self.onset, "ages": self.ages}
        )

    def context(self, held: ChancesSet) -> Context:
        """Such a patient, with the clinic's own values."""
        return self.context_at(self.age, held)

    def context_at(self, age: int | None, held: ChancesSet) -> Context:
        """Such a patient of an age."""
        own = own_chances(held, self.setting, self.onset, age)
        return Context(self.region, setting=self.setting, onset=self.onset, age=age, clinic=own)


@dataclass(frozen=True)
class ChanceLine:
    """One condition.

    ours: its chance and range from studies or our assumption; origin: "published", "borrowed", "assumed" or "follows".
    by_age: what it is at other ages, where that differs. yours: the clinic's value as it stands in the field; all_ages:
    its value for all ages, where a band is looked at. before, after: what a patient starts at once all chances stand
    together, without and with what is in the fields.
    """

    id: str
    name: str
    plain: str
    none: bool
    parts: tuple[str, ...]
    ours: str
    ours_per_cent: str
    origin: str
    source: str
    counted: tuple[CountedLine, ...]
    evidence: str
    by_age: tuple[str, ...]
    yours: str
    all_ages: str
    before: str
    after: str
    moved: bool


@dataclass(frozen=True)
class KeptSection:
    """People for whom the clinic has values of its own."""

    words: str
    href: str
    here: bool


@dataclass(frozen=True)
class ChanceHistory:
    """One time that a section was kept."""

    when: str
    by: str
    people: str
    words: str


@dataclass(frozen=True)
class ChancesPage:
    """The page. who: whose chances. shown_age: the age that stands for a band, else None.

    against: what `before` is, in words. notes: what was scaled. tried: the fields are shown as typed and are not kept.
    kept_as: id of the region's own values, empty where there are none.
    """

    region: str
    region_name: str
    setting: str
    onset: str
    ages: str
    who: str
    shown_age: int | None
    regions: tuple[Choice, ...]
    settings: tuple[Choice, ...]
    onsets: tuple[Choice, ...]
    bands: tuple[Choice, ...]
    lines: tuple[ChanceLine, ...]
    aged: tuple[str, ...]
    against: str
    notes: tuple[str, ...]
    sections: tuple[KeptSection, ...]
    history: tuple[ChanceHistory, ...]
    seen: int
    changed: bool
    tried: bool
    refused: str
    trouble: str
    kept_as: str
    href: str


def people_of(desk: Desk, region: str, setting: str, onset: str, ages: str) -> People:
    """The people that were chosen; Refused with one line where there are none such."""
    region = region or next(iter(desk.catalogue.regions))
    check_region(desk, region)
    for what, given, known in (
        ("setting", setting, get_args(Setting)), ("onset", onset, tuple(ONSETS)), ("ages", ages, (ALL_AGES, *AGES)),
    ):  # fmt: skip
        if given not in known:
            raise Refused(400, f"{what}: “{given[:20]}” is none of {', '.join(known)}.")
    return People(region, setting, onset, ages)  # type: ignore[arg-type]


def chances_page(
    desk: Desk,
    people: People,
    *,
    given: Mapping[str, str] | None = None,
    tried: ChancesSet | None = None,
    refused: str = "",
    seen: int | None = None,
) -> ChancesPage:
    """The page. given: fields as they were typed. tried: the clinic's values as they would be, not kept."""
    region = desk.catalogue.region(people.region)
    held = desk.own_chances.of(people.region)
    shown = held if tried is None else tried
    base = held if tried is not None else {}
    ours = starting_chances(desk.evidence, region, people.context({}))
    before, after = (_model(desk, people.context(values)) for values in (base, shown))
    by_age = spans_by_age(desk.evidence, region, people.context({}))
    typed = given or {}
    of_section, all_ages = held.get(people.section, {}), held.get(section_of(people.setting, people.onset), {})
    lines = tuple(
        _line(
            desk, region, people, condition, ours.get(condition), before, after, by_age.get(condition, ()),
            typed.get(condition, _field(of_section.get(condition))),
            "" if people.ages == ALL_AGES else _field(all_ages.get(condition)),
        )
        for condition in _conditions(region)
    )  # fmt: skip
    who = f"{setting_words(people.setting)}, {ONSETS[people.onset]}, {_ages_words(people.ages)}"
    return ChancesPage(
        region=people.region,
        region_name=words.region(people.region),
        setting=people.setting,
        onset=people.onset,
        ages=people.ages,
        who=who,
        shown_age=people.age,
        regions=tuple(Choice(r, words.region(r), r == people.region) for r in desk.catalogue.regions),
        settings=tuple(Choice(s, words.capital(setting_words(s)), s == people.setting) for s in get_args(Setting)),
        onsets=tuple(Choice(key, words.capital(said), key == people.onset) for key, said in ONSETS.items()),
        bands=tuple(Choice(b, words.capital(_ages_words(b)), b == people.ages) for b in (ALL_AGES, *AGES)),
        lines=lines,
        aged=tuple(line.name for line in lines if line.by_age),
        against="as it stands" if tried is not None else "without your values",
        notes=after.prior_notes,
        sections=_sections(people, held),
        history=_history(desk, people.region),
        seen=desk.own_chances.number(people.region) if seen is None else seen,
        changed=bool(of_section),
        tried=tried is not None,
        refused=refused,
        trouble=desk.own_chances.trouble(people.region),
        kept_as=set_id(held)[:12],
        href=people.href,
    )


def values_of(desk: Desk, people: People, given: Mapping[str, str]) -> dict[str, float]:
    """The fields as chances; empty ones are left out. Refused with one line for the first that is none."""
    region = desk.catalogue.region(people.region)
    return {c: chance_of(text, region.conditions[c].name) for c, text in given.items() if text.strip()}


def chance_of(text: str, name: str) -> float:
    """A chance as typed: "12 %", "12.5%", "0.12" or "0,12"; Refused with one line where it is none."""
    typed = text.strip()
    per_cent = typed.endswith("%")
    try:
        number = float(typed.removesuffix("%").strip().replace(",", "."))
    except ValueError:
        number = math.nan
    if math.isnan(number):
        raise Refused(400, f"{name}: “{typed[:40]}” is no chance; write 12 % or 0.12, or leave it empty for ours.")
    chance = number / 100 if per_cent else number
    if not per_cent and 1 < number <= 100:
        raise Refused(400, f"{name}: “{typed[:40]}” is above 1; write {number:g} % or {number / 100:g}.")
    if not 0 < chance < 1:
        raise Refused(
            400,
            f"{name}: “{typed[:40]}” leaves nothing for a finding to move; give more than 0 and less than 100 %, "
            "or set it in the visit.",
        )
    return chance


def refuse_misfits(desk: Desk, people: People, wanted: ChancesSet) -> None:
    """Refused with one line, which says how to mend it, where the values would not be what a patient starts at."""
    region = desk.catalogue.region(people.region)
    for age in _ages_touched(people):
        context = people.context_at(age, wanted)
        found = misfit(region, _model(desk, context), context.clinic)
        if found:
            at = "" if age == people.age else f" For people aged {age}, with what you set for their age:"
            raise Refused(400, f"{at} {found}.".strip())


def _ages_touched(people: People) -> Iterable[int | None]:
    """What a section moves: itself, and where it is of all ages, every band that goes over it."""
    yield people.age
    if people.ages == ALL_AGES:
        for band in AGES:
            yield People(people.region, people.setting, people.onset, band).age


def _model(desk: Desk, context: Context) -> RegionModel:
    return desk.model_with(desk.own.now(), context)


def _conditions(region: RegionCatalogue) -> tuple[str, ...]:
    """Every condition that has a chance, in the catalogue's order, a union before its kinds, and none last."""
    return (*(c for c in region.conditions if region.parts(c) and c != region.none_id), region.none_id)


def _line(
    desk: Desk,
    region: RegionCatalogue,
    people: People,
    condition: str,
    ours: StartingChance | None,
    before: RegionModel,
    after: RegionModel,
    by_age: tuple[str, ...],
    yours: str,
    all_ages: str,
) -> ChanceLine:
    entry = region.conditions[condition]
    was, is_now = _starts(before, condition), _starts(after, condition)
    origin = "follows" if ours is None else "assumed" if ours.assumed else "borrowed" if ours.borrowed else "published"
    query = urlencode({"setting": people.setting, "onset": people.onset})
    parts = region.parts(condition)
    return ChanceLine(
        id=condition,
        name=entry.name,
        plain=entry.plain,
        none=condition == region.none_id,
        parts=tuple(region.conditions[c].name for c in parts) if condition not in parts else (),
        ours=words.chance_line(ours.chance, ours.low, ours.high) if ours else "",
        ours_per_cent=per_cent(ours.chance) if ours else "",
        origin=origin,
        source=ours.source_words if ours else "follows from its kinds",
        counted=tuple(counted_line(desk, row, condition, ours) for row in (ours.rows if ours else ())),
        evidence="" if entry.none else f"/evidence/{people.region}/condition/{condition}?{query}#start",
        by_age=by_age,
        yours=yours,
        all_ages=all_ages,
        before=per_cent(was),
        after=per_cent(is_now),
        moved=per_cent(was) != per_cent(is_now),
    )


def _starts(model: RegionModel, condition: str) -> float:
    return float(np.exp(model.log_prior)[model.membership[condition]].sum())


def _sections(people: People, held: ChancesSet) -> tuple[KeptSection, ...]:
    found = []
    for section, values in held.items():
        setting, onset, ages = section.split("/")
        there = People(people.region, setting, onset, ages)  # type: ignore[arg-type]
        said = f"{words.capital(setting_words(setting))}, {ONSETS.get(onset, onset)}, {_ages_words(ages)}"
        found.append(KeptSection(f"{said}: {words.plural(len(values), 'value')}", there.href, there == people))
    return tuple(found)


def _history(desk: Desk, region: str) -> tuple[ChanceHistory, ...]:
    conditions = desk.catalogue.region(region).conditions
    told = []
    for change in reversed(desk.own_chances.history(region)[-_TOLD:]):
        setting, onset, ages = change.section.split("/")
        named = (
            f"{conditions[c].name if c in conditions else c} {per_cent(v)}" for c, v in change.values.items()
        )
        told.append(
            ChanceHistory(
                f"{change.at.astimezone():%Y-%m-%d %H:%M}",
                change.by,
                f"{words.capital(setting_words(setting))}, {ONSETS.get(onset, onset)}, {_ages_words(ages)}",
                "; ".join(named) or "back to studies and our assumptions",
            )
        )
    return tuple(told)


def _ages_words(ages: str) -> str:
    if ages == ALL_AGES:
        return ALL_AGES_WORDS
    low, high = AGES[ages]
    return f"{low} and over" if high > 100 else f"{low} to {high} years"


def _field(value: float | None) -> str:
    """A kept value as it goes into its field: with all its figures."""
    return "" if value is None else f"{100 * value:.6g} %"
