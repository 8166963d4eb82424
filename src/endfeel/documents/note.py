"""The note of a visit: what was asked, found, not asked and not done; chances, decision and advice.

`note` turns a visit's state into a Note; `note_text` gives plain text to copy, `endfeel.documents.pdf.note_pdf` paper.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from endfeel import __version__
from endfeel.catalogue import Catalogue
from endfeel.documents.figures import ProblemFigures
from endfeel.documents.names import Names
from endfeel.documents.said_chances import (
    chance_lines,
    decision_lines,
    decision_summary,
    leading,
    mark_of,
    move_lines,
    outcome_lines,
    plan_lines,
)
from endfeel.documents.said_examination import base_lines, finding_lines, not_done_lines, unclear_lines
from endfeel.documents.said_history import history_lines
from endfeel.documents.said_record import correction_lines, record_lines
from endfeel.documents.said_safety import no_chances, safety_lines, safety_summary
from endfeel.documents.sections import Line, Section, flat, line_text, rule_under, text_of
from endfeel.documents.wording import SETTINGS, chance_line, day, moment, plural, side_and_region
from endfeel.evidence import EvidenceBase, load_evidence
from endfeel.visits.problem import ProblemState
from endfeel.visits.state import VisitState

CAUTIONS = (
    "Endfeel informs a licensed clinician and does not diagnose. The clinician decides.",
    "Local law, scope of practice, and local emergency and referral protocols come first.",
    "A screen that was not asked is not clear. Chances come from published studies of adults; one person may differ.",
)


@dataclass(frozen=True)
class Summary:
    """What is read first of one problem: safety, what it could be, the decision."""

    title: str
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class Note:
    """A note. who and when: one line each. summaries: one per problem. sections: in reading order.

    code: the patient's code, for the foot of each page. visit_id, entry: which visit, up to which of its entries.
    """

    title: str
    who: str
    when: str
    state_words: str
    summaries: tuple[Summary, ...]
    sections: tuple[Section, ...]
    code: str
    visit_id: str
    entry: int


def note(
    state: VisitState,
    catalogue: Catalogue,
    figures: Mapping[str, ProblemFigures] | None = None,
    *,
    evidence: EvidenceBase | None = None,
    now: dt.datetime | None = None,
    zone: dt.tzinfo = dt.UTC,
) -> Note:
    """The note of a visit as it stands.

    figures: by problem id, what was computed; a problem without any says so. evidence: for names and positions; the
    shipped tables where left out. now: the moment at which safety is judged; the visit's last event where left out.
    zone: in which times are told.
    """
    rows = evidence or load_evidence()
    at = now or state.last_at
    names = {
        p.problem_id: Names(catalogue, rows, p.region)
        for p in (*state.problems.values(), *state.withdrawn_problems.values())
    }
    computed = figures or {}
    sections: list[Section] = []
    for problem in state.problems.values():
        sections += _problem(state, problem, names[problem.problem_id], computed.get(problem.problem_id), at, zone)
    record = record_lines(state, names, zone)
    corrections = correction_lines(state, names, zone)
    sections.append(Section("corrections", "Corrections", corrections or (Line("none", weight="quiet"),), "The record"))
    if record:
        sections.append(Section("record", "Consent and remarks on the record", record, "The record"))
    sections.append(Section("edition", "Evidence and software", _edition(state, names, computed), "The record"))
    sections.append(Section("cautions", "Cautions", tuple(Line(c) for c in CAUTIONS), "The record"))
    titles = [side_and_region(p.side, p.region) for p in state.problems.values()]
    return Note(
        title=" and ".join(titles) or "Visit without a problem",
        who=who_line(state, at.date()),
        when=f"{day(state.opened_at.astimezone(zone))}, {SETTINGS[state.opened.setting]}, seen by {_actors(state)}",
        state_words=_state_words(state, zone),
        summaries=tuple(
            _summary(p, names[p.problem_id], computed.get(p.problem_id), at) for p in state.problems.values()
        ),
        sections=tuple(sections),
        code=state.opened.patient_code,
        visit_id=state.visit_id,
        entry=state.seq,
    )


def note_text(note: Note) -> str:
    """The note as plain text to copy."""
    head = [rule_under(f"Note: {flat(note.title)}", "="), flat(note.who), flat(note.when), note.state_words]
    for summary in note.summaries:
        head += ["", rule_under(f"In short: {flat(summary.title)}", "-"), *(line_text(line) for line in summary.lines)]
    return "\n".join([*head, "", text_of(note.sections)]) + "\n"


def who_line(state: VisitState, on: dt.date) -> str:
    """Who the patient is, by code and by what else was given."""
    opened = state.opened
    parts = [f"Patient {opened.patient_code}"]
    if opened.initials:
        parts.append(opened.initials)
    if opened.sex:
        parts.append({"female": "female", "male": "male", "other": "sex other"}[opened.sex])
    age = next((a for p in state.problems.values() if (a := p.age_between(on)) is not None), None)
    if age is not None:
        parts.append(f"{age[0]} years" if age[0] == age[1] else f"{age[0]} or {age[1]} years")
    if opened.birth_year:
        parts.append(f"born {opened.birth_year}")
    return ", ".join(parts)


def _problem(
    state: VisitState,
    problem: ProblemState,
    names: Names,
    figures: ProblemFigures | None,
    now: dt.datetime,
    zone: dt.tzinfo,
) -> list[Section]:
    on = now.date()
    part = side_and_region(problem.side, problem.region)
    withheld = no_chances(problem, on)
    found = [
        ("history", "History", history_lines(problem, state.marks, names, on)),
        ("safety", "Safety screen", safety_lines(problem, names, now, zone)),
        ("base", "Neighbours and base examination", base_lines(problem, names)),
        ("findings", "Findings by position", finding_lines(problem, names)),
        ("unclear", "Unclear", unclear_lines(problem, names)),
        ("not-done", "Not done, and why", not_done_lines(problem, names, figures)),
        ("chances", "What it could be", chance_lines(figures, names, withheld)),
        ("moves", "What moved the chances", () if withheld else move_lines(figures, names)),
        ("decision", "Decision", decision_lines(problem, None if withheld else figures, names, zone)),
        ("plan", "Agreed with the patient", plan_lines(problem, names)),
        ("outcomes", "What turned out later", outcome_lines(problem, names)),
    ]
    always = {"history", "safety", "base", "findings", "chances", "decision", "plan"}
    return [Section(i, title, lines, part) for i, title, lines in found if lines or i in always]


def _summary(problem: ProblemState, names: Names, figures: ProblemFigures | None, now: dt.datetime) -> Summary:
    lines = [safety_summary(problem, names, now)]
    withheld = no_chances(problem, now.date()) or (figures.no_chances if figures else None)
    if withheld:
        lines.append(Line(withheld, "No chances", weight="strong"))
    else:
        lines += [
            Line("", names.condition(c.condition), chance_line(c.chance, c.low, c.high), mark=mark_of(c))
            for c in leading(figures, names)
        ]
    lines.append(decision_summary(problem, names))
    return Summary(side_and_region(problem.side, problem.region), tuple(lines))


def _edition(state: VisitState, names: Mapping[str, Names], figures: Mapping[str, ProblemFigures]) -> tuple[Line, ...]:
    editions = list(dict.fromkeys(e for e in (state.opened.edition, *(f.edition for f in figures.values())) if e))
    lines = [
        Line(", ".join(editions) or "not recorded", "Edition of the pooled evidence"),
        Line(state.opened.software or "not recorded", "Visit opened with"),
        Line(f"endfeel {__version__}", "Note made with"),
        Line(f"{state.visit_id}, up to entry {state.seq}", "Visit"),
    ]
    entries = {
        id(e): e
        for p in state.problems.values()
        for r in p.findings.values()
        if (e := names[p.problem_id].entry(r.observable)) is not None
    }
    drafts = sum(e.review.status == "draft" for e in entries.values())
    if drafts:
        lines.append(
            Line(
                f"{plural(drafts, 'finding')} of {len(entries)} follow a catalogue draft that no licensed reviewer "
                "has signed yet",
                "Catalogue",
                weight="quiet",
            )
        )
    return tuple(lines)


def _state_words(state: VisitState, zone: dt.tzinfo) -> str:
    if state.closed and state.closed_at is not None:
        return f"Closed {moment(state.closed_at, zone)}"
    return f"Still open: what is recorded after {moment(state.last_at, zone)} is not in this note"


def _actors(state: VisitState) -> str:
    return ", ".join(dict.fromkeys(flat(entry.stored.actor) for entry in state.history))
