"""A visit stands on its basis for good: another release changes new visits, and no figure of old ones."""

from __future__ import annotations

import datetime as dt
import re
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from releases import another_release, replaced
from sqlalchemy import text
from web_server import Person, Running

from endfeel.storage import Store
from endfeel.storage.backup import backup, restore
from endfeel.storage.doctor import doctor
from endfeel.visits.events import ProblemAdded, VisitOpened
from endfeel.visits.release import Release

KNEE = "catalogue/data/knee"
NEW_NAME = "Joint that may be infected"


@pytest.fixture(scope="module")
def release(tmp_path_factory: pytest.TempPathFactory) -> Release:
    """Other draws, another count, other assumed and published chances, other harms, another name, another caution."""
    return another_release(
        tmp_path_factory.mktemp("release"),
        replaced("evidence/data/knee/priors.csv", r",28,134,doi-10\.1016_j\.apmr", ",48,134,doi-10.1016_j.apmr"),
        replaced(f"{KNEE}/conditions.toml", 'name = "Anterior cruciate ligament tear"', 'name = "ACL, torn"'),
        replaced(f"{KNEE}/conditions.toml", r"assumed_chance = \{ injury = 0\.\d+", "assumed_chance = { injury = 0.3"),
        replaced(
            f"{KNEE}/care.toml",
            r"harm_of_a_miss = [\d.]+\nharm_of_wrong_care = [\d.]+",
            "harm_of_a_miss = 9.0\nharm_of_wrong_care = 2.0",
        ),
        replaced("catalogue/data/screens.toml", 'name = "Infected joint"', f'name = "{NEW_NAME}"'),
        replaced(f"{KNEE}/findings-laxity.toml", 'hot-joint = "same day"', 'hot-joint = "never on a hot knee"'),
        replaced("belief/data/dependence.toml", r"\nmean = [-\d.]+", "\nmean = -1.4"),
    )


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Person]]:
    """Opens a server on a data folder and ends the one before; the person at it."""
    running: list[Running] = []

    def begin(folder: Path = tmp_path / "data", **settings: Any) -> Person:
        if running:
            running.pop().stop()
        running.append(Running(folder, **settings))
        person = Person(running[-1].url)
        person.desk = running[-1].app.state.desk  # type: ignore[attr-defined]
        return person

    yield begin
    running.pop().stop()


def knee(person: Person, code: str = "T-1") -> str:
    """A twisted knee, examined, with a decision."""
    problem = person.visit(code=code)
    person.done(f"{problem}/story", onset="injury", onset_date="2026-03-01")
    person.clear_screens(problem)
    for observable, result in (("lachman", "positive"), ("pivot-shift", "negative"), ("mcmurray:any", "positive")):
        answer = person.post(f"{problem}/record", observable=observable, result=result)
        assert answer.status_code in (200, 404), answer.text[:300]
    person.done(
        f"{problem}/decide", swap=False, action="start-care", care_group="knee-cruciate", review_on="2099-01-01"
    )
    return problem


def figures(person: Person, problem: str) -> dict[str, Any]:
    """Every figure that the visit's pages and papers show, to the last digit."""
    decide = person.json(f"{problem}/decide")
    bench = person.json(f"{problem}/bench")
    ahead = person.json(f"{problem}/ahead")["ahead"]
    visit = problem.rsplit("/", 1)[0]
    return {
        "rails": [{k: v for k, v in r.items() if k != "client_id"} for r in [*bench["rails"], *bench["more_rails"]]],
        "moves": [(m["observable"], m["log_odds"]) for m in person.json(f"{problem}/conditions/acl-tear")["moves"]],
        "start": person.json(f"{problem}/conditions/acl-tear")["start"],
        "groups": [(g["id"], g["chance"], g["advised"], g["costs"]) for g in decide["groups"]],
        "decided": [d["under"].split(" Today's:")[0] for d in decide["decisions"]],
        "next": None if ahead["next"] is None else [ahead["next"][k] for k in ("observable", "name", "how")],
        "then": [[(o["observable"], o["worth"]) for o in g["offers"]] for g in ahead["then"]],
        "letter": said(person.get(f"{problem}/letter.txt").text),
        "handout": said(person.get(f"{problem}/handout.txt", chances="true").text),
        "note": said(person.get(f"{visit}/note.txt").text),
    }


def said(paper: str) -> list[str]:
    """A paper without what is meant to follow the day: the clock, and today's name of a safety screen."""
    return re.sub(r"\d\d:\d\d UTC", "", paper.replace(NEW_NAME, "Infected joint")).splitlines()


