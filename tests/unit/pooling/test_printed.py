"""The maximum likelihood fit against results printed for the same tables, each within what its rounding leaves open."""

from __future__ import annotations

import numpy as np
import pytest
from bench.pooling_normal import fit_normal
from bench.pooling_peers import DATA, read_peers, read_tables
from bench.pooling_printed import PrintedResult, end_difference, own_result, point_difference, read_printed

from endfeel.pooling.likelihood import fit_bivariate

TABLES = read_tables()
ALL = read_printed()
EXACT = [p for p in ALL if p.likelihood.startswith("exact")]
AGREEING = [p for p in EXACT if p.agrees != "none"]
WITH_ENDS = [p for p in EXACT if p.agrees == "all" and not np.isnan(p.low).any()]
BY_NORMAL = [p for p in ALL if p.likelihood.startswith("normal")]
DISAGREEING = [p for p in EXACT if p.agrees == "none"]


def _name(printed: PrintedResult) -> str:
    return f"{printed.table}-{printed.likelihood}-{printed.scale}"


def _half_unit(printed: PrintedResult) -> float:
    return float(0.5 * 10.0**-printed.places)


def test_at_least_six_accuracy_tables_are_printed_by_the_exact_model_and_several_are_large() -> None:
    tables = {p.table for p in AGREEING if p.table not in ("bcg-vaccine", "catheter-infection")}
    assert len(tables) >= 6
    assert len([name for name in tables if len(TABLES[name]) >= 10]) >= 4
    assert len(tables) > 10 * len(DISAGREEING)


@pytest.mark.parametrize("printed", AGREEING, ids=_name)
def test_a_printed_point_is_ours_rounded(printed: PrintedResult) -> None:
    ours = own_result(TABLES[printed.table], printed)
    # Half a unit of the last place, and what two optimisers may differ by.
    slack = 1e-3 if printed.scale == "rate" else 1.5e-4 if printed.places > 2 else 1e-3
    assert point_difference(printed, ours) < _half_unit(printed) + slack


@pytest.mark.parametrize("printed", WITH_ENDS, ids=_name)
def test_a_printed_interval_is_ours_rounded(printed: PrintedResult) -> None:
    ours = own_result(TABLES[printed.table], printed)
    # Second derivatives are taken by differences, ours and theirs.
    assert end_difference(printed, ours) < _half_unit(printed) + 1.2e-3


@pytest.mark.parametrize("printed", BY_NORMAL, ids=_name)
def test_what_was_printed_by_the_normal_approximation_is_met_by_that_approximation(printed: PrintedResult) -> None:
    # Also a check of every count: one wrong cell moves this by far more.
    ours = own_result(TABLES[printed.table], printed)
    assert point_difference(printed, ours) < _half_unit(printed) + 1e-8


@pytest.mark.parametrize("printed", [p for p in AGREEING if p.likelihood == "exact"], ids=_name)
def test_the_exact_fit_is_nearer_to_what_was_printed_than_the_approximation(printed: PrintedResult) -> None:
    approximate, _, _ = fit_normal(TABLES[printed.table], half=True, restricted=True)
    if printed.scale == "rate":
        approximate = 1 / (1 + np.exp(-approximate))
    near = point_difference(printed, own_result(TABLES[printed.table], printed))
    assert near < np.abs(approximate - printed.mean).max()


@pytest.mark.parametrize("printed", [p for p in ALL if not np.isnan(p.sd).any()], ids=_name)
def test_printed_spreads_and_correlation_are_met(printed: PrintedResult) -> None:
    ours = own_result(TABLES[printed.table], printed)
    # Printed as variances.
    assert ours.sd**2 == pytest.approx(printed.sd**2, abs=_half_unit(printed) + 2e-3)
    if not np.isnan(printed.correlation):
        assert ours.correlation == pytest.approx(printed.correlation, abs=1e-3)


@pytest.mark.parametrize("printed", DISAGREEING, ids=_name)
def test_where_a_printed_result_is_not_met_a_peer_has_our_maximum(printed: PrintedResult) -> None:
    fit, peer = fit_bivariate(TABLES[printed.table], nodes=1), read_peers(DATA / "peer_lme4.csv")[printed.table]
    assert point_difference(printed, own_result(TABLES[printed.table], printed)) > _half_unit(printed) + 1e-2
    assert fit.mean == pytest.approx(peer.mean, abs=1e-4)
    assert fit.log_likelihood == pytest.approx(peer.log_likelihood, abs=1e-4)


def test_an_empty_cell_is_refused_by_the_bare_approximation() -> None:
    with pytest.raises(ValueError, match="above 0"):
        fit_normal(TABLES["capsule-varices"], half=False, restricted=False)
