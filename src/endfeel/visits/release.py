"""A release of what figures stand on: tables, catalogue, edition, dependence and costs, as values and as files.

Public: Release, shipped_release, read_release, kept_release, is_safety, with_safety_of, under.

A release that was kept can be had again from its files years later. Safety is never taken from it: screens,
precautions, the base examination, and what speaks against doing a finding are always those of today (`with_safety_of`),
since a caution that was learnt since holds for the patient who is back today.
"""

from __future__ import annotations

import tempfile
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path, PurePosixPath
from types import MappingProxyType
from typing import Any

import endfeel
from endfeel.belief.dependence import Dependence, read_dependence, shipped_dependence
from endfeel.catalogue import Catalogue, load_catalogue
from endfeel.catalogue.entries import Finding, HandsOn
from endfeel.catalogue.regions import RegionCatalogue
from endfeel.evidence import EvidenceBase, load_evidence
from endfeel.planning.costs import Costs, default_costs
from endfeel.pooling.edition import Edition, load_edition

ROOT = Path(endfeel.__file__).parent
FOLDERS = ("evidence", "catalogue", "belief", "planning")
EDITION = "pooling/data/edition.npz"
DEPENDENCE = "belief/dependence.toml"
COSTS = "planning/costs.toml"

IN_BASIS, EDITION_IN_BASIS = "release/", "edition/"
"""What the names of a basis' contents begin with: its tables, and the parts of its edition."""


@dataclass(frozen=True)
class Release:
    """What figures stand on before a clinic changes anything.

    costs: by region. files: every table as text, by its name ("evidence/knee/accuracy.csv"); the edition is not among
    them, since it can be taken apart (pooling.edition_parts).
    """

    evidence: EvidenceBase
    edition: Edition
    catalogue: Catalogue
    dependence: Dependence
    costs: Mapping[str, Costs]
    files: Mapping[str, bytes]


@cache
def shipped_release() -> Release:
    """The release that comes with the program (read once a process)."""
    catalogue = load_catalogue()
    return Release(
        load_evidence(), load_edition(), catalogue, shipped_dependence(), _costs(catalogue, None), _files(ROOT)
    )


def read_release(root: Path) -> Release:
    """A release in a folder laid out as the package is: evidence/data, catalogue/data, belief/data and so on.

    Raises EvidenceError, CatalogueError, EditionError or BeliefError where a table is at fault.
    """
    evidence = load_evidence(root / "evidence" / "data")
    catalogue = load_catalogue(root / "catalogue" / "data", evidence)
    files = _files(root)
    return Release(
        evidence,
        load_edition(root / EDITION),
        catalogue,
        read_dependence(root / "belief" / "data" / "dependence.toml"),
        _costs(catalogue, files.get(COSTS)),
        files,
    )


def kept_release(files: Mapping[str, bytes], edition: Edition, today: Release) -> Release:
    """An earlier release from its files, with today's safety.

    Raises EvidenceError, CatalogueError, BeliefError, CostError or OSError where today's program can not read them.
    """
    if files == today.files:
        return replace(today, edition=edition)
    current = {name: content for name, content in today.files.items() if is_safety(name)}
    with tempfile.TemporaryDirectory(prefix="endfeel-release-") as folder:
        root = Path(folder)
        for name, content in {**{n: c for n, c in files.items() if not is_safety(n)}, **current}.items():
            place = root / _inside(name)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)
        evidence = load_evidence(root / "evidence", kept=True)
        catalogue = load_catalogue(root / "catalogue", evidence, kept=True)
        dependence = read_dependence(root / DEPENDENCE)
    costs = _costs(catalogue, files.get(COSTS))
    return Release(evidence, edition, with_safety_of(today.catalogue, catalogue), dependence, costs, files)


def under(contents: Mapping[str, bytes], start: str) -> dict[str, bytes]:
    """Those contents whose names begin so, by the rest of their names."""
    return {name.removeprefix(start): content for name, content in contents.items() if name.startswith(start)}


def is_safety(name: str) -> bool:
    """Whether a file is one of those that are always read as they are today: screens, precautions, base examination."""
    path = PurePosixPath(name)
    return path.parts[0] == "catalogue" and path.name in ("screens.toml", "precautions.toml", "base.toml")


def with_safety_of(today: Catalogue, kept: Catalogue) -> Catalogue:
    """A kept catalogue with today's screens and precautions, and with what today speaks against doing a finding.

    A finding that the catalogue has no more is withheld from everybody for whom any precaution holds.
    """
    regions = {
        name: replace(
            region,
            findings=MappingProxyType({f: _safe(today, name, entry) for f, entry in region.findings.items()}),
            neighbours=_base(today, region).neighbours,
            cards=_base(today, region).cards,
        )
        for name, region in kept.regions.items()
    }
    return replace(kept, regions=MappingProxyType(regions), screens=today.screens, precautions=today.precautions)


def _safe(today: Catalogue, region: str, entry: Finding) -> Finding:
    if not isinstance(entry, HandsOn):
        return entry
    now = today.regions[region].findings.get(entry.id) if region in today.regions else None
    if isinstance(now, HandsOn):
        safe = {name: getattr(now, name) for name in ("never_if", "stop_if", "first", "intimate")}
        return entry.model_copy(update=safe)
    gone = dict.fromkeys(today.precautions, "the catalogue has this finding no more; leave it out")
    return entry.model_copy(update={"never_if": gone})


def _base(today: Catalogue, kept: RegionCatalogue) -> RegionCatalogue:
    return today.regions.get(kept.region, kept)


def _costs(catalogue: Catalogue, table: bytes | None) -> Mapping[str, Costs]:
    kept: Mapping[str, Any] | None = None if table is None else tomllib.loads(table.decode())
    return MappingProxyType(
        {name: default_costs(region, catalogue.modalities, kept) for name, region in catalogue.regions.items()}
    )


def _files(root: Path) -> Mapping[str, bytes]:
    found = {}
    for folder in FOLDERS:
        data = root / folder / "data"
        for path in sorted(data.rglob("*")):
            if path.is_file() and path.suffix in (".csv", ".toml", ".json"):
                found[f"{folder}/{path.relative_to(data).as_posix()}"] = path.read_bytes()
    return MappingProxyType(found)


def _inside(name: str) -> str:
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts:
        raise OSError(f"{name[:80]!r} is no name of a table")
    return str(path)
