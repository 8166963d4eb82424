"""A visit through the pages: what is recorded, what is refused, what is never lost."""

from __future__ import annotations

import datetime as dt
import sqlite3
import threading
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
from web_server import Person, Running


@pytest.fixture()
def server(tmp_path: Path) -> Iterator[Running]:
    running = Running(tmp_path)
    yield running
    running.stop()


@pytest.fixture()
def person(server: Running) -> Person:
    return Person(server.url)


def hurt_knee(person: Person) -> str:
    path = person.visit()
    person.done(f"{path}/story", onset="injury", ago="3", how_little="much", how_bad="mild", how_long="minutes")
    return path


def test_a_visit_from_where_it_hurts_to_the_paper(person: Person) -> None:
    path = person.visit()
    visit = path.rsplit("/", 1)[0]
    where = person.done(f"{visit}/where", view="front", x="0.61", y="0.73", kind="pain")
    assert "Left knee, front" in where.text
    person.done(f"{path}/story", onset="injury", ago="20", how="Fell on the stairs", minutes="25")
    person.clear_screens(path)
    person.done(f"{path}/person", rest="no")
    person.done(f"{path}/base", item="gait", state="something-found", side="left", painful="yes", text="short step")
    person.done(f"{path}/record", observable="lachman", result="negative")
    person.done(f"{path}/record", observable="mcmurray:medial", result="positive", pain="4", own_pain="yes")
    day = (dt.date.today() + dt.timedelta(days=14)).isoformat()
    care = person.json(f"{path}/decide")["groups"][0]["id"]
    person.done(f"{path}/decide", action="start-care", care_group=care, review_on=day)
    person.done(f"{path}/agree", advice="Keep walking", come_back_if="it locks")
    person.done(f"{visit}/close", summary="Look again in two weeks")
    text = person.get(f"{visit}/note.txt").text
    for said in ("Fell on the stairs", "short step", "McMurray", "Keep walking", "it locks", "Look again in two weeks"):
        assert said in text, said
    paper = person.get(f"{visit}/note.pdf")
    assert paper.headers["content-type"] == "application/pdf" and paper.content.startswith(b"%PDF")
    for kind in ("letter", "handout", "plan-card"):
        assert person.get(f"{path}/{kind}.pdf").content.startswith(b"%PDF"), kind
    assert [v["visit_id"] for g in person.json("/visits")["groups"] for v in g["visits"]] == [visit.rsplit("/", 1)[1]]


def test_not_asked_is_never_shown_as_clear(person: Person) -> None:
    path = hurt_knee(person)
    bench = person.json(f"{path}/bench")
    assert bench["head"]["safety"] == {
        "kind": "open", "words": "Safety: not asked", "short": "not asked", "href": f"{path}/safety",
    }  # fmt: skip
    screens = person.json(f"{path}/safety")["screens"]
    person.done(f"{path}/safety", screen=screens[0]["id"], item=screens[0]["items"][0]["id"], answer="no")
    assert person.json(f"{path}/safety")["head"]["safety"]["kind"] == "open"
    person.clear_screens(path)
    assert person.json(f"{path}/safety")["head"]["safety"]["words"] == "Safety: asked, none found"
    last = person.json(f"{path}/safety")["screens"][-1]
    person.done(f"{path}/safety", screen=last["id"], item=last["items"][0]["id"], answer="unsure")
    assert "unsure" in person.json(f"{path}/safety")["head"]["safety"]["words"]


def test_nothing_loads_before_the_screen_is_done(person: Person) -> None:
    path = hurt_knee(person)
    ahead = person.json(f"{path}/ahead")["ahead"]
    reasons = {w["observable"]: w["because"] for w in ahead["withheld"]}
    assert "screen" in reasons["lachman"]
    offered = [o["observable"] for g in ahead["then"] for o in g["offers"]] + [(ahead["next"] or {}).get("observable")]
    assert not {"lachman", "pivot-shift", "anterior-drawer"} & set(offered)
    person.done(f"{path}/safety/override", reason="seen with the surgeon today")
    after = person.json(f"{path}/ahead")["ahead"]
    assert "lachman" not in {w["observable"] for w in after["withheld"] if "not complete" in w["because"]}
    assert "seen with the surgeon today" in person.get(f"{path.rsplit('/', 1)[0]}/note.txt").text


