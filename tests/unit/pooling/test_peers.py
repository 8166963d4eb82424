"""The maximum likelihood fit against lme4's figures, kept in bench/data; R is not needed."""

from __future__ import annotations

import pytest
from bench.pooling_peers import DATA, likelihood_at, read_peers, read_tables

from endfeel.pooling.likelihood import fit_bivariate

TABLES = read_tables()
PEERS = read_peers(DATA / "peer_lme4.csv")
LARGE = [name for name, counts in TABLES.items() if len(counts) >= 10]
SINGULAR = [name for name, peer in PEERS.items() if peer.singular]


def test_every_table_has_a_peer_and_several_are_large() -> None:
    assert TABLES.keys() == PEERS.keys()
    assert len(LARGE) >= 6 and len(SINGULAR) >= 3


@pytest.mark.parametrize("name", TABLES)
def test_the_likelihood_at_the_peers_estimates_is_the_same(name: str) -> None:
    peer = PEERS[name]
    ours = likelihood_at(TABLES[name], peer.mean, peer.sd, peer.correlation, nodes=1)
    assert ours == pytest.approx(peer.log_likelihood, abs=1e-3)


@pytest.mark.parametrize("name", LARGE)
def test_means_and_spreads_of_large_tables_agree(name: str) -> None:
    fit, peer = fit_bivariate(TABLES[name]), PEERS[name]
    assert fit.mean == pytest.approx(peer.mean, abs=0.02)
    # Nine nodes and Laplace's approximation differ most in the spreads.
    assert fit.sd == pytest.approx(peer.sd, abs=0.03)
    assert fit.correlation == pytest.approx(peer.correlation, abs=0.03)


@pytest.mark.parametrize("name", LARGE)
def test_in_large_tables_the_boundary_is_told_exactly_where_the_peer_is_at_it(name: str) -> None:
    at_edge = abs(PEERS[name].correlation) > 0.999
    assert bool(fit_bivariate(TABLES[name]).boundary) == at_edge


@pytest.mark.parametrize(
    "name",
    [
        "ultrasound-symptomatic",
        "catheter-infection",
        "mcmurray:either for meniscal-tear",
        "capsule-varices",
        "elastography-f3",
    ],
)
def test_with_one_node_the_maximum_is_the_peers(name: str) -> None:
    fit, peer = fit_bivariate(TABLES[name], nodes=1), PEERS[name]
    assert fit.mean == pytest.approx(peer.mean, abs=2e-3)
    assert fit.sd == pytest.approx(peer.sd, abs=5e-3)
    assert fit.log_likelihood == pytest.approx(peer.log_likelihood, abs=1e-3)


@pytest.mark.parametrize("name", SINGULAR)
def test_what_the_peer_calls_singular_is_told_as_a_boundary(name: str) -> None:
    assert fit_bivariate(TABLES[name]).boundary
