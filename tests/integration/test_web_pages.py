"""Every page and its JSON twin, from a real server with a real database."""

from __future__ import annotations

import gzip
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path

import pytest
from web_server import Person

from endfeel.evidence import load_evidence
from endfeel.web import away_routes
from endfeel.web.away_routes import version

ELSEWHERE = (  # need what these tests do not make, and are opened where it is made
    "/evidence/studies/own/changes/{number}", "/evidence/studies/{study_id}/edit", "/strategies/house/{protocol_id}",
    "/sign-in", "/password", "/join",
)  # fmt: skip
HEAVIEST = 300_000  # bytes of a page with all it loads


@pytest.fixture(scope="module")
def problem(person: Person) -> str:
    path = person.visit()
    visit = path.rsplit("/", 1)[0]
    person.done(f"{visit}/where", view="front", x="0.39", y="0.73", kind="pain")
    person.done(f"{path}/story", onset="injury", ago="3", how="Turned on the planted foot", minutes="20")
    person.clear_screens(path)
    person.done(f"{path}/record", observable="lachman", result="positive")
    return path


def addresses(person: Person, problem: str) -> list[str]:
    """Every page that the server says it has, its placeholders filled in."""
    visit_id, problem_id = problem.split("/")[-2:]
    filled = {
        "{visit_id}": visit_id, "{problem_id}": problem_id, "{region}": "knee", "{condition}": "acl-tear",
        "{observable}": "lachman", "{study_id}": sorted(load_evidence().studies)[0],
    }  # fmt: skip
    out = []
    for path, how in person.json("/openapi")["paths"].items():
        answers = how.get("get", {}).get("responses", {}).get("200", {}).get("content", {})
        if "text/html" not in answers or path in ELSEWHERE:
            continue
        for name, value in filled.items():
            path = path.replace(name, value)
        assert "{" not in path, f"{path}: say what to fill in, or where else it is tested"
        out.append(path)
    return [*out, f"{problem}/findings/mcmurray:medial", f"{problem}/findings/moving-patellar-apprehension"]


def test_every_page_opens_and_has_a_twin(person: Person, problem: str) -> None:
    for path in addresses(person, problem):
        page, twin = person.get(path), person.get(path + ".json")
        assert page.status_code == 200, (path, page.text[:200])
        assert page.headers["content-type"].startswith("text/html")
        assert twin.status_code == 200 and isinstance(twin.json(), dict), path


def test_no_page_holds_inline_script_style_or_anything_from_outside(person: Person, problem: str) -> None:
    for path in addresses(person, problem):
        found = _Loads()
        found.feed(person.get(path).text)
        assert found.inline == [], (path, found.inline)
        assert all(re.match(r"/(static|evidence|drawings)/", a) for a in found.loaded), (path, found.loaded)


def test_pages_say_who_may_load_what(person: Person) -> None:
    headers = person.get("/visits").headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy and "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"


def test_a_page_with_all_it_loads_is_light(person: Person, problem: str) -> None:
    static = Path(__import__("endfeel.web", fromlist=["app"]).__file__).parent / "static"
    shared = sum(p.stat().st_size for p in static.rglob("*") if p.suffix in (".css", ".js", ".woff2", ".svg"))
    for path in addresses(person, problem):
        page = len(gzip.compress(person.get(path).content, 4))
        assert shared + page < HEAVIEST, (path, shared, page)


def test_drawings_have_the_colours_of_the_room(person: Person) -> None:
    path = "/drawings/knee/lachman.svg"
    light, dark = (person.get(path, room=room).text for room in ("light", "dark"))
    assert light == person.get(path).text and "#1c2a30" in light and "#1c2a30" not in dark and "#f2eee3" in dark
    person.http.cookies.set("endfeel_theme", "dark")
    try:
        assert "lachman.svg?room=dark" in person.get("/drawings/knee").text
    finally:
        person.http.cookies.delete("endfeel_theme")
    assert person.get(path, room="blue").status_code == 422


def test_the_away_worker_is_another_one_as_soon_as_what_it_keeps_changes(person: Person, tmp_path: Path) -> None:
    text = person.get("/away-worker.js").text
    assert f'"{version()}"' in text and "VERSION" not in text and "SHELL" not in text
    copy = tmp_path / "static"
    shutil.copytree(Path(away_routes.__file__).parent / "static", copy)
    assert version(copy) == version()
    (copy / "away.html").write_text("other words")
    assert version(copy) != version()


def test_the_bench_says_words_before_figures(person: Person, problem: str) -> None:
    bench = person.json(f"{problem}/bench")
    lead = next(r for r in bench["rails"] if r["id"] == "acl-tear")
    assert re.fullmatch(r"about \d in 10", lead["chance"])
    assert lead["low"] <= lead["at"] <= lead["low"] + lead["width"] + 1e-9
    assert lead["before"] is not None and lead["before"] < lead["at"], "a positive Lachman raises it from the ring"
    assert any(r["id"].startswith("no-specific-structure") for r in bench["rails"])
    assert bench["last"].startswith("Lachman test: positive. It raised")
    text = person.get(f"{problem}/bench").text
    assert text.index("What it could be") < text.index("Recorded")


def test_from_a_chance_to_its_studies_in_two_steps(person: Person, problem: str) -> None:
    condition = person.json(f"{problem}/conditions/acl-tear")
    finding = next(m for m in condition["moves"] if m["observable"] == "lachman")
    opened = person.json(finding["href"])
    source = next(s for s in opened["sources"] if s["condition"] == "acl-tear")
    (section,) = person.json(source["href"])["sections"]
    assert section["studies"], "the studies lie behind the finding"
    assert person.json(condition["evidence"])["pairs"], "and behind the condition, in two taps from the bench"


def test_a_condition_says_where_readings_that_exclude_each_other_were_scaled(person: Person) -> None:
    path = person.visit(region="shoulder", side="left")
    person.done(f"{path}/story", onset="gradual", ago="30")
    person.clear_screens(path)
    told = person.json(f"{path}/conditions/partial-thickness-supraspinatus-tear")["disagree"]
    assert any("reads only one of" in line and "scaled down" in line for line in told)
    other = person.json(f"{path}/conditions/adhesive-capsulitis")["disagree"]
    assert not any("reads only one of" in line for line in other)


def test_an_unknown_address_is_one_clear_line(person: Person) -> None:
    for path in ("/nothing", "/visits/nothing/where", "/visits/nothing/p1/bench", "/evidence/elbow/x/y"):
        page = person.get(path)
        assert page.status_code == 404
        assert page.text.count('class="lead"') == 1
        assert list(person.get(path + ".json").json()) == ["error"]


class _Loads(HTMLParser):
    """Collects what a page loads, and what it holds inline."""

    def __init__(self) -> None:
        super().__init__()
        self.loaded: list[str] = []
        self.inline: list[str] = []
        self.script = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        have = dict(attrs)
        if tag == "script" and "src" not in have:
            self.script = True
        self.inline += [f"{tag} {name}" for name in have if name == "style" or name.startswith(("on", "hx-on"))]
        if tag == "style":
            self.inline.append(tag)
        for name in ("src", "srcset", "data"):
            if have.get(name) and tag != "object":
                self.loaded.append(have[name] or "")
        if tag == "link":
            self.loaded.append(have.get("href") or "")

    def handle_data(self, data: str) -> None:
        if self.script and data.strip():
            self.inline.append("script")
        self.script = False
