"""Each case of the specification holds, and the reference pages say the same."""

from __future__ import annotations

import pytest
from tests.spec.book import BOOK
from tests.spec.chapters import Case, Chapter, said
from tests.spec.screen_list import screen_list
from tests.spec.write import REFERENCE, page


@pytest.mark.parametrize(
    "case", [pytest.param(case, id=f"{chapter.name}-{i}") for chapter in BOOK for i, case in enumerate(chapter.cases)]
)
def test_case(case: Case) -> None:
    assert said(case.work_out()) == case.expected, case.given


@pytest.mark.parametrize("chapter", BOOK, ids=lambda c: c.name)
def test_the_reference_page_is_written_from_the_cases(chapter: Chapter) -> None:
    written = (REFERENCE / f"{chapter.name}.md").read_text(encoding="utf-8")
    assert written == page(chapter), "run python -m tests.spec.write"


def test_the_list_of_screens_is_written_from_the_catalogue() -> None:
    written = (REFERENCE / "safety-screens.md").read_text(encoding="utf-8")
    assert written == screen_list(), "run python -m tests.spec.write"
