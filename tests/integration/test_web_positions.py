"""Tests that compare two positions: both are asked for, in two taps, and the result follows from them."""

from __future__ import annotations

from web_server import Person

from endfeel.catalogue import load_catalogue
from endfeel.web.positions_view import asked


def test_a_test_of_two_positions_asks_for_both(person: Person) -> None:
    path = person.visit(region="shoulder", side="right")
    person.done(f"{path}/record", observable="relocation-test:fear", result="positive")
    assert person.json(f"{path}/bench")["last_link"] == "Note both positions"
    both = [q["name"] for q in person.json(f"{path}/findings/relocation-test:fear")["both"]]
    assert both == ["fear.free", "fear.steadied"]
    seq = person.json(f"{path}/findings/relocation-test:fear")["recorded"]["seq"]
    one = {"o:fear.free": "clear"}
    assert (
        "One position is still missing"
        in person.done(f"{path}/criterion", observable="relocation-test:fear", **one).text
    )
    person.done(f"{path}/record", observable="relocation-test:fear", seq=seq, **one, **{"o:fear.steadied": "none"})
    bench = person.json(f"{path}/bench")
    assert bench["last_link"] == "Add what was seen"
    assert "positive" in bench["last"], "the result follows from both positions"
    again = person.json(f"{path}/findings/relocation-test:fear")
    assert again["noted"] == {"fear.free": "clear", "fear.steadied": "none"}


def test_a_comparison_says_that_both_positions_were_done(person: Person) -> None:
    path = person.visit(region="hip", side="right")
    test = "foot-progression-angle-walking-internal"
    one = {"o:change": "same"}
    assert "unclear" in person.done(f"{path}/criterion", observable=test, **one).text
    both = one | {"o:pain.usual": "2"}
    assert "negative" in person.done(f"{path}/criterion", observable=test, **both).text
    person.done(f"{path}/record", observable=test, **both)
    assert person.json(f"{path}/findings/{test}")["recorded"]["result"] == "negative"


def test_every_test_of_two_positions_is_answered_in_two_taps(person: Person) -> None:
    catalogue = load_catalogue()
    compared = 0
    for region in catalogue.regions.values():
        for finding in region.findings.values():
            for observable in finding.observables():
                questions = asked(finding, observable)
                if not getattr(finding, "positions", ()):
                    assert questions == ()
                    continue
                compared += 1
                assert len(questions) == 2 and all(len(q.answers) > 1 for q in questions), observable
                assert not any(a.settles for a in questions[1].answers), observable
    assert compared >= 13