def test_another_release_leaves_old_visits_as_they_were(
    start: Callable[..., Person], release: Release, any_url: str
) -> None:
    start = partial(start, store_url=any_url)
    person = start()
    problem = knee(person)
    before = figures(person, problem)
    assert person.json(f"{problem}/bench")["head"]["evidence"] is None
    began = person.json(f"{problem}/evidence")
    assert began["chances"] == [] and "stands on today's figures" in began["words"]

    person = start(release=release)
    assert figures(person, problem) == before, "to the last digit"
    notice = person.json(f"{problem}/bench")["head"]["evidence"]
    assert notice["words"].startswith("Figures as they stood on ") and began["now"] in notice["words"]
    assert "The evidence, the catalogue and the costs changed since" in notice["words"]
    moved = person.json(f"{problem}/evidence")
    assert moved["known"] and (moved["began_with"], moved["now"]) == (began["now"], release.edition.id)
    acl = next(c for c in moved["chances"] if c["condition"] == "acl-tear")
    assert acl["moved"] and acl["name"] == "ACL, torn" and acl["before"] != acl["after"]
    care = next(a for a in moved["advice"] if a["care_group"] == "knee-cruciate")
    assert care["moved"] and care["before_thresholds"] != care["after_thresholds"]
    assert "Thresholds of this visit: " in person.json(f"{problem}/decide")["decisions"][0]["under"]
    assert " Today's: " in person.json(f"{problem}/decide")["decisions"][0]["under"]

    new = knee(person, "T-2")
    after = figures(person, new)
    assert person.json(f"{new}/bench")["head"]["evidence"] is None
    means = [{r["id"]: r["mean"] for r in side["rails"]} for side in (before, after)]
    assert means[0].keys() == means[1].keys() and all(means[0][c] != means[1][c] for c in means[0])
    assert after["decided"] != before["decided"] and after["start"] != before["start"]

    # An old visit that goes on keeps its basis; closed and opened again, it still does.
    person.done(f"{problem}/record", observable="anterior-drawer", result="positive")
    more = {r["id"]: r["mean"] for r in figures(person, problem)["rails"]}
    visit = problem.rsplit("/", 1)[0]
    person.done(f"{visit}/close", swap=False)
    person = start()
    assert {r["id"]: r["mean"] for r in figures(person, problem)["rails"]} == more
    assert figures(person, new) == after, "and the new one keeps its own under the old release"
    assert doctor(any_url).ok


def test_safety_is_never_that_of_then(start: Callable[..., Person], release: Release) -> None:
    problem = knee(start())
    person = start(release=release)
    names = {s["title"] if "title" in s else s["name"] for s in person.json(f"{problem}/safety")["screens"]}
    assert any(NEW_NAME in name for name in names), names
    cautions = str(person.json(f"{problem}/findings/lachman"))
    assert "never on a hot knee" in cautions and "same day" not in cautions


def test_the_clinics_own_studies_and_costs_stay_with_the_visit(start: Callable[..., Person], release: Release) -> None:
    from test_web_own_studies import keep

    person = start()
    first = knee(person)
    plain = figures(person, first)
    keep(person)
    page = person.json("/costs/knee")
    cells = [*page["looking"], *page["burden"], *(c for g in page["groups"] for c in g["cells"])]
    dear = {c["name"]: c["value"] for c in cells} | {"miss knee-cruciate": "7"}
    person.done("/costs/knee", swap=False, **dear, act="keep")
    assert figures(person, first) == plain, "costs and studies of later leave the visit as it is"
    assert "The evidence and the costs changed" in person.json(f"{first}/bench")["head"]["evidence"]["words"]
    second = knee(person, "T-2")
    own = figures(person, second)
    assert own["rails"] != plain["rails"] and own["decided"] != plain["decided"]
    assert "your clinic's" in own["groups"][0][3]

    person = start(release=release)
    assert figures(person, first) == plain
    assert figures(person, second) == own
    assert "1 study of the clinic's own" in person.json(f"{second}/evidence")["stands"]


def test_one_basis_serves_many_visits(start: Callable[..., Person], release: Release) -> None:
    person = start()
    for n in range(3):
        person.visit(code=f"T-{n}")
    archive = person.desk.bases.archive  # type: ignore[attr-defined]
    assert len(archive.bases()) == 1
    person = start(release=release)
    person.visit(code="T-9")
    assert len(person.desk.bases.archive.bases()) == 2  # type: ignore[attr-defined]


def test_a_backup_takes_it_along_also_to_another_kind_of_database(
    start: Callable[..., Person], release: Release, postgres_url: str, tmp_path: Path
) -> None:
    person = start()
    problem = knee(person)
    before = figures(person, problem)
    with Store(tmp_path / "data") as store:
        made = backup(store, tmp_path / "b.sqlite")
    restore(made.path, postgres_url)
    restore(made.path, tmp_path / "again")
    assert figures(start(tmp_path / "again", release=release), problem) == before
    person = start(tmp_path / "pg", store_url=postgres_url, release=release)
    assert figures(person, problem) == before
    new = knee(person, "T-2")
    assert figures(person, new)["rails"] != before["rails"]
    person = start(tmp_path / "pg", store_url=postgres_url)
    assert figures(person, problem) == before and person.json(f"{new}/evidence")["chances"]
    assert doctor(postgres_url).ok