def test_a_raised_screen_is_the_only_way_to_send_now_and_can_not_be_set_aside(person: Person) -> None:
    path = hurt_knee(person)
    person.clear_screens(path)
    screen = person.json(f"{path}/safety")["screens"][0]
    care = person.json(f"{path}/decide")["groups"][0]["id"]
    refused = person.post(f"{path}/decide", action="send-now", screen=screen["id"])
    assert refused.status_code == 409 and "raised" in refused.text
    for item in screen["items"]:
        person.done(f"{path}/safety", screen=screen["id"], item=item["id"], answer="yes")
    flags = person.json(f"{path}/bench")["head"]["flags"]
    assert [f["screen_id"] for f in flags][:1] == [screen["id"]]
    assert "%" not in flags[0]["clinician"]
    assert person.post(f"{path}/decide", action="set-aside", care_group=care).status_code == 409
    person.done(f"{path}/decide", action="send-now", screen=screen["id"], words="told the ward")
    assert person.json(f"{path}/decide")["decisions"][0]["what"].startswith("Send now")


def test_the_clinics_own_pathway_comes_first(person: Person) -> None:
    path = hurt_knee(person)
    screen = person.json(f"{path}/safety")["screens"][0]
    for key in ("emergency", "same-day", "urgent", "film-first"):
        person.done("/clinic", **{key: f"Ring 111 for {key}"})
    for item in screen["items"]:
        person.done(f"{path}/safety", screen=screen["id"], item=item["id"], answer="yes")
    page = person.get(f"{path}/bench").text
    flag = person.json(f"{path}/bench")["head"]["flags"][0]
    assert flag["local"].startswith("Ring 111")
    assert page.index(flag["local"]) < page.index(flag["clinician"][:30])


def test_care_needs_the_day_to_look_again(person: Person) -> None:
    path = hurt_knee(person)
    care = person.json(f"{path}/decide")["groups"][0]["id"]
    refused = person.post(f"{path}/decide", action="start-care", care_group=care)
    assert refused.status_code == 400 and "day" in refused.text
    past = (dt.date.today() - dt.timedelta(days=1)).isoformat()
    assert person.post(f"{path}/decide", action="start-care", care_group=care, review_on=past).status_code == 400
    assert person.json(f"{path}/decide")["decisions"] == []


def test_under_16_there_are_no_chances_but_safety_and_record(person: Person) -> None:
    path = person.visit(birth_year=dt.date.today().year - 12)
    bench = person.json(f"{path}/bench")
    assert bench["no_chances"] and bench["rails"] == [] and bench["ahead"] is None
    person.done(f"{path}/record", observable="lachman", result="negative")
    assert [c["observable"] for c in person.json(f"{path}/bench")["recorded"]] == ["lachman"]
    assert person.get(f"{path}/conditions/acl-tear").status_code == 409
    assert person.json(f"{path}/safety")["screens"]


def test_taking_back_gives_exactly_what_was_there(person: Person) -> None:
    path = hurt_knee(person)
    person.clear_screens(path)
    person.done(f"{path}/record", observable="lachman", result="positive")
    before = person.json(f"{path}/bench")
    person.done(f"{path}/record", observable="pivot-shift", result="negative")
    undo = person.json(f"{path}/bench")["undo"]
    person.done(f"{path}/undo", seq=undo["seq"])
    after = person.json(f"{path}/bench")
    assert after["rails"] == before["rails"] and after["recorded"] == before["recorded"]
    note = person.get(f"{path.rsplit('/', 1)[0]}/note.txt").text.casefold()
    assert "pivot" in note, "the old entry stays in the record"


def test_a_correction_takes_the_place_of_the_old_entry(person: Person) -> None:
    path = hurt_knee(person)
    person.done(f"{path}/record", observable="lachman", result="positive")
    seq = person.json(f"{path}/findings/lachman")["recorded"]["seq"]
    person.done(f"{path}/record", observable="lachman", result="unclear", guarding="yes", seq=seq)
    bench = person.json(f"{path}/bench")
    assert [(c["observable"], c["result"]) for c in bench["recorded"]] == [("lachman", "unclear")]
    assert "no evidence either way" in bench["last"]


