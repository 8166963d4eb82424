"""What goes wrong in a visit, through the pages of a real server: nothing is lost, nothing is silently cleared."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from web_server import Person, Running

from endfeel.storage.store import Store
from endfeel.visits.events import Closed, ProblemAdded, StoryTold, VisitOpened


@pytest.fixture()
def server(tmp_path: Path) -> Iterator[Running]:
    running = Running(tmp_path)
    yield running
    running.stop()


@pytest.fixture()
def person(server: Running) -> Person:
    return Person(server.url)


def screen(person: Person, path: str, screen_id: str) -> Any:
    return next((s for s in person.json(f"{path}/safety")["screens"] if s["id"] == screen_id), None)


def flagged(person: Person, path: str) -> list[str]:
    return [f["screen_id"] for f in person.json(f"{path}/safety")["head"]["flags"]]


def withheld(person: Person, path: str) -> dict[str, str]:
    return {w["observable"]: w["because"] for w in person.json(f"{path}/ahead")["ahead"]["withheld"]}


def note(person: Person, path: str) -> str:
    return person.get(f"{path.rsplit('/', 1)[0]}/note.txt").text


def test_yes_then_no_lowers_the_flag_in_the_open_and_the_note_keeps_both(person: Person) -> None:
    path = person.visit()
    person.done(f"{path}/story", onset="injury", ago="3")
    person.clear_screens(path)
    answer = {"screen": "knee-dislocation", "item": "came-out"}
    person.done(f"{path}/safety", **answer, answer="yes")
    assert flagged(person, path) == ["knee-dislocation"]
    person.done(f"{path}/safety", **answer, answer="no")
    assert flagged(person, path) == []
    line = screen(person, path, "knee-dislocation")["items"][0]
    assert (line["answer"], line["changed"]) == ("no", "no, then yes")
    assert "First answered no, then yes" in person.get(f"{path}/safety").text
    said = note(person, path)
    assert "yes" in said and "knee-dislocation" not in flagged(person, path)
    assert said.count("come out of joint") >= 2, "the note says that two answers differ"


def test_a_sign_that_was_recorded_is_not_talked_away(person: Person) -> None:
    path = person.visit()
    person.done(f"{path}/story", onset="injury", ago="3")
    person.clear_screens(path)
    person.done(f"{path}/base", item="foot-pulses", side="right", state="something-found")
    flags = person.json(f"{path}/bench")["head"]["flags"]
    assert flags[0]["screen_id"] == "knee-dislocation"
    assert any("Foot pulses and refill, right" in why for why in flags[0]["raised_by"]), flags[0]["raised_by"]
    for item in ("foot-flow", "came-out", "opens-straight"):
        person.done(f"{path}/safety", screen="knee-dislocation", item=item, answer="no")
    assert "knee-dislocation" in flagged(person, path), "a no never lowers what was found"
    person.done(f"{path}/base", item="side-stress-straight", side="right", state="something-found")
    person.done(f"{path}/base", item="side-stress-straight", side="right", state="nothing-found")
    person.done(f"{path}/record", observable="lachman", result="positive")
    person.done(f"{path}/undo", seq=person.json(f"{path}/bench")["undo"]["seq"])
    assert "knee-dislocation" in flagged(person, path), "taking other recordings back leaves the pulse"
    person.done(f"{path}/base", item="foot-pulses", side="right", state="nothing-found")
    assert "knee-dislocation" not in flagged(person, path)
    assert "something-found" in note(person, path), "the first recording of the pulse stays in the record"


def test_a_neighbour_has_a_question_asked_again_and_the_rest_button_asks_it(person: Person) -> None:
    path = person.visit()
    person.done(f"{path}/story", onset="gradual", ago="84")
    person.clear_screens(path)
    person.done(f"{path}/base", item="calf-clear", side="right", state="something-found")
    card = screen(person, path, "deep-vein-thrombosis")
    assert card["state"] == "partly-asked" and card["open_items"] == 1
    assert "ask again" in person.json(f"{path}/safety")["head"]["safety"]["words"]
    assert "Ask again, because of: Calf and circulation" in person.get(f"{path}/safety").text
    assert "to be asked again" in note(person, path).lower()
    person.done(f"{path}/safety/rest", screen="deep-vein-thrombosis")
    assert screen(person, path, "deep-vein-thrombosis")["state"] == "asked-none-found"


def test_under_16_takes_no_chance_by_hand_and_no_condition_page(person: Person) -> None:
    path = person.visit(birth_year=dt.date.today().year - 12)
    person.done(f"{path}/story", onset="injury", ago="1")
    seq = person.json(f"{path}/bench")["head"]["seq"]
    refused = person.post(f"{path}/conditions/acl-tear/chance", per_cent="60")
    assert refused.status_code == 409 and "studies are of adults" in refused.text
    assert person.json(f"{path}/bench")["head"]["seq"] == seq, "nothing was stored"
    assert person.json(f"{path}/bench")["rails"] == []
    assert {"growth-plate", "limping-child"} <= {s["id"] for s in person.json(f"{path}/safety")["screens"]}


def test_a_day_in_the_future_is_refused_and_nothing_is_stored(person: Person) -> None:
    path = person.visit()
    seq = person.json(f"{path}/bench")["head"]["seq"]
    later = (dt.date.today() + dt.timedelta(days=9)).isoformat()
    refused = person.post(f"{path}/story", onset="injury", onset_date=later)
    assert refused.status_code == 400 and "future" in refused.text and len(refused.text.splitlines()) == 1
    assert person.json(f"{path}/bench")["head"]["seq"] == seq
    person.done(f"{path}/story", onset="injury", onset_date=dt.date.today().isoformat())


def test_an_injury_that_becomes_gradual_keeps_its_fracture_rule_until_it_is_answered(person: Person) -> None:
    path = person.visit()
    person.done(f"{path}/story", onset="injury", ago="10")
    person.done(f"{path}/story", onset="gradual")
    card = screen(person, path, "knee-trauma-screen")
    assert card is not None and card["state"] == "not-asked"
    assert "an injury and then none" in card["first"]
    assert "screen" in withheld(person, path)["lachman"], "nothing loads while it is not answered"
    assert "injury" in note(person, path) and "gradual" in note(person, path)
    person.clear_screens(path)
    assert "lachman" not in {k for k, why in withheld(person, path).items() if "not complete" in why}


def test_what_was_gradual_from_the_start_is_asked_no_fracture_rule(person: Person) -> None:
    path = person.visit()
    person.done(f"{path}/story", onset="gradual", ago="10")
    assert screen(person, path, "knee-trauma-screen") is None


def test_a_screen_reopened_late_withholds_what_loads_and_marks_what_was_done(person: Person) -> None:
    path = person.visit()
    person.done(f"{path}/story", onset="injury", ago="3")
    person.clear_screens(path)
    person.done(f"{path}/record", observable="lachman", result="positive")
    person.done(f"{path}/safety", screen="knee-trauma-screen", item="fibular-head", answer="yes")
    assert withheld(person, path)["pivot-shift"].startswith("Fracture not excluded")
    assert [c["observable"] for c in person.json(f"{path}/bench")["recorded"]] == ["lachman"]
    card = screen(person, path, "knee-trauma-screen")
    assert "Lachman" in card["before"] and "right: positive" in card["before"]
    assert "Recorded before this was raised, kept:" in person.get(f"{path}/safety").text
    assert "recorded before it was raised, kept: Lachman test, right: positive" in " ".join(note(person, path).split())
    person.done(f"{path}/safety", screen="knee-trauma-screen", item="fibular-head", answer="no")
    assert screen(person, path, "knee-trauma-screen")["before"] == ""


def test_a_problem_moved_keeps_recordings_on_their_side_and_says_so(person: Person) -> None:
    path = person.visit()
    person.done(f"{path}/story", onset="injury", ago="3")
    person.clear_screens(path)
    person.done(f"{path}/record", observable="lachman", result="positive")
    person.done(f"{path}/base", item="skin-heat", side="right", state="something-found")
    person.done(f"{path}/safety", screen="locked-knee", item="stuck-now", answer="yes")
    person.done(f"{path}/move", swap=False, side="left", reason="patient meant the other")
    page = person.json(f"{path}/safety")
    said = " ".join(page["asked_elsewhere"])
    assert "Moved from right to left (patient meant the other)" in said
    assert "Lachman" in said and "1 item of the base examination" in said
    assert "locked-knee" in flagged(person, path), "what was raised stays raised"
    assert page["head"]["safety"]["kind"] == "raised"
    kept = note(person, path)
    assert "Lachman test, right: positive" in kept and "patient meant the other" in kept
    person.done(f"{path}/move", swap=False, side="right", reason="it was the right after all")
    assert all("given for the other side" not in line for line in person.json(f"{path}/safety")["asked_elsewhere"])


def test_a_visit_left_in_the_middle_is_listed_until_it_is_finished(
    server: Running, person: Person, tmp_path: Path
) -> None:
    week = dt.datetime.now(dt.UTC) - dt.timedelta(days=7)
    store = Store(next(tmp_path.glob("*.sqlite")))
    for n, event in enumerate(
        (
            VisitOpened(patient_code="LEFT-1"),
            ProblemAdded(problem_id="p1", region="knee", side="left"),
            StoryTold(problem_id="p1", onset="gradual"),
        )
    ):
        store.append("left", event, "A. Clinician", f"left-{n}", at=week)
    for n in range(45):
        person.done("/visits", swap=False, code=f"N-{n}", setting="primary")
    groups = person.json("/visits")["groups"]
    assert groups[0]["words"] == "Left open" and [v["visit_id"] for v in groups[0]["visits"]] == ["left"]
    assert groups[0]["visits"][0]["when"].startswith("left open since")
    assert len([v for g in groups for v in g["visits"] if v["visit_id"] == "left"]) == 1, "listed once"
    person.done("/visits/left/p1/story", how="Went on a week later")
    assert all(g["words"] != "Left open" for g in person.json("/visits")["groups"]), "somebody is at it today"
    store.append("left", Closed(), "A. Clinician", "left-closed")
    assert all(g["words"] != "Left open" for g in person.json("/visits")["groups"])
    assert "Went on a week later" in person.get("/visits/left/note.txt").text
