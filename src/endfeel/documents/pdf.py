"""Documents on paper, by typst.

What a person typed goes to the layout as JSON and is only ever shown as text: it can't become markup. Scripts that the
shipped typeface does not cover are set in whatever typeface the machine has for them.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from importlib.resources import as_file, files
from typing import Any, Literal

import typst

from endfeel.documents.note import CAUTIONS, Note
from endfeel.documents.sections import Line, Section
from endfeel.documents.wording import clean

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


def set_document(layout: str, data: Mapping[str, Any], header: House | None = None) -> bytes:
    """Set one of the layouts with its data; all strings are cleaned and long words made breakable."""
    told = _ready({**data, "house": asdict(header or House())})
    with as_file(files("endfeel.documents")) as folder:
        try:
            made = typst.compile(
                str(folder / "layout" / f"{layout}.typ"),
                root=str(folder),
                font_paths=[str(folder / "fonts")],
                format="pdf",
                sys_inputs={"data": json.dumps(told, ensure_ascii=False)},
            )
        except typst.TypstError as error:
            raise PaperError(f"{layout} could not be set on paper: {' '.join(str(error).split())}") from error
    return bytes(made)


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