def test_visits_of_earlier_versions_get_what_can_be_told(
    start: Callable[..., Person], release: Release, tmp_path: Path
) -> None:
    from endfeel.pooling.edition import load_edition

    with Store(tmp_path / "data") as store:
        for visit, edition in (("v-known", load_edition().id), ("v-foreign", "0123456789ab"), ("v-none", "")):
            event = VisitOpened(patient_code="K", edition=edition, software="endfeel 0.0")
            store.append(visit, event, "A", f"{visit}-o")
            store.append(visit, ProblemAdded(problem_id="p1", region="knee", side="left"), "A", f"{visit}-p")
    person = start()
    assert person.json("/visits/v-known/p1/bench")["head"]["evidence"] is None
    for visit in ("v-foreign", "v-none"):
        words = person.json(f"/visits/{visit}/p1/bench")["head"]["evidence"]["words"]
        assert "was not kept by the version of then. The figures shown are today's." in words
    told = person.json("/visits/v-foreign/p1/evidence")
    assert not told["known"] and "edition 0123456789ab" in told["stands"]
    assert "opened by endfeel 0.0, worked out now by endfeel" in told["stands"]
    assert "was written down as its own" in person.json("/visits/v-known/p1/evidence")["stands"]
    known = {r["id"]: r["mean"] for r in person.json("/visits/v-known/p1/bench")["rails"]}
    person = start(release=release)
    assert {r["id"]: r["mean"] for r in person.json("/visits/v-known/p1/bench")["rails"]} == known
    assert "written down later" in person.json("/visits/v-known/p1/evidence")["stands"]
    report = doctor(tmp_path / "data")
    assert report.ok and any("of 2 earlier ones it could not be told" in check.words for check in report.checks)


@pytest.mark.parametrize("harm", ["content = x'00'", "gone"])
def test_a_damaged_basis_is_said_on_the_page_and_by_the_doctor(
    start: Callable[..., Person], release: Release, tmp_path: Path, harm: str
) -> None:
    person = start()
    problem = knee(person)
    store = person.desk.store  # type: ignore[attr-defined]
    with store.engine.begin() as connection:
        for verb in ("update", "delete"):
            connection.execute(text(f"DROP TRIGGER basis_parts_no_{verb}"))
        change = "DELETE FROM basis_parts" if harm == "gone" else f"UPDATE basis_parts SET {harm}"
        connection.execute(text(change))
    person = start(release=release)
    for page in ("story", "safety", "look", "bench", "decide", "agree", "evidence", "conditions/acl-tear"):
        answer = person.get(f"{problem}/{page}")
        assert answer.status_code == 200, page
    said = person.json(f"{problem}/bench")["head"]["evidence"]["words"]
    assert ("is missing" if harm == "gone" else "is damaged") in said and "The figures shown are today's." in said
    assert not person.json(f"{problem}/evidence")["known"]
    assert "were not kept" in person.json(f"{problem}/decide")["decisions"][0]["under"]
    report = doctor(tmp_path / "data")
    assert not report.ok and "show today's figures" in report.checks[-1].words


def test_a_basis_that_this_version_can_not_read_is_said_and_its_visit_still_opens(start: Callable[..., Person]) -> None:
    person = start()
    problem = knee(person)
    bases = person.desk.bases  # type: ignore[attr-defined]
    contents = dict(bases.archive.read(bases.keep_today()))
    contents["release/catalogue/knee/care.toml"] = b"[knee-cruciate]\nof_a_later_kind = true\n"
    odd = bases.archive.keep(contents, edition="later", software="endfeel 99", at=dt.datetime.now(dt.UTC))
    store = person.desk.store  # type: ignore[attr-defined]
    store.append("v-odd", VisitOpened(patient_code="K"), "A", "v-odd-o", basis=odd)
    store.append("v-odd", ProblemAdded(problem_id="p1", region="knee", side="left"), "A", "v-odd-p")
    words = person.json("/visits/v-odd/p1/bench")["head"]["evidence"]["words"]
    assert words.startswith("This version can not read what this visit's figures stood on (knee/care.toml")
    assert person.get("/visits/v-odd/p1/decide").status_code == 200
    assert person.json(f"{problem}/bench")["head"]["evidence"] is None


def test_a_comparison_says_when_the_two_visits_stand_on_different_figures(
    start: Callable[..., Person], release: Release
) -> None:
    person = start()
    first = knee(person)
    visit = first.split("/")[2]
    same = person.visit(previous=visit)
    assert all("different figures" not in r for r in person.json(f"{same}/comparison")["remarks"])
    person = start(release=release)
    later = person.visit(previous=visit)
    remarks = person.json(f"{later}/comparison")["remarks"]
    assert any("different figures" in r and release.edition.id in r for r in remarks), remarks


def test_an_old_visit_is_quick_once_its_basis_was_read(start: Callable[..., Person], release: Release) -> None:
    problem = knee(start())
    person = start(release=release)
    person.get(f"{problem}/bench")
    taken = []
    for _ in range(5):
        begun = time.perf_counter()
        assert person.get(f"{problem}/bench").status_code == 200
        taken.append(time.perf_counter() - begun)
    assert min(taken) < 0.2, taken
