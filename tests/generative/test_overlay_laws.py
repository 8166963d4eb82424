"""Laws of a clinic's own studies: order does not matter, CSV and JSON lose nothing, bad rows never half-load."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import sys
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from endfeel.evidence import EvidenceError, load_evidence
from endfeel.evidence.overlay import Overlay, OwnStudy, moved_pairs, overlaid, overlay_json
from endfeel.evidence.own_csv import read_own_tables, write_own
from endfeel.evidence.own_log import OwnLog, log_json, read_log

sys.path.insert(0, str(Path(__file__).parents[1] / "unit" / "evidence"))
from own_studies import counts, study_row

BASE = load_evidence()
PAIRS = [(r.region, r.observable_id, r.condition_id) for r in BASE.accuracy]
WORDS = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), min_size=1, max_size=30).filter(
    str.strip
)
CELL = st.integers(0, 400)


@st.composite
def studies(draw: st.DrawFn, number: int = 0) -> OwnStudy:
    study_id = f"ref-own-{number}"
    chosen = draw(st.lists(st.sampled_from(PAIRS), min_size=1, max_size=4, unique=True))
    lines = tuple(
        counts(
            draw(CELL) + 1, draw(CELL), draw(CELL), draw(CELL) + 1, study_id=study_id, region=region,
            observable=observable, condition=condition, criterion=draw(WORDS), read_at=draw(WORDS),
        )
        for region, observable, condition in chosen
    )  # fmt: skip
    return OwnStudy(study_id, study_row(study_id, region=chosen[0][0], citation=draw(WORDS)), lines)


several = st.integers(1, 4).flatmap(lambda n: st.tuples(*(studies(number=i) for i in range(n))))


@given(several)
@settings(max_examples=40, deadline=None)
def test_only_the_pairs_of_the_added_lines_move_and_taking_them_out_undoes_it(added: tuple[OwnStudy, ...]) -> None:
    overlay = Overlay()
    for study in added:
        overlay = overlay.with_study(study)
    after = overlaid(BASE, overlay)
    touched = {(r.observable_id, r.condition_id) for s in added for r in s.accuracy}
    assert set(moved_pairs(BASE, after)) == touched
    assert len(after.accuracy) == len(BASE.accuracy) + sum(len(s.accuracy) for s in added)
    for study in added:
        overlay = overlay.with_retired(study.study_id, "x")
    assert moved_pairs(BASE, overlaid(BASE, overlay)) == ()
    for study in added:
        overlay = overlay.without_study(study.study_id)
    assert overlaid(BASE, overlay) is BASE


@given(several)
@settings(max_examples=40, deadline=None)
def test_csv_and_json_lose_nothing(added: tuple[OwnStudy, ...]) -> None:
    log, overlay = OwnLog(), Overlay()
    for study in added:
        log = log.with_change(dt.datetime(2026, 1, 1, tzinfo=dt.UTC), "ab", "add", study.study_id, study)
        overlay = overlay.with_study(study)
    assert read_log(json.loads(json.dumps(log_json(log)))).overlay().fingerprint == overlay.fingerprint
    back = Overlay()
    for study in read_own_tables(write_own(overlay)):
        back = back.with_study(study)
    assert overlay_json(back) == overlay_json(overlay)


@given(studies(), st.sampled_from(["tp", "fp", "fn", "tn"]), st.sampled_from(["-1", "1.5", "many", "", "9" * 25]))
@settings(max_examples=40, deadline=None)
def test_a_cell_that_is_no_count_refuses_the_whole_table(study: OwnStudy, column: str, bad: str) -> None:
    text = write_own(Overlay().with_study(study))["accuracy.csv"]
    rows = list(csv.reader(io.StringIO(text)))
    rows[1][rows[0].index(column)] = bad
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    try:
        read_own_tables({"accuracy.csv": out.getvalue()})
    except EvidenceError as error:
        assert any(f.line == 2 and f.column == column for f in error.faults)
    else:
        raise AssertionError("a bad count was taken")
