"""Two servers on one store: what one of them set, the other does not write over."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from test_web_own_studies import OWN, form
from web_server import Person, Running

from endfeel.storage import Store
from endfeel.web import clinic_costs, clinic_evidence


@pytest.fixture
def people(tmp_path: Path, any_url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Person, Person]]:
    """Somebody at each of two servers, neither of which looks again for what the other did."""
    monkeypatch.setattr(clinic_evidence, "LOOK_AGAIN", 3600.0)
    monkeypatch.setattr(clinic_costs, "LOOK_AGAIN", 3600.0)
    servers = [Running(tmp_path / name, store_url=any_url) for name in ("one", "two")]
    yield Person(servers[0].url), Person(servers[1].url)
    for server in servers:
        server.stop()


def costs(person: Person) -> dict[str, str]:
    page = person.json("/costs/knee")
    cells = [*page["looking"], *page["burden"], *(c for g in page["groups"] for c in g["cells"])]
    return {c["name"]: c["value"] for c in cells}


def test_both_use_one_secret(people: tuple[Person, Person]) -> None:
    one, two = people
    one.http.base_url = two.http.base_url
    assert one.post("/theme", theme="dark").status_code < 400, "a page of one server may post to the other"
    one.token = "0" * 64
    assert one.post("/theme", theme="dark").status_code == 403


def test_studies_and_costs_that_another_server_set_are_not_written_over(
    people: tuple[Person, Person], any_url: str
) -> None:
    one, two = people
    seen = two.json(OWN)["seen"]
    table = costs(two)
    assert one.post(f"{OWN}/new?region=knee", swap=False, **form()).status_code == 303
    one.done("/costs/knee", swap=False, **{**table, "minute": "0.009"}, act="keep", seen="0")
    late = two.post(f"{OWN}/new?region=knee", swap=False, **form(citation="Another, of 2025", seen=str(seen)))
    assert late.status_code == 409 and "changed meanwhile" in late.text
    answer = two.post("/costs/knee", swap=False, **{**table, "minute": "0.02"}, act="keep", seen="0")
    assert answer.status_code == 409 and "changed meanwhile" in answer.text
    with Store(any_url) as store:
        assert len(store.setting("own-studies")["changes"]) == 1
        assert store.setting("costs")["knee"][-1]["values"] == {"minute": 0.009}
    assert len(two.json(OWN)["own"]) == 1, "what was refused made it look again"


def test_between_looking_and_writing_nobody_is_written_over(
    people: tuple[Person, Person], any_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other server writes in the moment between this one's last look and its own writing."""
    _, two = people
    table = costs(two)
    plain = Store.change_settings

    def slow(self: Store, changes: Any) -> None:
        (key,) = changes
        theirs = {"own-studies": {"format": 1, "changes": []}, "costs": {"hip": []}}[key]
        with Store(any_url) as other:
            other.set_setting(key, theirs)
        plain(self, changes)

    monkeypatch.setattr(Store, "change_settings", slow)
    answer = two.post(f"{OWN}/new?region=knee", swap=False, **form())
    assert answer.status_code == 409 and "perhaps by another server" in answer.text
    answer = two.post("/costs/knee", swap=False, **{**table, "minute": "0.02"}, act="keep")
    assert answer.status_code == 409 and "perhaps by another server" in answer.text
    with Store(any_url) as store:
        assert store.setting("costs") == {"hip": []}


def test_the_clinics_settings_are_kept_all_or_none(people: tuple[Person, Person]) -> None:
    one, two = people
    seen = two.json("/clinic")["seen"]
    one.done("/clinic", swap=False, name="First", emergency="Ring 111", seen=one.json("/clinic")["seen"])
    answer = two.post("/clinic", swap=False, name="Second", urgent="Ring 222", seen=seen)
    assert answer.status_code == 409 and "changed meanwhile" in answer.text
    page = two.json("/clinic")
    assert page["name"] == "First"
    assert [p["words"] for p in page["pathways"] if p["words"]] == ["Ring 111"]
