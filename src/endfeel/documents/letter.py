"""A referral letter: to whom, how urgent, what is asked, what was found and what was not asked.

`letter` builds it from a visit; `letter_text` gives plain text, `endfeel.documents.pdf.letter_pdf` paper.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import get_args

from endfeel.catalogue import Catalogue
from endfeel.catalogue.conditions import Urgency
from endfeel.documents.figures import ProblemFigures
from endfeel.documents.incidental import chanced_for
from endfeel.documents.names import Names
from endfeel.documents.note import CAUTIONS, who_line
from endfeel.documents.said_chances import leading
from endfeel.documents.said_examination import base_lines, finding_line
from endfeel.documents.said_history import history_lines, is_history
from endfeel.documents.said_safety import is_discreet, no_chances, safety_lines, safety_summary
from endfeel.documents.sections import Line, Section, flat, line_text, rule_under, text_of
from endfeel.documents.wording import (
    ACTIONS,
    chance_line,
    clean,
    day,
    listed,
    lower,
    moment,
    side_and_region,
)
from endfeel.evidence import EvidenceBase, load_evidence
from endfeel.visits.problem import ProblemState
from endfeel.visits.safety import flags_of
from endfeel.visits.state import VisitState

URGENCY_ORDER: tuple[Urgency, ...] = get_args(Urgency)
URGENCY_WORDS: dict[Urgency, str] = {
    "emergency": "Emergency: now, by the local emergency pathway",
    "same-day": "Same day",
    "urgent": "Urgent, by the local urgent pathway",
    "soon": "Soon",
    "routine": "Routine",
}
# A film before anything else can't wait for a routine place.
FLAG_URGENCY: dict[str, Urgency] = {
    "emergency": "emergency",
    "same-day": "same-day",
    "urgent": "urgent",
    "film-first": "same-day",
}
_STORY: tuple[str, ...] = (
    "Began",
    "How it happened",
    "Afterwards",
    "Over day and night",
    "Brings it on",
    "Earlier episodes",
)
_STORY += ("Treatment so far", "Work", "Activity", "Treatment", "Irritability", "Precautions, yes")


@dataclass(frozen=True)
class Letter:
    """A letter. to: address, line by line. why_urgent: what the urgency rests on. asked: what is wanted."""

    to: tuple[str, ...]
    subject: str
    who: str
    date: str
    urgency: Urgency
    urgency_words: str
    why_urgent: str
    asked: str
    sections: tuple[Section, ...]
    signed: tuple[str, ...]
    cautions: tuple[str, ...]
    code: str
    visit_id: str
    entry: int


def letter(
    state: VisitState,
    catalogue: Catalogue,
    problem_id: str,
    figures: ProblemFigures | None = None,
    *,
    to: tuple[str, ...] = (),
    asked: str = "",
    urgency: Urgency | None = None,
    signed: tuple[str, ...] = (),
    evidence: EvidenceBase | None = None,
    now: dt.datetime | None = None,
    zone: dt.tzinfo = dt.UTC,
) -> Letter:
    """A letter about one problem of a visit.

    to: address, one line each. asked: what is wanted, in the writer's words; from the decision where left out.
    urgency: as the writer sees it; it can raise what the safety flags ask for, never lower it. signed: name and
    profession, one line each; who took the decision where left out. KeyError where the visit has no such problem.
    """
    problem = state.problems[problem_id]
    rows = evidence or load_evidence()
    names = Names(catalogue, rows, problem.region)
    at = now or state.last_at
    level, why = _urgency(problem, names, at, urgency)
    where = side_and_region(problem.side, problem.region)
    return Letter(
        to=tuple(flat(line) for line in to),
        subject=where,
        who=who_line(state, at.date()),
        date=day(at.astimezone(zone)),
        urgency=level,
        urgency_words=URGENCY_WORDS[level],
        why_urgent=why,
        asked=clean(asked) or _asked(problem, names),
        sections=_sections(state, problem, names, figures, at, zone),
        signed=tuple(flat(line) for line in signed) or (_writer(state, problem),),
        cautions=CAUTIONS,
        code=state.opened.patient_code,
        visit_id=state.visit_id,
        entry=state.seq,
    )


def letter_text(letter: Letter) -> str:
    """The letter as plain text."""
    head = [
        *(letter.to or ("To:",)),
        "",
        letter.date,
        "",
        rule_under(f"{letter.subject}, {letter.who}", "="),
        f"Urgency: {letter.urgency_words}" + (f" ({flat(letter.why_urgent)})" if letter.why_urgent else ""),
        "",
        rule_under("What I ask of you", "-"),
        line_text(Line(letter.asked)),
        "",
        text_of(letter.sections),
        "",
        "With kind regards",
        *letter.signed,
        "",
        *letter.cautions,
    ]
    return "\n".join(head) + "\n"


def _urgency(problem: ProblemState, names: Names, now: dt.datetime, wanted: Urgency | None) -> tuple[Urgency, str]:
    flags = flags_of(problem, names.catalogue, now)
    by_flag = min((FLAG_URGENCY[f.sends_for] for f in flags), key=URGENCY_ORDER.index, default=None)
    raised = listed([lower(f.screen.name) for f in flags if not is_discreet(problem, names, f.screen.id)])
    if by_flag is not None and (wanted is None or URGENCY_ORDER.index(by_flag) <= URGENCY_ORDER.index(wanted)):
        return by_flag, f"safety flag: {raised}" if raised else "as judged by the writer"
    if wanted is not None:
        return wanted, "as judged by the writer" + (f"; safety flag: {raised}" if raised else "")
    decision = problem.decision
    group = decision.event.care_group if decision else None
    conditions = names.region.conditions.values() if names.region and group else ()
    # The decision names care, not a condition, so the most urgent condition of that care sets the pace; what only a
    # screen may decide is left to screens.
    of_group = [c for c in conditions if c.care_group == group and c.rail != "never" and not c.none]
    if not of_group:
        return "routine", ""
    level = min((c.urgency for c in of_group), key=URGENCY_ORDER.index)
    return level, f"usual for {lower(names.care(group))}"


def _asked(problem: ProblemState, names: Names) -> str:
    decision = problem.decision
    if decision is None:
        return "No decision was recorded at this visit. Please advise."
    event = decision.event
    entry = names.region.care.get(event.care_group or "") if names.region else None
    review = f"on {day(event.review_on)}" if event.review_on else "on no set day"
    told = {
        "send-now": "Please see this patient now.",
        "look-further": "Please look further.",
        "start-care": f"Care was started; we look again {review}.",
        "set-aside": "For your information: nothing further is planned now.",
    }[event.action]
    parts = [told]
    if event.screen_id is not None:
        screen = names.catalogue.screens.get(event.screen_id)
        parts.append(screen.clinician if screen else names.screen(event.screen_id))
    if event.action == "look-further":
        if event.modality is not None:
            parts.append(f"Asked for: {names.modality(event.modality)}.")
        if entry is not None:
            parts.append(entry.look_further)
    parts.append(clean(event.words))
    return " ".join(part for part in parts if part)


def _sections(
    state: VisitState,
    problem: ProblemState,
    names: Names,
    figures: ProblemFigures | None,
    now: dt.datetime,
    zone: dt.tzinfo,
) -> tuple[Section, ...]:
    history = history_lines(problem, state.marks, names, now.date())
    story = (*(line for line in history if line.label in _STORY), *_precautions_not_asked(problem, names))
    answered = [line for line in history if line.value and line.label not in _STORY]
    asked = tuple(replace(line, words=line.words.partition("; asked:")[0]) for line in answered)
    summary = safety_summary(problem, names, now, taken_home=True)
    safety = (*([] if summary.weight == "flag" else [summary]), *_told_screens(problem, names, now, zone))
    found = (
        Section("story", "The story", story),
        Section("asked", "Asked", asked),
        Section("safety", "Safety screen", safety),
        Section("examination", "Examination", _examination(problem, names)),
        Section("chances", "What it could be", _chances(problem, names, figures, now)),
        Section("decision", "Decided and told", _decided(problem, names, now, zone)),
    )
    return tuple(section for section in found if section.lines)


def _told_screens(problem: ProblemState, names: Names, now: dt.datetime, zone: dt.tzinfo) -> list[Line]:
    """What the screens say, without those of which nothing was asked (the summary names them) and without reminders."""
    told = safety_lines(problem, names, now, zone, taken_home=True)
    return [line for line in told if line.value != "not asked" and not line.label.endswith("not known")]


def _precautions_not_asked(problem: ProblemState, names: Names) -> list[Line]:
    answers = problem.context.precautions or {}
    open_ones = [p for p in names.catalogue.precautions.values() if p.asked and p.id not in answers]
    words = f"{len(open_ones)} of {len([p for p in names.catalogue.precautions.values() if p.asked])}"
    return [Line(words, "Precautions, not asked", weight="dashed")] if open_ones else []


def _examination(problem: ProblemState, names: Names) -> tuple[Line, ...]:
    raised = [
        line for line in base_lines(problem, names) if line.value == "something found" or line.label == "Not checked"
    ]
    found = sorted(
        (r for r in problem.findings.values() if not is_history(names, r.observable) and r.result != "not-done"),
        key=lambda r: (("positive", "negative", "unclear").index(r.result), r.made.seq),
    )
    return (*raised, *(finding_line(r, names) for r in found))


def _chances(problem: ProblemState, names: Names, figures: ProblemFigures | None, now: dt.datetime) -> tuple[Line, ...]:
    withheld = no_chances(problem, now.date()) or (figures.no_chances if figures else None)
    if withheld is not None:
        return (Line(withheld, "No chances", weight="strong"),)
    lines = [
        Line("", names.condition(c.condition), chance_line(c.chance, c.low, c.high)) for c in leading(figures, names, 4)
    ]
    if lines:
        edition = figures.edition if figures else ""
        lines.append(
            Line(
                "From the history and hands-on findings, pooled from published studies"
                + (f" (edition {edition})" if edition else "")
                + "; in brackets the range if these tests work better or worse here.",
                weight="quiet",
            )
        )
    return tuple(lines)


def _decided(problem: ProblemState, names: Names, now: dt.datetime, zone: dt.tzinfo) -> tuple[Line, ...]:
    lines = []
    if problem.decision is not None:
        event, made = problem.decision.event, problem.decision.made
        review = f"look again on {day(event.review_on)}" if event.review_on else ""
        words = "; ".join(p for p in (names.care(event.care_group), review, moment(made.at, zone)) if p)
        lines.append(Line(words, "Decision", ACTIONS[event.action]))
        if event.action == "look-further" and names.region is not None:
            found = chanced_for(problem, names.region, event.care_group, event.modality, now.date())
            lines += [Line(sight.cited, "Seen by chance too", weight="quiet") for sight in found or ()]
    for advice in problem.advice:
        lines.append(Line(clean(advice.advice), "Told the patient"))
        if advice.come_back_if:
            lines.append(Line(clean(advice.come_back_if), "To come back if"))
    return tuple(lines)


def _writer(state: VisitState, problem: ProblemState) -> str:
    made = problem.decision.made if problem.decision else None
    return flat(made.actor if made else state.history[0].stored.actor)
