"""Documents on paper, by typst.

What a person typed goes to the layout as JSON and is only ever shown as text: it can't become markup. Scripts that the
shipped typeface does not cover are set in whatever typeface the machine has for them.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from importlib.resources import as_file, files
from typing import Any, Literal

import typst

from endfeel.documents.comparison import KIND_TITLES, Compared, Comparison
from endfeel.documents.handout import Handout
from endfeel.documents.letter import Letter
from endfeel.documents.note import CAUTIONS, Note
from endfeel.documents.plan_card import CardFinding, PlanCard
from endfeel.documents.sections import Line, Section
from endfeel.documents.wording import clean, number, plural

UNBROKEN = 28  # characters after which a word may be broken on paper


class PaperError(RuntimeError):
    """The document could not be set; the message is one line."""


@dataclass(frozen=True)
class House:
    """The clinic's own head and foot. name: one line. lines: address, telephone. footer: below every page."""

    name: str = ""
    lines: tuple[str, ...] = ()
    footer: str = ""
    paper: Literal["a4", "us-letter"] = "a4"


def note_pdf(note: Note, header: House | None = None) -> bytes:
    """The note as PDF. PaperError where it can't be set."""
    every = [line for summary in note.summaries for line in summary.lines]
    return set_document(
        "note",
        {
            "title": note.title,
            "under": [note.who, note.when, note.state_words],
            "summaries": [{"title": s.title, "lines": lines_of(s.lines)} for s in note.summaries],
            "any-mark": any(line.mark for line in every),
            "sections": sections_of(note.sections),
            "foot": CAUTIONS[0],
            "code": f"Note, {note.code}, visit {note.visit_id}, entry {note.entry}",
        },
        header,
    )


def letter_pdf(letter: Letter, header: House | None = None) -> bytes:
    """The letter as PDF. PaperError where it can't be set."""
    return set_document(
        "letter",
        {
            "title": f"Letter: {letter.subject}",
            "to": letter.to,
            "date": letter.date,
            "subject": letter.subject,
            "who": letter.who,
            "urgency": letter.urgency_words,
            "urgent": letter.urgency in ("emergency", "same-day", "urgent"),
            "why": letter.why_urgent,
            "asked": letter.asked,
            "sections": sections_of(letter.sections),
            "signed": letter.signed,
            "cautions": letter.cautions,
            "foot": "",
            "code": f"Letter, {letter.code}, visit {letter.visit_id}, entry {letter.entry}",
        },
        header,
    )


def handout_pdf(handout: Handout, header: House | None = None) -> bytes:
    """The handout as PDF. PaperError where it can't be set."""
    return set_document(
        "handout",
        {
            "title": handout.title,
            "date": handout.date,
            "first": handout.first,
            "what": handout.what,
            "could-be": handout.could_be,
            "next": handout.next,
            "look-again": handout.look_again,
            "agreed": handout.agreed,
            "come-back-if": handout.come_back_if,
            "activities": [{"name": a.name, "score": f"{a.score:g}"} for a in handout.activities],
            "closing": handout.closing,
            "code": handout.code,
        },
        header,
    )


def plan_card_pdf(card: PlanCard, header: House | None = None) -> bytes:
    """The plan card as PDF, on one page. PaperError where it can't be set."""
    findings = [finding for stop in card.stops for finding in stop.findings]
    left_off = f"{plural(card.left_off, 'finding')} of the route not on this page" if card.left_off else ""
    return set_document(
        "plan_card",
        {
            "title": card.title,
            "under": card.under,
            "screens": [{"name": s.name, "sends-for": s.sends_for, "state": s.state} for s in card.screens],
            "notes": card.notes,
            "neighbours": card.neighbours,
            "stops": [{"position": s.position, "findings": [_finding(f) for f in s.findings]} for s in card.stops],
            "left-off": left_off,
            "foot": " ".join(card.cautions),
            "code": card.code,
        },
        header,
        drawings=[finding.drawing for finding in findings],
    )


