"""A clinic's own studies over the shipped tables: same rows, same checks, nothing laid over half, nothing forgotten."""

from __future__ import annotations

import csv
import datetime as dt
import json
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from endfeel.evidence import EvidenceError, load_evidence
from endfeel.evidence.load import SHIPPED
from endfeel.evidence.overlay import Overlay, OwnStudy, doubtful, moved_pairs, overlaid, overlay_json, read_own
from endfeel.evidence.own_csv import columns_of, read_own_tables, write_own
from endfeel.evidence.own_log import OwnLog, log_json, read_log

sys.path.insert(0, str(Path(__file__).parent))
from own_studies import counts, own, rates, study_row

BASE = load_evidence()
NOW = dt.datetime(2026, 3, 1, 9, 30, tzinfo=dt.UTC)


def _refused(overlay: Overlay) -> str:
    with pytest.raises(EvidenceError) as caught:
        overlaid(BASE, overlay)
    return " | ".join(str(f) for f in caught.value.faults)


def test_an_empty_overlay_changes_nothing() -> None:
    assert overlaid(BASE, Overlay()) is BASE


def test_an_added_study_stands_beside_the_shipped_ones() -> None:
    after = overlaid(BASE, Overlay().with_study(own()))
    assert after.studies["ref-own-2025"].year == 2025
    assert len(after.accuracy_of("lachman", "acl-tear")) == len(BASE.accuracy_of("lachman", "acl-tear")) + 1
    assert after.fingerprint != BASE.fingerprint
    assert moved_pairs(BASE, after) == (("lachman", "acl-tear"),)
    assert len(BASE.studies) == 264, "the shipped tables are not touched"


def test_a_line_may_be_added_to_a_study_that_the_tables_describe() -> None:
    study_id = "pmid-31281835"
    line = counts(study_id=study_id, observable="lever-sign", condition="pcl-tear")
    after = overlaid(BASE, Overlay().with_study(OwnStudy(study_id, None, (line,))))
    assert moved_pairs(BASE, after) == (("lever-sign", "pcl-tear"),)


def test_a_retired_study_counts_no_longer_and_comes_back() -> None:
    retired = Overlay().with_retired("pmid-31281835", "children only")
    after = overlaid(BASE, retired)
    gone = {(r.observable_id, r.condition_id) for r in BASE.accuracy if r.study_id == "pmid-31281835"}
    assert gone and set(moved_pairs(BASE, after)) == gone
    assert all(r.study_id != "pmid-31281835" for r in after.accuracy)
    assert overlaid(BASE, retired.with_restored("pmid-31281835")) is BASE
    with pytest.raises(ValueError, match="say why"):
        Overlay().with_retired("pmid-31281835", "  ")


def test_counts_must_agree_with_printed_rates() -> None:
    said = _refused(Overlay().with_study(own(counts(sens_printed=0.6))))
    assert "own studies, knee/accuracy.csv: sens_printed: printed sensitivity 0.6, the counts give 0.833" in said


def test_nobody_in_a_group_an_unknown_finding_and_an_unknown_condition_are_refused() -> None:
    assert "a line needs people with and people without" in _refused(Overlay().with_study(own(counts(tp=0, fn=0))))
    assert "finding sneeze is not in" in _refused(Overlay().with_study(own(counts(observable="sneeze"))))
    assert "acl-teer is no condition of knee" in _refused(Overlay().with_study(own(counts(condition="acl-teer"))))


def test_the_same_paper_under_another_id_is_refused_until_the_first_is_retired() -> None:
    twice = Overlay().with_study(own(pmid="31281835"))
    assert "this paper stands there already, as pmid-31281835" in _refused(twice)
    assert overlaid(BASE, twice.with_retired("pmid-31281835", "read anew")).studies["ref-own-2025"].pmid == "31281835"
    doi = next(s.doi for s in BASE.studies.values() if s.doi)
    assert "stands there already" in _refused(Overlay().with_study(own(doi=doi.upper())))


def test_the_same_line_twice_and_more_people_than_the_study_had_are_refused() -> None:
    assert "stands in line" in _refused(Overlay().with_study(own(counts(), counts())))
    assert "the study has 20" in _refused(Overlay().with_study(own(n_total="20")))
    assert "has no line" in _refused(Overlay().with_study(OwnStudy("ref-own-2025", study_row())))


def test_rates_beside_counts_of_the_same_reading_are_refused() -> None:
    both = OwnStudy("ref-own-2025", study_row(), (counts(),), (rates(0.8, 0.9, 100),))
    assert "keep the counts" in _refused(Overlay().with_study(both))


def test_retiring_an_unknown_study_is_refused() -> None:
    assert "there is no study ref-nobody to retire" in _refused(Overlay().with_retired("ref-nobody", "x"))


