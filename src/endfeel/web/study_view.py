"""Studies of the clinic's own, studies that it does not use, and the page of any study.

Public: OwnPage, StudyPage, StudyForm, ChangePage, own_page, study_page, study_form, change_page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from endfeel.evidence import AccuracyRow, RatesRow
from endfeel.evidence.overlay import OwnStudy, doubtful
from endfeel.evidence.own_csv import OWN_TABLES, columns_of, write_own
from endfeel.evidence.own_log import Change
from endfeel.web import words
from endfeel.web.clinic_evidence import Standing, Wanted
from endfeel.web.desk import Desk
from endfeel.web.evidence_moved import PairMove, pair_moves
from endfeel.web.evidence_words import basis_words, check_region, condition_name, design_words, source_words
from endfeel.web.refused import Refused
from endfeel.web.study_form import CHOICES, StudyFields

_ACTS = {"add": "added", "edit": "edited", "retire": "no longer used", "restore": "used again"}


@dataclass(frozen=True)
class StudyRowLine:
    """One study in a list."""

    study_id: str
    citation: str
    words: str
    href: str


@dataclass(frozen=True)
class ChangeLine:
    """One entry of the history."""

    number: int
    when: str
    by: str
    words: str
    why: str
    edition: str
    href: str


@dataclass(frozen=True)
class TableText:
    """One table to copy: its name and what stands in it."""

    name: str
    header: str
    text: str
    href: str


@dataclass(frozen=True)
class OwnPage:
    """The clinic's own studies. seen: how many changes there are, for forms to say what they rest on."""

    own: tuple[StudyRowLine, ...]
    retired: tuple[StudyRowLine, ...]
    history: tuple[ChangeLine, ...]
    regions: tuple[tuple[str, str], ...]
    tables: tuple[TableText, ...]
    seen: int
    edition: str
    based_on: str
    trouble: str


@dataclass(frozen=True)
class ReadLine:
    """One line of a study."""

    finding: str
    condition: str
    words: str
    criterion: str
    read: str
    url: str
    basis: str
    href: str


@dataclass(frozen=True)
class StudyPage:
    """One study with all its lines. why: why it is not used; empty where it is."""

    study_id: str
    citation: str
    design: tuple[str, ...]
    links: tuple[tuple[str, str], ...]
    lines: tuple[ReadLine, ...]
    own: bool
    why: str
    retire: str
    restore: str
    edit: str
    without: tuple[PairMove, ...]
    history: tuple[ChangeLine, ...]
    seen: int


@dataclass(frozen=True)
class Options:
    """What a select offers: (value, words) pairs."""

    observables: tuple[tuple[str, str], ...]
    conditions: tuple[tuple[str, str], ...]
    words: dict[str, tuple[tuple[str, str], ...]]


@dataclass(frozen=True)
class StudyForm:
    """The form of a study. refused: what is wrong, in one line. moves: what it would move, where that was asked for."""

    fields: StudyFields
    options: Options
    title: str
    post: str
    seen: int
    refused: str
    doubts: tuple[str, ...]
    looked: bool
    moves: tuple[PairMove, ...]


@dataclass(frozen=True)
class ChangePage:
    """One entry of the history and what it moved."""

    line: ChangeLine
    study_href: str
    moves: tuple[PairMove, ...]


def own_page(desk: Desk) -> OwnPage:
    """The clinic's own studies, those it does not use, the history and the tables."""
    standing = desk.own.now()
    overlay = standing.wanted
    texts = write_own(overlay)
    return OwnPage(
        own=tuple(
            _study_line(desk, standing, s.study_id, s)
            for s in overlay.own.values()
            if s.study_id not in overlay.retired
        ),
        retired=tuple(
            StudyRowLine(study_id, _citation(desk, standing, study_id), why, _href(study_id))
            for study_id, why in overlay.retired.items()
        ),
        history=tuple(_change(c) for c in reversed(standing.log.changes)),
        regions=tuple((r, words.region(r)) for r in desk.catalogue.regions),
        tables=tuple(
            TableText(name, ",".join(columns_of(name)), texts.get(name, ""), f"/evidence/studies/own/table/{name}")
            for name in OWN_TABLES
        ),
        seen=standing.log.number,
        edition=standing.edition.id,
        based_on=str(standing.edition.meta.get("based_on", "")),
        trouble=standing.trouble,
    )


def study_page(desk: Desk, study_id: str) -> StudyPage:
    """Any study by its id; Refused(404) where there is none."""
    standing = desk.own.now()
    rows = _rows(desk, standing, study_id)
    study = desk.own.base.studies.get(study_id)
    own = standing.wanted.own.get(study_id)
    if own is not None and own.study is not None:
        study = own.study
    if not rows and study is None:
        raise Refused(404, f"There is no study “{study_id[:80]}”.")
    why = standing.wanted.retired.get(study_id, "")
    links = []
    if study and study.doi:
        links.append(("The paper", f"https://doi.org/{quote(study.doi)}"))
    if study and study.pmid:
        links.append(("PubMed", f"https://pubmed.ncbi.nlm.nih.gov/{study.pmid}/"))
    without: tuple[PairMove, ...] = ()
    if not why and not standing.trouble:
        imagined = desk.kept.once(
            ("without", standing.edition.id, study_id),
            lambda: desk.own.imagined([Wanted("retire", study_id, why="looking")]),
        )
        without = pair_moves(desk, standing, imagined)
    return StudyPage(
        study_id=study_id,
        citation=_citation(desk, standing, study_id),
        design=design_words(study),
        links=tuple(links),
        lines=tuple(_read(desk, row) for row in rows),
        own=own is not None,
        why=why,
        retire=f"{_href(study_id)}/retire",
        restore=f"{_href(study_id)}/restore",
        edit=f"{_href(study_id)}/edit" if own is not None else "",
        without=without,
        history=tuple(_change(c) for c in reversed(standing.log.changes) if c.study_id == study_id),
        seen=standing.log.number,
    )


