"""Write docs/reference from the chapters: python -m tests.spec.write"""

from __future__ import annotations

from pathlib import Path

from tests.spec.book import BOOK
from tests.spec.chapters import Chapter
from tests.spec.screen_list import screen_list

REFERENCE = Path(__file__).parents[2] / "docs" / "reference"


def page(chapter: Chapter) -> str:
    """The chapter as Markdown."""
    lines = [
        f"# {chapter.title}",
        "",
        chapter.text,
        "",
        "| " + " | ".join(chapter.columns) + " |",
        "| " + " | ".join("---" for _ in chapter.columns) + " |",
        *("| " + " | ".join((*case.given, f"**{case.expected}**")) + " |" for case in chapter.cases),
        "",
        "*Every line is a test (`tests/spec/book.py`); this page is written from them.*",
        "",
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    REFERENCE.mkdir(parents=True, exist_ok=True)
    for chapter in BOOK:
        (REFERENCE / f"{chapter.name}.md").write_text(page(chapter), encoding="utf-8")
    (REFERENCE / "safety-screens.md").write_text(screen_list(), encoding="utf-8")