def test_doubtful_lines_are_told_but_not_refused() -> None:
    other = BASE.accuracy_of("lachman", "acl-tear")[0]
    same = own(counts(other.tp, other.fp, other.fn, other.tn))
    assert any("same four counts" in line for line in doubtful(BASE, same))
    assert any("columns swapped" in line for line in doubtful(BASE, own(counts(5, 60, 30, 6))))
    assert doubtful(BASE, own()) == ()


def test_rows_of_two_studies_do_not_mix() -> None:
    with pytest.raises(ValueError, match="holds rows of ref-other"):
        OwnStudy("ref-own-2025", study_row(), (counts(study_id="ref-other"),))


def test_the_columns_are_those_of_the_shipped_tables() -> None:
    for name in ("studies.csv", "accuracy.csv", "rates.csv"):
        with (SHIPPED / "knee" / name).open(encoding="utf-8") as handle:
            assert columns_of(name) == ("region", *next(csv.reader(handle)))


def test_csv_comes_back_as_it_went_with_and_without_the_region_column() -> None:
    overlay = Overlay().with_study(own(citation='Quoted "word", and a comma', doi="10.1000/x", age_mean="31.5"))
    tables = write_own(overlay)
    (back,) = read_own_tables(tables)
    assert overlay_json(Overlay().with_study(back)) == overlay_json(overlay)
    bare = {
        name: "\n".join(line.partition(",")[2] for line in text.splitlines()) + "\n" for name, text in tables.items()
    }
    (back,) = read_own_tables(bare, region="knee")
    assert overlay_json(Overlay().with_study(back)) == overlay_json(overlay)
    with pytest.raises(EvidenceError, match="no region chosen"):
        read_own_tables(bare)


def test_a_csv_with_a_bad_line_names_it_and_nothing_is_taken() -> None:
    text = write_own(Overlay().with_study(own()))["accuracy.csv"].replace(",30,5,6,70,", ",30,-5,6,70,")
    with pytest.raises(EvidenceError, match=r"accuracy\.csv:2: fp: '-5'"):
        read_own_tables({"accuracy.csv": text})
    with pytest.raises(EvidenceError, match="no line in the tables"):
        read_own_tables({"accuracy.csv": text.splitlines()[0] + "\n"})
    with pytest.raises(EvidenceError, match="no table of that name"):
        read_own_tables({"notes.csv": "x"})


def test_the_history_keeps_who_what_and_when_and_gives_every_earlier_state() -> None:
    log = OwnLog().with_change(NOW, "ab", "add", "ref-own-2025", own())
    edited = own(counts(tp=25, fn=11))
    log = log.with_change(NOW, "cd", "edit", "ref-own-2025", edited, "read anew")
    log = log.with_change(NOW, "ab", "retire", "ref-own-2025", why="withdrawn by its authors").with_edition("abc")
    assert log.overlay(0).empty
    assert log.overlay(1).own["ref-own-2025"] == own()
    assert log.changes[1].before == own() and log.changes[1].by == "cd"
    assert log.overlay().retired == {"ref-own-2025": "withdrawn by its authors"}
    assert log.number_of_edition("abc") == 3 and log.number_of_edition("xyz") is None
    kept = read_log(json.loads(json.dumps(log_json(log))))
    assert kept == log and kept.overlay().fingerprint == log.overlay().fingerprint


@pytest.mark.parametrize(
    ("act", "study_id", "said"),
    [
        ("add", "ref-own-2025", "already among your own"),
        ("edit", "ref-other", "is none of your own"),
        ("restore", "ref-own-2025", "is not retired"),
        ("retire", "ref-own-2025", "say why"),
    ],
)
def test_changes_that_can_not_be_made_are_refused(act: str, study_id: str, said: str) -> None:
    log = OwnLog().with_change(NOW, "ab", "add", "ref-own-2025", own())
    with pytest.raises(EvidenceError, match=said):
        log.with_change(NOW, "ab", act, study_id, own() if act != "retire" else None)  # type: ignore[arg-type]


def test_a_damaged_history_is_one_clear_line() -> None:
    held = log_json(OwnLog().with_change(NOW, "ab", "add", "ref-own-2025", own()))
    held["changes"][0]["study"]["accuracy"][0]["tp"] = -4
    with pytest.raises(EvidenceError, match="can not be read") as caught:
        read_log(held)
    assert "\n" not in str(caught.value)
    with pytest.raises(EvidenceError, match="restore a backup"):
        read_log({"changes": [{"act": "burn"}]})
    assert read_own(json.loads(json.dumps(overlay_json(Overlay().with_study(own()))))["own"][0]) == replace(own())
