"""The form of a study of the clinic's own: what was typed, and the rows that it makes.

Public: StudyFields, LineFields, typed, fields_of, study_of, blank, CHOICES.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar, get_args

from pydantic import ValidationError

from endfeel.evidence.overlay import OwnStudy
from endfeel.evidence.rows import (
    AccuracyRow,
    Basis,
    Blinding,
    RatesRow,
    ReferenceStandard,
    Row,
    Sampling,
    Setting,
    SourceKind,
    StudyRow,
)
from endfeel.web.forms import Sent
from endfeel.web.refused import Refused

MOST_LINES = 40
RowT = TypeVar("RowT", bound=Row)

# The words of the protocol, as the form offers them.
CHOICES: Mapping[str, tuple[str, ...]] = {
    "setting": get_args(Setting),
    "sampling": get_args(Sampling),
    "reference_standard": get_args(ReferenceStandard),
    "index_blind": get_args(Blinding),
    "reference_blind": get_args(Blinding),
    "proposes_test": ("yes", "no"),
    "basis": get_args(Basis),
    "source_kind": get_args(SourceKind),
}
PAPER = (
    "citation", "year", "doi", "pmid", "country", "setting", "sampling", "reference_standard", "index_blind",
    "reference_blind", "proposes_test", "n_total", "age_mean",
)  # fmt: skip
LINE = (
    "observable", "condition", "criterion", "condition_detail", "tp", "fp", "fn", "tn", "sens_printed", "spec_printed",
    "total", "prevalence", "basis", "source_url", "source_kind", "read_at",
)  # fmt: skip
_SHARED = ("criterion", "sens_printed", "spec_printed", "source_url", "source_kind", "read_at")
_NAMES = {
    "citation": "The citation",
    "year": "The year",
    "doi": "The DOI",
    "pmid": "The PubMed id",
    "setting": "The setting",
    "sampling": "How people were chosen",
    "reference_standard": "The reference standard",
    "index_blind": "Whether the test was read blind",
    "reference_blind": "Whether the reference was read blind",
    "proposes_test": "Whether the paper proposes the test",
    "n_total": "The number of people",
    "age_mean": "The mean age",
    "observable_id": "The finding",
    "condition_id": "The condition",
    "criterion": "What counted as positive",
    "tp": "Positive with the condition",
    "fp": "Positive without it",
    "fn": "Negative with it",
    "tn": "Negative without it",
    "sens_printed": "The printed sensitivity",
    "spec_printed": "The printed specificity",
    "basis": "Where the counts come from",
    "prevalence_printed": "The printed fraction with the condition",
    "source_url": "Where it was read (address)",
    "source_kind": "What it was read in",
    "read_at": "The place in it",
    "study_id": "The study's id",
}


@dataclass(frozen=True)
class LineFields:
    """One line as typed: field -> text."""

    values: Mapping[str, str] = field(default_factory=dict)

    @property
    def empty(self) -> bool:
        """Whether nothing was typed; what a new line carries over from the last one does not count."""
        return not any(self.values.get(name) for name in ("observable", "condition", "tp", "fp", "fn", "tn"))


@dataclass(frozen=True)
class StudyFields:
    """The form as typed. study_id: empty for a new study. described: False for lines of a study of the tables."""

    region: str
    study_id: str
    paper: Mapping[str, str]
    lines: tuple[LineFields, ...]
    described: bool = True


def blank(region: str, study_id: str = "") -> StudyFields:
    """An empty form."""
    return StudyFields(region, study_id, {}, (LineFields(), LineFields()))


def typed(sent: Sent, region: str, study_id: str, described: bool = True) -> StudyFields:
    """The form as it was sent: fields of lines carry their number, as in “tp-1”."""
    numbers = sorted({int(m[1]) for name in sent.fields if (m := re.fullmatch(r"[a-z_]+-(\d{1,2})", name))})
    if len(numbers) > MOST_LINES:
        raise Refused(400, f"At most {MOST_LINES} lines fit into one form; bring the rest in as a table.")
    lines = tuple(LineFields({name: sent.text(f"{name}-{n}") or "" for name in LINE}) for n in numbers)
    return StudyFields(region, study_id, {name: sent.text(name) or "" for name in PAPER}, lines, described)


def fields_of(study: OwnStudy, region: str) -> StudyFields:
    """The form of a study that is kept."""
    row = study.study
    paper = {name: _text(getattr(row, name)) for name in PAPER} if row else {}
    lines = []
    for line in study.readings:
        values = {
            "observable": line.observable_id,
            "condition": line.condition_id,
            "criterion": line.criterion,
            "source_url": line.source_url,
            "source_kind": line.source_kind,
            "read_at": line.read_at,
            "sens_printed": _text(line.sens_printed),
            "spec_printed": _text(line.spec_printed),
        }
        if isinstance(line, AccuracyRow):
            values |= {
                name: _text(getattr(line, name)) for name in ("tp", "fp", "fn", "tn", "condition_detail", "basis")
            }
        else:
            values |= {"total": _text(line.n_total), "prevalence": _text(line.prevalence_printed)}
        lines.append(LineFields(values))
    return StudyFields(row.region if row else region, study.study_id, paper, tuple(lines), row is not None)


def with_more(fields: StudyFields) -> StudyFields:
    """The form with one more empty line, which starts with where the last one was read."""
    last = fields.lines[-1].values if fields.lines else {}
    carried = {name: last.get(name, "") for name in ("source_url", "source_kind", "basis")}
    return replace(fields, lines=(*fields.lines, LineFields(carried)))


def study_of(fields: StudyFields, taken: frozenset[str]) -> OwnStudy:
    """The rows of a form. Refused(400) with one line that names the field.

    taken: ids that another study has; a new study without DOI and PubMed id gets one that is free.
    """
    paper = fields.paper
    study_id = fields.study_id or _id_of(paper, taken)
    study = None
    if fields.described:
        study = _row(StudyRow, {**paper, "region": fields.region, "study_id": study_id, "line": 1}, "")
    lines = [(n, line) for n, line in enumerate(fields.lines, 1) if not line.empty]
    if not lines:
        raise Refused(400, "No line was filled in; add at least one finding with its counts.")
    accuracy, rates = [], []
    for n, line in lines:
        values = line.values
        where = f"Line {n}: "
        shared = {
            "region": fields.region, "study_id": study_id, "line": n, "finding_id": values["observable"].split(":")[0],
            "observable_id": values["observable"], "condition_id": values["condition"],
            **{name: values.get(name, "") for name in _SHARED},
        }  # fmt: skip
        for name, said in (("observable", "finding"), ("condition", "condition")):
            if not values.get(name):
                raise Refused(400, f"{where}the {said} is missing; choose one.")
        if any(values.get(cell) for cell in ("tp", "fp", "fn", "tn")):
            counts = {k: values.get(k, "") for k in ("tp", "fp", "fn", "tn", "condition_detail", "basis")}
            accuracy.append(_row(AccuracyRow, {**shared, **counts}, where))
        elif values.get("total"):
            if study is None:
                raise Refused(
                    400, f"{where}rates without counts need the study's own description; add it as a new study."
                )
            described = {
                "citation": study.citation, "year": study.year, "reference_standard": study.reference_standard,
                "n_total": values["total"], "prevalence_printed": values.get("prevalence", ""),
            }  # fmt: skip
            rates.append(_row(RatesRow, {**shared, **described}, where))
        else:
            raise Refused(400, f"{where}give the four counts, or printed rates and the number of people.")
    return OwnStudy(study_id, study, tuple(accuracy), tuple(rates))


def _id_of(paper: Mapping[str, str], taken: frozenset[str]) -> str:
    if re.fullmatch(r"\d+", paper.get("pmid", "")):
        return f"pmid-{paper['pmid']}"
    doi = paper.get("doi", "")
    if doi.startswith("10."):
        return "doi-" + re.sub(r"[^A-Za-z0-9._()-]", "_", doi)
    name = re.sub(r"[^a-z0-9]+", "-", " ".join(paper.get("citation", "").lower().split()[:2])).strip("-") or "study"
    year = re.sub(r"\D", "", paper.get("year", ""))[:4]
    stem = f"ref-own-{name}" + (f"-{year}" if year else "")
    free = stem
    number = 2
    while free in taken:
        free, number = f"{stem}-{number}", number + 1
    return free


def _row(model: type[RowT], values: Mapping[str, Any], where: str) -> RowT:
    try:
        return model.model_validate({k: v for k, v in values.items() if k in model.model_fields})
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        name = str(first["loc"][0]) if first["loc"] else ""
        given = first["input"] if isinstance(first["input"], str) else ""
        said = _NAMES.get(name, name.replace("_", " "))
        message = first["msg"].removeprefix("Value error, ").replace("Input should", "it should")
        if name and not given:
            raise Refused(400, f"{where}{_inside(said, where)} is missing; fill it in.") from None
        line = f"{where}{_inside(said, where)}: “{given[:40]}”, {message}." if name else f"{where}{message}."
        raise Refused(400, line) from None


def _inside(said: str, where: str) -> str:
    return said[0].lower() + said[1:] if where else said


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)
