"""Read the catalogue: every file or none; faults say file, entry and mend."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

from pydantic import ValidationError

from endfeel.catalogue.base_examination import BaseExamination
from endfeel.catalogue.coherence import incoherent
from endfeel.catalogue.conditions import CareGroup, Condition, Modality, Precaution
from endfeel.catalogue.entries import Entry, Finding, HandsOn, HistoryItem, LookFurther
from endfeel.catalogue.regions import Catalogue, RegionCatalogue
from endfeel.catalogue.screens import Screen
from endfeel.evidence.base import REGIONS, EvidenceBase
from endfeel.evidence.load import load_evidence

SHIPPED = Path(__file__).parent / "data"
EntryT = TypeVar("EntryT", bound=Entry)


class CatalogueError(ValueError):
    """The catalogue has faults and was not loaded; `faults` lists all, one line each."""

    def __init__(self, faults: tuple[str, ...]) -> None:
        self.faults = faults
        super().__init__(faults[0] + (f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""))


def load_catalogue(
    directory: Path | None = None, evidence: EvidenceBase | None = None, *, kept: bool = False
) -> Catalogue:
    """The catalogue in a folder; the shipped one where none is given (read once a process).

    kept: one of an earlier release, which passed the checks between files when it was in use. Only its form is looked
    at; a field that is no more is passed over.
    Raises CatalogueError with every fault found, those against the evidence tables included.
    """
    if directory is None and evidence is None:
        return _shipped()
    return _load(directory or SHIPPED, evidence or load_evidence(), kept)


@cache
def _shipped() -> Catalogue:
    return _load(SHIPPED, load_evidence(), kept=False)


def _load(directory: Path, evidence: EvidenceBase, kept: bool) -> Catalogue:
    faults: list[str] = []
    regions = {}
    for region in REGIONS:
        folder = directory / region
        if folder.is_dir() and any(folder.glob("findings-*.toml")):
            regions[region] = _region(folder, faults, kept)
    drafts = Catalogue(
        regions=MappingProxyType(regions),
        precautions=MappingProxyType(_entries(directory / "precautions.toml", Precaution, faults, kept)),
        screens=MappingProxyType(_entries(directory / "screens.toml", Screen, faults, kept)),
        modalities=MappingProxyType(_entries(directory / "modalities.toml", Modality, faults, kept)),
    )
    if not faults and not kept:
        faults += incoherent(drafts, evidence)
    if faults:
        raise CatalogueError(tuple(faults))
    return drafts


def _region(folder: Path, faults: list[str], kept: bool) -> RegionCatalogue:
    findings: dict[str, Finding] = {}
    for path in sorted(folder.glob("findings-*.toml")):
        for identifier, fields in _toml(path, faults).items():
            place = f"{folder.name}/{path.name} [{identifier}]"
            if identifier in findings:
                faults.append(f"{place}: stands twice; keep one")
            model: type[HandsOn] | type[HistoryItem] | type[LookFurther] = (
                LookFurther if "modality" in fields else HistoryItem if "ask" in fields else HandsOn
            )
            entry = _entry(model, identifier, fields, place, faults, kept)
            if entry is not None:
                findings[identifier] = entry
    base_path = folder / "base.toml"
    base: BaseExamination | None = None
    try:
        base = BaseExamination.model_validate(_toml(base_path, faults))
    except ValidationError as error:
        faults.extend(_lines(error, f"{folder.name}/base.toml"))
    drawings_path = folder / "drawings.toml"
    return RegionCatalogue(
        region=folder.name,
        findings=MappingProxyType(findings),
        conditions=MappingProxyType(_entries(folder / "conditions.toml", Condition, faults, kept)),
        care=MappingProxyType(_entries(folder / "care.toml", CareGroup, faults, kept)),
        neighbours=base.neighbour if base else (),
        cards=base.card if base else (),
        drawings=MappingProxyType(_toml(drawings_path, faults) if drawings_path.exists() else {}),
    )


def _entries(path: Path, model: type[EntryT], faults: list[str], kept: bool) -> dict[str, EntryT]:
    found = {}
    for identifier, fields in _toml(path, faults).items():
        entry = _entry(model, identifier, fields, f"{_name(path)} [{identifier}]", faults, kept)
        if entry is not None:
            found[identifier] = entry
    return found


def _entry(
    model: type[EntryT], identifier: str, fields: Any, place: str, faults: list[str], kept: bool
) -> EntryT | None:
    if not isinstance(fields, dict):
        faults.append(f"{place}: is no table; write [{identifier}] above its fields")
        return None
    try:
        return model.model_validate({"id": identifier, **fields})
    except ValidationError as error:
        unknown = [item["loc"] for item in error.errors(include_url=False) if item["type"] == "extra_forbidden"]
        if kept and unknown and all(_taken_out(fields, loc) for loc in unknown):
            return _entry(model, identifier, fields, place, faults, kept=False)
        faults.extend(_lines(error, place))
        return None


def _taken_out(fields: Any, place: tuple[int | str, ...]) -> bool:
    """Take one field out of what was read, where it can be found; whether it was."""
    held = fields
    for step in place[:-1]:
        if isinstance(held, dict) and step in held:
            held = held[str(step)]
        elif isinstance(held, list) and isinstance(step, int) and step < len(held):
            held = held[step]
        elif not isinstance(step, str):
            return False  # a step that is neither key nor place; one that names a model of a union is passed over
    return isinstance(held, dict) and held.pop(place[-1], None) is not None


def _toml(path: Path, faults: list[str]) -> dict[str, Any]:
    try:
        with path.open("rb") as handle:
            return tomllib.load(handle)
    except FileNotFoundError:
        faults.append(f"{_name(path)}: the file is missing; add it (docs/catalogue-format.md)")
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        faults.append(f"{_name(path)}: not TOML: {error}")
    return {}


def _name(path: Path) -> str:
    return f"{path.parent.name}/{path.name}" if path.parent.name in REGIONS else path.name


def _lines(error: ValidationError, place: str) -> list[str]:
    return [
        f"{place}: {'.'.join(str(part) for part in item['loc'])}: {item['msg']}"
        for item in error.errors(include_url=False)
    ]
