"""A strategy on one page: nothing of the tree is lost, the shares add up, the words say which way costs more."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace

import pytest

from endfeel.belief import Context
from endfeel.catalogue import load_catalogue
from endfeel.documents.pdf import House
from endfeel.documents.strategy_tree import StrategySheet, strategy_pdf, strategy_sheet
from endfeel.planning.decide import Advice, Decision
from endfeel.planning.strategy import End, Outcome, Step, Strategy

CATALOGUE = load_catalogue()
HOUSE = House("Harbour Street")
ADOPTED = "House protocol, adopted by M."
needs_poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")


def end(reach: float, words: str, stopped: bool = True) -> End:
    advice = Advice("none", "set-aside", 0.1, "", "", words, False)
    return End(reach, Decision(1.0, (advice,), advice, ()), words, stopped)


def step(
    reach: float, name: str, probability: float, positive: Step | End, negative: Step | End, **more: object
) -> Step:
    told = {"position": "supine", "moves": False, "minutes": 1.0, "provocation": 1, "burden": 0.02, **more}
    identifier = name.lower().replace(" ", "-")
    return Step(
        reach=reach, observable=identifier, finding_id=identifier, name=name, probability=probability,
        if_positive=positive, if_negative=negative, **told,  # type: ignore[arg-type]
    )  # fmt: skip


def small(every: Outcome | None = None) -> Strategy:
    second = step(0.75, "Second test", 0.2, end(0.15, "look further: meniscus care"), end(0.6, "set aside", False),
                  position="prone", moves=True)  # fmt: skip
    root = step(1.0, "First test", 0.25, end(0.25, "start care and look again: sprain care"), second)
    own = Outcome("this strategy", 1.75, 1.75, 1.75, 0.75, 0.05, 1.0, 0.0)
    none = Outcome("no examination", 0, 0, 0, 0, 0.0, 2.0, 0.0)
    beside = ((every,) if every else ()) + (none,)
    return Strategy("knee", Context("knee", onset="injury", age=24), "abc", 2, root, own, beside)


def sheet(every: Outcome | None = None) -> StrategySheet:
    return strategy_sheet(small(every), CATALOGUE, under=("A typical patient of 24 years",))


def test_every_node_is_a_line_and_the_ends_take_in_everybody() -> None:
    made = sheet()
    assert [(line.depth, line.kind, line.after) for line in made.lines] == [
        (0, "finding", ""), (1, "end", "positive"), (1, "finding", "negative"),
        (2, "end", "positive"), (2, "end", "negative"),
    ]  # fmt: skip
    assert sum(line.reach for line in made.lines if line.kind == "end") == pytest.approx(1)
    assert [line.leaves for line in made.lines] == [3, 1, 2, 1, 1]
    assert made.lines[2].moves and "provocation" in made.lines[2].detail
    assert made.lines[3].share == "2 in 10"
    assert made.depth == 2 and not made.complete


def test_a_difference_within_its_error_is_not_called_one() -> None:
    close = Outcome("every test", 40, 30, 50, 4, 0.5, 0.7, 0.2)
    far = Outcome("every test", 40, 30, 50, 4, 0.5, 1.2, 0.05)
    assert "Every test: no clear difference (1.20 ± 0.39)." in sheet(close).said
    assert "Every test: 0.65 ± 0.10 more, in 30 minutes." in sheet(far).said
    assert sheet(far).complete


@needs_poppler
def test_paper_holds_the_tree_on_one_page_and_takes_names_as_words() -> None:
    deep: Step | End = end(0.001, "set aside")
    for n in range(4):
        other = step(0.5, f"Test b{n} with a rather long name of its own", 0.5, end(0.1, "set aside"), deep)
        deep = step(0.5, f'Test a{n} #panic("no") *bold*', 0.5, other, deep)
    wide = replace(small(), root=deep, depth=8)
    pdf = strategy_pdf(strategy_sheet(wide, CATALOGUE), HOUSE, adopted=ADOPTED)
    told = subprocess.run(["pdfinfo", "-"], input=pdf, capture_output=True, check=True).stdout.decode()
    assert "Pages:           1" in told
    pdf = strategy_pdf(sheet(), HOUSE, adopted=ADOPTED)
    told = subprocess.run(["pdftotext", "-", "-"], input=pdf, capture_output=True, check=True).stdout.decode()
    text = " ".join(told.split())
    for words in ("First test", "Second test", "the patient moves", "Harbour Street", "House protocol, adopted by M.",
                  "Look further: meniscus care", "does not diagnose", "edition abc"):  # fmt: skip
        assert words in text, words
