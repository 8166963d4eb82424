"""Editions on disk: the same figures back, or one clear line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from endfeel.pooling.edition import Edition, EditionError, UnknownPairError, load_edition, make_edition, save_edition


def small(mean: float = 0.5, draws: int = 4000) -> Edition:
    rng = np.random.default_rng(0)
    eye = np.broadcast_to(np.eye(2), (draws, 2, 2))
    return make_edition(
        pairs=(("knee-pull", "band-tear"),),
        kinds=("laxity", "history"),
        conditions=("band-tear",),
        studies=(("ref-invented-1", "band-tear"),),
        arrays={
            "mu": mean + 0.1 * rng.standard_normal((draws, 1, 2)),
            "sigma_study": 0.25 * eye,
            "sigma_rest": 0.16 * eye,
            "kind_mean": np.tile([[0.5, 1.0], [0.0, 0.2]], (draws, 1, 1)),
            "condition_effect": np.full((draws, 1, 2), 0.3),
            "condition_sd": np.tile([0.4, 0.5], (draws, 1)),
            "pair_sd": np.tile([0.8, 0.6], (draws, 1)),
            "pair_correlation": np.full(draws, -0.5),
            "study_effect": np.zeros((draws, 1, 2)),
            "design_effect": np.zeros((draws, 3)),
        },
        meta={"seed": 1, "left_out": [["ref-invented-2", "knee-press"]]},
    )


def test_what_was_saved_comes_back(tmp_path: Path) -> None:
    edition = small()
    save_edition(edition, tmp_path / "edition.npz")
    again = load_edition(tmp_path / "edition.npz")
    assert again.id == edition.id
    assert (again.pairs, again.kinds, again.studies, dict(again.meta)) == (
        edition.pairs, edition.kinds, edition.studies, dict(edition.meta),
    )  # fmt: skip
    assert np.array_equal(again.mu, edition.mu)
    assert again.left_out == {("ref-invented-2", "knee-press")}


def test_the_id_follows_the_content() -> None:
    assert small(0.5).id == small(0.5).id
    assert small(0.5).id != small(0.6).id


def test_a_changed_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "edition.npz"
    save_edition(small(), path)
    with np.load(path) as stored:
        held = dict(stored)
    held["mu"] = held["mu"] + 1
    np.savez_compressed(path, **held)
    with pytest.raises(EditionError, match="undamaged copy"):
        load_edition(path)


@pytest.mark.parametrize("content", [b"", b"tp,fp,fn,tn\n", b"PK\x03\x04 half a file"])
def test_what_is_no_edition_is_refused_in_one_line(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "edition.npz"
    path.write_bytes(content)
    with pytest.raises(EditionError) as refused:
        load_edition(path)
    assert "\n" not in str(refused.value)
    assert str(path) in str(refused.value)


def test_a_missing_file_and_missing_parts_are_told(tmp_path: Path) -> None:
    with pytest.raises(EditionError, match="no such edition"):
        load_edition(tmp_path / "none.npz")
    np.savez_compressed(tmp_path / "part.npz", mu=np.zeros((1, 1, 2)))
    with pytest.raises(EditionError, match="not an edition"):
        load_edition(tmp_path / "part.npz")


def test_a_fit_that_failed_makes_no_edition() -> None:
    with pytest.raises(EditionError, match="not all finite"):
        small(float("nan"))


def test_an_unknown_pair_is_told_in_one_clear_line() -> None:
    edition = small()
    with pytest.raises(UnknownPairError, match="was studied for band-tear"):
        edition.pair("knee-pull", "pad-tear")
    with pytest.raises(KeyError) as refused:
        edition.pair("knee-poke", "band-tear")
    assert str(refused.value).endswith("no study measured that observable")
    with pytest.raises(UnknownPairError, match="the kinds are laxity, history"):
        edition.new_pair("magic", "band-tear", np.random.default_rng(1))


def test_a_new_pair_has_the_mean_and_spread_of_its_kind_and_condition() -> None:
    edition = small()
    known = edition.new_pair("laxity", "band-tear", np.random.default_rng(1))
    assert known.mean(axis=0) == pytest.approx([0.8, 1.3], abs=0.05)
    assert known.std(axis=0) == pytest.approx([0.8, 0.6], abs=0.04)
    assert np.corrcoef(known.T)[0, 1] == pytest.approx(-0.5, abs=0.06)
    unknown = edition.new_pair("history", "pad-tear", np.random.default_rng(1))
    assert unknown.mean(axis=0) == pytest.approx([0.0, 0.2], abs=0.06)
    assert unknown.std(axis=0) == pytest.approx([np.hypot(0.8, 0.4), np.hypot(0.6, 0.5)], abs=0.05)


def test_the_shipped_edition_converged() -> None:
    edition = load_edition()
    diagnostics = edition.meta["diagnostics"]
    assert diagnostics["r_hat_max"] < 1.01
    assert diagnostics["effective_size_min"] > 400
    assert diagnostics["divergences"] == 0
    assert min(diagnostics["energy_bfmi"]) > 0.3
    assert (np.linalg.eigvalsh(edition.sigma_pair) > 0).all()
