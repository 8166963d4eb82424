"""An edition with a clinic's own studies: only touched pairs move, the id follows from the content, nothing is slow."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pytest

from endfeel.evidence import load_evidence
from endfeel.evidence.overlay import Overlay, OwnStudy, overlaid
from endfeel.pooling import load_edition, pool
from endfeel.pooling.own import OwnEdition, OwnEditions

sys.path.insert(0, str(Path(__file__).parents[1] / "evidence"))
from own_studies import counts, own, rates, study_row

BASE, EDITION = load_evidence(), load_edition()
ACL = ("lachman", "acl-tear")


def _with(overlay: Overlay, editions: OwnEditions | None = None) -> OwnEdition:
    return (editions or OwnEditions(EDITION, BASE)).of(overlaid(BASE, overlay), overlay.fingerprint)


def test_without_own_studies_it_is_the_edition_itself() -> None:
    found = _with(Overlay())
    assert found.edition is EDITION and found.moved == () and found.held == ()


def test_only_the_touched_pair_moves_and_towards_the_new_study() -> None:
    strong = _with(Overlay().with_study(own(counts(95, 2, 5, 198))))
    poor = _with(Overlay().with_study(own(counts(30, 120, 70, 80))))
    same = [i for i, pair in enumerate(EDITION.pairs) if pair != ACL]
    assert strong.moved == (ACL,)
    assert np.array_equal(strong.edition.mu[:, same], EDITION.mu[:, same])
    before = pool(EDITION, BASE, *ACL).lr_positive.mean
    assert pool(poor.edition, poor.evidence, *ACL).lr_positive.mean < before
    assert before < pool(strong.edition, strong.evidence, *ACL).lr_positive.mean
    assert pool(strong.edition, strong.evidence, *ACL).k == pool(EDITION, BASE, *ACL).k + 1


def test_the_id_follows_from_the_content_alone() -> None:
    one = _with(Overlay().with_study(own(counts(line=7), line=3)))
    two = _with(Overlay().with_study(own(counts())))
    other = _with(Overlay().with_study(own(counts(tp=31))))
    assert one.edition.id == two.edition.id != other.edition.id
    assert one.edition.meta["based_on"] == EDITION.id and one.edition.id != EDITION.id


def test_taking_a_study_out_again_gives_the_shipped_figures_back() -> None:
    overlay = Overlay().with_study(own()).with_retired("ref-own-2025", "mistaken")
    found = _with(overlay)
    assert found.moved == () and found.edition is EDITION


def test_a_pair_that_nobody_had_studied_is_pooled_from_its_first_study() -> None:
    found = _with(Overlay().with_study(own(counts(condition="pcl-tear"))))
    assert ("lachman", "pcl-tear") not in EDITION.pair_index
    new = pool(found.edition, found.evidence, "lachman", "pcl-tear")
    assert new.k == 1 and new.n == 111
    assert new.predictive.sensitivity.low < new.pooled.sensitivity.low < new.pooled.sensitivity.high


def test_a_pair_whose_last_study_is_retired_has_no_line_left() -> None:
    pair = next(p for p in BASE.pairs("hip") if len(BASE.accuracy_of(*p)) == 1 and not BASE.rates_of(*p))
    study = BASE.accuracy_of(*pair)[0].study_id
    found = _with(Overlay().with_retired(study, "mistaken"))
    assert pair in found.moved and pair not in found.refits
    assert pair not in found.evidence.pairs()


def test_rates_lines_count_and_impossible_ones_are_refused_in_one_line() -> None:
    study = OwnStudy("ref-own-2025", study_row(), (), (rates(0.8, 0.9, 100),))
    found = _with(Overlay().with_study(study))
    assert found.moved == (ACL,) and pool(found.edition, found.evidence, *ACL).k == pool(EDITION, BASE, *ACL).k + 1
    odd = OwnStudy("ref-own-2025", study_row(), (), (rates(0.333, 0.111, 5),))
    with pytest.raises(ValueError, match="no split of 5 people") as caught:
        _with(Overlay().with_study(odd))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("cells", [(0, 0, 1, 1), (1, 1, 0, 0), (10**9, 1, 1, 10**9), (2**40, 2**40, 2**40, 2**40)])
def test_extreme_counts_give_finite_figures(cells: tuple[int, int, int, int]) -> None:
    found = _with(Overlay().with_study(own(counts(*cells))))
    figures = pool(found.edition, found.evidence, *ACL)
    for interval in (figures.lr_positive, figures.lr_negative, *vars(figures.predictive).values()):
        assert all(np.isfinite([interval.mean, interval.low, interval.high])), cells


def test_a_refit_is_worked_out_once_and_fast() -> None:
    editions = OwnEditions(EDITION, BASE)
    overlay = Overlay().with_study(own(counts(), counts(condition="pcl-tear")))
    start = time.process_time()
    first = _with(overlay, editions)
    spent = time.process_time() - start
    assert len(first.refits) == 2 and spent < 2.0, "well under a second for each pair"
    again = _with(overlay.with_study(own(counts(study_id="ref-other", observable="anterior-drawer"),
                                         study_id="ref-other")), editions)  # fmt: skip
    assert again.refits[ACL] is first.refits[ACL]