def study_form(
    desk: Desk,
    fields: StudyFields,
    post: str,
    *,
    refused: str = "",
    doubts: Sequence[str] = (),
    imagined: Standing | None = None,
    seen: int | None = None,
) -> StudyForm:
    """The form with what was typed; Refused(404) where the region is none."""
    check_region(desk, fields.region)
    standing = desk.own.now()
    return StudyForm(
        fields=fields,
        options=_options(desk, fields.region),
        title=_citation(desk, standing, fields.study_id) if fields.study_id else "A study of your own",
        post=post,
        seen=standing.log.number if seen is None else seen,
        refused=refused,
        doubts=tuple(doubts),
        looked=imagined is not None,
        moves=pair_moves(desk, standing, imagined) if imagined is not None else (),
    )


def doubts_of(desk: Desk, study: OwnStudy) -> tuple[str, ...]:
    """What is worth a second look before a study is kept."""
    return tuple(f"{words.capital(line)}" for line in doubtful(desk.own.base, study))


def change_page(desk: Desk, number: int) -> ChangePage:
    """One entry of the history; Refused(404) where there is none of that number."""
    changes = desk.own.now().log.changes
    if not 1 <= number <= len(changes):
        raise Refused(404, f"There is no change number {number}; there are {len(changes)}.")
    change = changes[number - 1]
    moves = pair_moves(desk, desk.own.before(number), desk.own.after(number))
    return ChangePage(_change(change), _href(change.study_id), moves)


def _rows(desk: Desk, standing: Standing, study_id: str) -> list[AccuracyRow | RatesRow]:
    base = desk.own.base
    rows: list[AccuracyRow | RatesRow] = [r for r in base.accuracy if r.study_id == study_id]
    rows += [r for r in base.rates if r.study_id == study_id]
    own = standing.wanted.own.get(study_id)
    return rows + list(own.readings if own else ())


def _citation(desk: Desk, standing: Standing, study_id: str) -> str:
    own = standing.wanted.own.get(study_id)
    if own is not None and own.study is not None:
        return own.study.citation
    if study_id in desk.own.base.studies:
        return desk.own.base.studies[study_id].citation
    return next((r.citation for r in desk.own.base.rates if r.study_id == study_id), study_id)


def _study_line(desk: Desk, standing: Standing, study_id: str, study: OwnStudy) -> StudyRowLine:
    region = study.readings[0].region if study.readings else ""
    said = f"{words.plural(len(study.readings), 'line')}, {words.region(region)}"
    if study_id in standing.unused:
        said += "; not used, it does not fit the tables"
    return StudyRowLine(study_id, _citation(desk, standing, study_id), said, _href(study_id))


def _change(change: Change) -> ChangeLine:
    return ChangeLine(
        change.number, f"{change.at.astimezone():%Y-%m-%d %H:%M}", change.by, f"{change.study_id} {_ACTS[change.act]}",
        change.why, change.edition, f"/evidence/studies/own/changes/{change.number}",
    )  # fmt: skip


def _read(desk: Desk, row: AccuracyRow | RatesRow) -> ReadLine:
    if isinstance(row, AccuracyRow):
        said = f"positive in {row.tp} of {row.diseased} with it and {row.fp} of {row.healthy} without"
    else:
        said = f"sensitivity {row.sens_printed:g}, specificity {row.spec_printed:g} in {row.n_total} people"
    return ReadLine(
        finding=desk.name(row.region, row.observable_id),
        condition=condition_name(desk, row.region, row.condition_id),
        words=said,
        criterion=row.criterion,
        read=source_words(row),
        url=row.source_url if row.source_url.startswith(("http://", "https://")) else "",
        basis=basis_words(row),
        href=f"/evidence/{row.region}/finding/{row.observable_id}#{row.condition_id}",
    )


def _options(desk: Desk, region: str) -> Options:
    catalogue = desk.catalogue.region(region)
    observables = {
        name: desk.name(region, name)
        for row in desk.evidence.findings_of(region)
        if (entry := catalogue.findings.get(row.finding_id)) is not None
        for name in entry.observables()
    }
    conditions = {c.id: c.name for c in catalogue.conditions.values() if not c.none}
    return Options(
        observables=tuple(sorted(observables.items(), key=lambda o: o[1].casefold())),
        conditions=tuple(sorted(conditions.items(), key=lambda c: c[1].casefold())),
        words={
            name: tuple((v, words.capital(v.replace("-", " "))) for v in values) for name, values in CHOICES.items()
        },
    )


def _href(study_id: str) -> str:
    return f"/evidence/studies/{quote(study_id, safe='')}"