def test_what_is_seen_decides_by_the_criterion(person: Person) -> None:
    path = hurt_knee(person)
    seen = {"o:travel": "same", "o:stop": "firm", "o:relaxed": "yes"}
    said = person.post(f"{path}/criterion", observable="lachman", **seen)
    assert "negative" in said.text
    person.done(f"{path}/record", observable="lachman", **seen)
    assert person.json(f"{path}/findings/lachman")["recorded"]["result"] == "negative"
    wrong = person.post(f"{path}/record", observable="lachman", **{"o:travel": "sideways"})
    assert wrong.status_code == 400 and "sideways" in wrong.text


def test_two_rises_withhold_what_provokes(person: Person) -> None:
    path = hurt_knee(person)
    person.clear_screens(path)
    for _ in range(2):
        person.done(f"{path}/worse", observable="lachman", before="3", after="6")
    reasons = [w["because"] for w in person.json(f"{path}/ahead")["ahead"]["withheld"]]
    assert any("risen twice" in r for r in reasons)


def test_a_recording_sent_twice_is_kept_once(person: Person) -> None:
    path = hurt_knee(person)
    same = str(uuid.uuid4())
    for _ in range(3):
        person.done(f"{path}/record", observable="lachman", result="positive", client_id=same, waited_ms="4000")
    seq = person.json(f"{path}/bench")["head"]["seq"]
    person.done(f"{path}/story", how="One", client_id="story-once")
    person.done(f"{path}/story", how="One", client_id="story-once")
    assert person.json(f"{path}/bench")["head"]["seq"] == seq + 1
    assert len(person.json(f"{path}/bench")["recorded"]) == 1


