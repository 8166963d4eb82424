"""Charts: valid specifications whatever the studies, words that name them, the shipped typeface on page and paper."""

from __future__ import annotations

import pytest

from endfeel.documents.charts import (
    MOST_LINES,
    ForestLine,
    as_altair,
    chart_pdf,
    chart_png,
    chart_svg,
    forest_chart,
    forest_words,
    roc_chart,
    short_citation,
)
from endfeel.evidence import load_evidence
from endfeel.pooling import load_edition, pool
from endfeel.pooling.picture import pair_picture
from endfeel.pooling.summary import Interval

BASE, EDITION = load_evidence(), load_edition()
HALF = Interval(0.5, 0.4, 0.6)


@pytest.mark.parametrize(
    ("citation", "label"),
    [
        ("Gurpinar et al., Biomed Res Int 2019;2019:3639693", "Gurpinar 2019"),
        ("Calis M et al., Ann Rheum Dis, 2000;59:44-47", "Calis 2019"),
        ("Juel NG, Natvig B, BMC Musculoskelet Disord, 2014;15:89", "Juel 2019"),
        ("Sae-Jung S et al., J Orthop Surg", "Sae-Jung 2019"),
        ("A modified anterior drawer test for ligament ruptures, J Orthop 2021", "A modified… 2019"),
        ("Own", "Own 2019"),
    ],
)
def test_studies_are_called_by_first_author_and_year(citation: str, label: str) -> None:
    assert short_citation(citation, 2019) == label


def test_every_citation_of_the_tables_gives_a_short_name() -> None:
    for study in BASE.studies.values():
        label = short_citation(study.citation, study.year)
        assert label.endswith(f" {study.year}") and 6 <= len(label) <= 45, label


@pytest.mark.parametrize(
    ("pair", "room", "width"),
    [
        (("mcmurray:medial", "meniscal-tear-medial"), "light", "wide"),
        (("lachman", "acl-tear"), "dark", "narrow"),
        (BASE.pairs("hip")[0], "paper", "wide"),
    ],
)
def test_specifications_are_valid_for_one_and_for_many_studies(pair: tuple[str, str], room: str, width: str) -> None:
    picture = pair_picture(EDITION, BASE, pool(EDITION, BASE, *pair))
    as_altair(forest_chart(forest_words(picture), room, width))  # type: ignore[arg-type]
    as_altair(roc_chart(picture, room, width))  # type: ignore[arg-type]


def test_the_words_of_a_chart_stand_in_its_svg() -> None:
    picture = pair_picture(EDITION, BASE, pool(EDITION, BASE, "lachman", "acl-tear"))
    svg = chart_svg(forest_chart(forest_words(picture, dict(BASE.studies))), "@font-face{}")
    for said in (
        "Sensitivity",
        "Specificity",
        "Gurpinar 2019",
        "62 with, 16 without",
        "A new clinic",
        "Average clinic",
    ):
        assert said in svg
    assert svg.count("<style>@font-face{}</style>") == 1
    assert "Atkinson Hyperlegible" in svg and "NaN" not in svg and "undefined" not in svg
    roc = chart_svg(roc_chart(picture))
    assert "a new clinic" in roc and "average clinic" in roc


def test_on_paper_the_shipped_typeface_is_embedded() -> None:
    picture = pair_picture(EDITION, BASE, pool(EDITION, BASE, "lachman", "acl-tear"))
    pdf = chart_pdf(roc_chart(picture, "paper"))
    assert pdf.startswith(b"%PDF") and b"AtkinsonHyperlegible" in pdf
    assert chart_png(roc_chart(picture, "paper"), scale=1).startswith(b"\x89PNG")


def test_ten_thousand_studies_are_drawn_as_the_largest_ones_and_the_chart_says_so() -> None:
    lines = [ForestLine(f"Study {n}", "", HALF, HALF, 10_000 - n, "study") for n in range(10_000)]
    lines += [ForestLine("Average clinic", "", HALF, HALF, None, "average")]
    svg = chart_svg(forest_chart(lines))
    assert f"Sensitivity, the {MOST_LINES} largest of 10000" in svg
    assert f">Study {MOST_LINES - 1}<" in svg and f">Study {MOST_LINES}<" not in svg and ">Average clinic<" in svg


def test_rates_of_0_and_1_and_a_single_person_draw() -> None:
    edge = [
        ForestLine("All", "1 with, 1 without", Interval(1, 0.2, 1), Interval(0, 0, 0.8), 2, "study"),
        ForestLine("Rates", "9 people", Interval(1, 1, 1), Interval(0, 0, 0), 9, "study", rates_only=True),
        ForestLine("Out", "", HALF, HALF, 3, "left-out"),
        ForestLine("A new clinic", "to expect", Interval(0.5, 0, 1), Interval(0.5, 0, 1), None, "expected"),
    ]
    for width in ("wide", "narrow"):
        assert "NaN" not in chart_svg(forest_chart(edge, "light", width))  # type: ignore[arg-type]
