"""What documents are made of: sections of lines, told apart by what they are, not by how they look."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from endfeel.documents.wording import clean

# strong: read first. flag: a safety flag. dashed: unclear or not done. quiet: small print. heading: begins a group.
Weight = Literal["plain", "strong", "flag", "dashed", "quiet", "heading"]
INDENT = "  "


@dataclass(frozen=True)
class Mark:
    """Where a chance lies (0 to 1): the chance, its range, and where it started."""

    chance: float
    low: float
    high: float
    start: float | None = None


@dataclass(frozen=True)
class Line:
    """One thing said. label: what it is about. value: a short answer (a result, a state). words: the rest."""

    words: str = ""
    label: str = ""
    value: str = ""
    weight: Weight = "plain"
    mark: Mark | None = None


@dataclass(frozen=True)
class Section:
    """Lines under a title. part: the heading that it stands under ("Right knee"), empty for the whole visit."""

    id: str
    title: str
    lines: tuple[Line, ...]
    part: str = ""


def text_of(sections: tuple[Section, ...]) -> str:
    """Sections as plain text. Headings stand at the margin, all else is indented, so typed words can't pose as one."""
    out: list[str] = []
    part = ""
    for section in sections:
        if section.part != part:
            part = section.part
            if part:
                out += ["", rule_under(part.upper(), "=")]
        out += ["", rule_under(section.title, "-")]
        out += [line_text(line) for line in section.lines]
    return "\n".join(out).strip("\n")


def line_text(line: Line) -> str:
    """One line as indented text; further lines of its words stand deeper."""
    if line.weight == "heading":
        return INDENT + flat(f"{line.label} {line.words}".strip())
    label, value, words = flat(line.label), flat(line.value), clean(line.words)
    head = f"{label}: {value}".strip(": ") if label and value else label or value
    between = ": " if label and not value else "; "
    joined = f"{head}{between}{words}" if head and words else head or words
    first, *rest = joined.split("\n")
    start = "!! " if line.weight == "flag" else ""
    deeper = INDENT * 3
    return "\n".join([INDENT + start + first, *(deeper + more for more in rest)])


def rule_under(title: str, stroke: str) -> str:
    """A heading with a stroke under it."""
    one_line = flat(title)
    return f"{one_line}\n{stroke * min(len(one_line), 72)}"


def flat(text: str) -> str:
    """Text on one line."""
    return " ".join(clean(text).split())