def test_two_tabs_record_at_once_and_nothing_is_lost(server: Running, person: Person) -> None:
    path = hurt_knee(person)
    names = ["lachman", "pivot-shift", "anterior-drawer", "mcmurray:medial", "lever-sign", "posterior-sag"]
    people = [Person(server.url) for _ in names]
    answers: list[int] = []

    def tap(who: Person, observable: str) -> None:
        answers.append(who.post(f"{path}/record", observable=observable, result="positive").status_code)

    threads = [threading.Thread(target=tap, args=pair) for pair in zip(people, names, strict=True)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert answers == [200] * len(names)
    assert {c["observable"] for c in person.json(f"{path}/bench")["recorded"]} == set(names)


def test_a_restart_loses_nothing_and_the_old_page_can_still_send(tmp_path: Path) -> None:
    first = Running(tmp_path)
    person = Person(first.url)
    path = hurt_knee(person)
    person.done(f"{path}/record", observable="lachman", result="positive")
    before = person.json(f"{path}/bench")
    first.stop()
    second = Running(tmp_path)
    try:
        again = Person(second.url)
        again.http.cookies = person.http.cookies
        again.token = person.token
        after = again.json(f"{path}/bench")
        assert (after["rails"], after["recorded"]) == (before["rails"], before["recorded"])
        again.done(f"{path}/record", observable="pivot-shift", result="negative")
    finally:
        second.stop()


def test_a_locked_store_is_one_line_and_nothing_half_saved(server: Running, person: Person, tmp_path: Path) -> None:
    path = hurt_knee(person)
    seq = person.json(f"{path}/bench")["head"]["seq"]
    holder = sqlite3.connect(next(tmp_path.glob("*.sqlite")), isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    try:
        answer = person.post(f"{path}/record", observable="lachman", result="positive")
        assert answer.status_code == 503 and len(answer.text.splitlines()) == 1 and "another program" in answer.text
    finally:
        holder.execute("ROLLBACK")
        holder.close()
    assert person.json(f"{path}/bench")["head"]["seq"] == seq
    person.done(f"{path}/record", observable="lachman", result="positive")


def test_a_problem_moved_to_the_other_side_clears_nothing_silently(person: Person) -> None:
    path = hurt_knee(person)
    person.clear_screens(path)
    person.done(f"{path}/record", observable="lachman", result="positive")
    person.done(f"{path}/move", swap=False, side="left", reason="patient meant the other")
    page = person.json(f"{path}/safety")
    assert page["head"]["title"] == "Left knee"
    assert page["head"]["safety"]["kind"] == "open", "answers given for the right do not clear the left"
    assert page["asked_elsewhere"]


def test_a_closed_visit_takes_late_entries_and_can_be_taken_up(person: Person) -> None:
    path = hurt_knee(person)
    visit = path.rsplit("/", 1)[0]
    person.done(f"{visit}/close")
    person.done(f"{path}/record", observable="lachman", result="negative")
    assert person.json(f"{path}/bench")["head"]["closed"]
    person.done(f"{visit}/outcome", problem="p1", condition="acl-tear", source="MRI", present="no", blind="yes")
    person.done(f"{visit}/reopen", reason="wrong side in the note")
    assert person.json(f"{path}/bench")["head"]["closed"] is None
    assert "MRI" in person.get(f"{visit}/note.txt").text


def test_several_problems_have_each_their_own_chances(person: Person) -> None:
    path = hurt_knee(person)
    visit = path.rsplit("/", 1)[0]
    second = person.done(f"{visit}/problems", swap=False, problem="shoulder/left").headers["location"].rsplit("/", 1)[0]
    person.done(f"{path}/record", observable="lachman", result="positive")
    other = person.json(f"{second}/bench")
    assert other["recorded"] == [] and other["head"]["title"] == "Left shoulder"
    assert {p["title"] for p in other["head"]["problems"]} == {"Right knee", "Left shoulder"}
    assert {r["id"] for r in other["rails"]}.isdisjoint({r["id"] for r in person.json(f"{path}/bench")["rails"]})


def test_the_next_visit_knows_the_last(person: Person) -> None:
    path = hurt_knee(person)
    visit = path.rsplit("/", 1)[0]
    person.done(f"{path}/story", activity_0="Stairs", score_0="3")
    person.done(f"{visit}/close")
    page = person.json("/visits/new", previous=visit.rsplit("/", 1)[1])
    assert page["code"] == "T-1" and page["birth_year"] == "1990"
    later = person.visit(previous=visit.rsplit("/", 1)[1])
    person.done(f"{later}/story", onset="injury", activity_0="Stairs", score_0="7")
    text = person.get(f"{later}/comparison.txt").text
    assert "Stairs" in text and "3" in text and "7" in text


def test_every_region_can_be_examined(person: Person) -> None:
    for region in ("shoulder", "elbow-wrist-hand", "cervical", "lumbar-pelvis", "hip", "ankle-foot"):
        path = person.visit(region=region, side="none" if region in ("cervical", "lumbar-pelvis") else "left")
        person.done(f"{path}/story", onset="gradual", ago="84")
        person.clear_screens(path)
        bench = person.json(f"{path}/bench")
        assert bench["rails"] and bench["ahead"] is not None, region
        card = bench["ahead"]["next"]
        if card is not None and card["question"] is None:
            person.done(f"{path}/record", observable=card["observable"], result="positive")
            assert person.json(f"{path}/bench")["last"].startswith(card["name"])


def test_a_starting_chance_can_be_set_by_hand_but_not_to_what_can_not_be(person: Person) -> None:
    path = hurt_knee(person)
    before = next(r for r in person.json(f"{path}/bench")["rails"] if r["id"] == "acl-tear")["mean"]
    person.done(f"{path}/conditions/acl-tear/chance", per_cent="60")
    after = next(r for r in person.json(f"{path}/bench")["rails"] if r["id"] == "acl-tear")["mean"]
    assert after == pytest.approx(0.6, abs=0.02) and abs(before - after) > 0.05
    seq = person.json(f"{path}/bench")["head"]["seq"]
    for wrong in ("140", "-3", "many", ""):
        assert person.post(f"{path}/conditions/acl-tear/chance", per_cent=wrong).status_code == 400, wrong
    assert person.post(f"{path}/conditions/no-such/chance", per_cent="10").status_code == 400
    assert person.json(f"{path}/bench")["head"]["seq"] == seq, "nothing was stored"
    person.done(f"{path}/conditions/acl-tear/chance", reset="yes")
    assert next(r for r in person.json(f"{path}/bench")["rails"] if r["id"] == "acl-tear")["mean"] == before


def test_the_story_says_the_irritability_that_the_taps_make(person: Person) -> None:
    path = person.visit()
    said = person.done(f"{path}/story", onset="gradual", how_little="little", how_bad="severe", how_long="hours").text
    assert 'id="irritability-now" hx-swap-oob="true"' in said and "Irritability: high" in said
    assert "Irritability: high" in person.get(f"{path}/story").text