def comparison_pdf(comparison: Comparison, header: House | None = None) -> bytes:
    """The comparison as PDF. PaperError where it can't be set."""
    groups = [
        {"title": title, "rows": [_compared(row) for row in comparison.of_kind(kind)]}
        for kind, title in KIND_TITLES.items()
        if comparison.of_kind(kind)
    ]
    return set_document(
        "comparison",
        {
            "title": comparison.title,
            "under": [comparison.who, f"Last time: {comparison.before_on}. Now: {comparison.now_on}."],
            "groups": groups,
            "results": [
                {"what": r.what, "before": r.before or "not done", "now": r.now or "not done"}
                for r in comparison.results
            ],
            "sources": comparison.sources,
            "remarks": comparison.remarks,
            "foot": " ".join(comparison.cautions),
            "code": f"Comparison, {comparison.code}",
        },
        header,
    )


def set_document(
    layout: str, data: Mapping[str, Any], header: House | None = None, drawings: Sequence[str] = ()
) -> bytes:
    """Set one of the layouts with its data; all strings are cleaned and long words made breakable. drawings: SVG."""
    told = _ready({**data, "house": asdict(header or House())})
    inputs = {"data": json.dumps(told, ensure_ascii=False), "drawings": json.dumps(list(drawings))}
    with as_file(files("endfeel.documents")) as folder:
        try:
            made = typst.compile(
                str(folder / "layout" / f"{layout}.typ"),
                root=str(folder),
                font_paths=[str(folder / "fonts")],
                format="pdf",
                sys_inputs=inputs,
            )
        except typst.TypstError as error:
            raise PaperError(f"{layout} could not be set on paper: {' '.join(str(error).split())}") from error
    return bytes(made)


def _finding(finding: CardFinding) -> dict[str, Any]:
    told = {key.replace("_", "-"): value for key, value in asdict(finding).items()}
    del told["drawing"]  # markup of our own: it goes in by itself, as it is
    told["wide"] = _wide(finding.drawing)
    return told


def _wide(drawing: str) -> bool:
    """Whether a drawing is two pictures side by side."""
    box = re.search(r'viewBox="\S+ \S+ ([\d.]+) ([\d.]+)"', drawing)
    return box is not None and float(box[1]) > 1.9 * float(box[2])


def _compared(row: Compared) -> dict[str, Any]:
    return {
        "name": f"{row.what}, {row.side}" if row.side else row.what,
        "was": _short(row.before, row.unit),
        "is": _short(row.now, row.unit),
        "words": row.words,
        "before": row.before,
        "now": row.now,
        "error": row.error,
        "ends": {"of 10": (0, 10), "grade": (0, 5)}.get(row.unit),
    }


def _short(value: float | None, unit: str) -> str:
    """As short as a narrow column wants it; the scale stands in the group's title or beside the name."""
    if value is None:
        return ""
    short = {"of 10": "", "grade": "", "degrees": "°", "centimetres": " cm"}.get(unit, f" {unit}")
    return f"{number(value)}{short}"


def lines_of(lines: tuple[Line, ...]) -> list[dict[str, Any]]:
    """Lines as the layouts read them."""
    return [asdict(line) for line in lines]


def sections_of(sections: tuple[Section, ...]) -> list[dict[str, Any]]:
    """Sections as the layouts read them."""
    return [{"title": s.title, "part": s.part, "lines": lines_of(s.lines)} for s in sections]


def _ready(value: Any) -> Any:
    if isinstance(value, str):
        return _LONG.sub(lambda word: "\u200b".join(_pieces(word[0])), clean(value))
    if isinstance(value, Mapping):
        return {key: _ready(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_ready(part) for part in value]
    return value


def _pieces(word: str) -> list[str]:
    return [word[i : i + UNBROKEN] for i in range(0, len(word), UNBROKEN)]


_LONG = re.compile(rf"[^\s\u200b]{{{UNBROKEN + 1},}}")
