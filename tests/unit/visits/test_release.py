"""An earlier release read by today's program: its figures as far as their form can be read, and today's safety."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import pytest

from endfeel.catalogue import CatalogueError
from endfeel.catalogue.entries import HandsOn
from endfeel.evidence import EvidenceError
from endfeel.visits.release import Release, is_safety, kept_release, shipped_release, with_safety_of

TODAY = shipped_release()
CARE = "catalogue/knee/care.toml"
LAXITY = "catalogue/knee/findings-laxity.toml"
ACCURACY = "evidence/knee/accuracy.csv"


def earlier(**changes: tuple[str, str, str]) -> Release:
    """The shipped release with one text in a file replaced by another, read as one that was kept."""
    files = dict(TODAY.files)
    for file, old, new in changes.values():
        text = files[file].decode()
        assert old in text
        files[file] = text.replace(old, new).encode()
    return kept_release(files, TODAY.edition, TODAY)


def lachman(release: Release) -> HandsOn:
    found = release.catalogue.region("knee").findings["lachman"]
    assert isinstance(found, HandsOn)
    return found


def test_the_same_files_are_todays_release() -> None:
    again = kept_release(dict(TODAY.files), TODAY.edition, TODAY)
    assert again.catalogue is TODAY.catalogue and again.evidence is TODAY.evidence and again.costs is TODAY.costs


def test_other_harms_and_other_rows_are_those_of_then() -> None:
    then = earlier(
        care=(CARE, "harm_of_a_miss = 4.0\nharm_of_wrong_care = 2.5", "harm_of_a_miss = 8.0\nharm_of_wrong_care = 2.5"),
        rows=(ACCURACY, ",117,27,31,225,", ",118,27,30,225,"),
    )
    assert then.costs["knee"].harm_of_a_miss["knee-cruciate"] == 8.0
    assert TODAY.costs["knee"].harm_of_a_miss["knee-cruciate"] == 4.0
    assert then.evidence.fingerprint != TODAY.evidence.fingerprint
    assert {row.tp for row in then.evidence.accuracy_of("lachman", "acl-tear")} >= {118}


def test_a_form_that_changed_since_is_read_as_far_as_it_goes() -> None:
    rows = TODAY.files[ACCURACY].decode().splitlines()
    wider = "\n".join([f"{rows[0]},remark", *(f"{row}," for row in rows[1:])])
    files = {
        **TODAY.files,
        ACCURACY: wider.encode(),
        CARE: TODAY.files[CARE].replace(b"[knee-cruciate]", b"[knee-cruciate]\nonce_known = 3"),
        LAXITY: TODAY.files[LAXITY].replace(b"studied_as = { note", b"studied_as = { once_known = 1, note"),
        "planning/costs.toml": b"minute = 0.5\n",
    }
    then = kept_release(files, TODAY.edition, TODAY)
    assert then.costs["knee"].minute == 0.5
    assert then.costs["knee"].reposition == TODAY.costs["knee"].reposition, "what it did not have yet is as shipped"
    assert then.evidence.accuracy == TODAY.evidence.accuracy
    assert lachman(then) == lachman(TODAY)


@pytest.mark.parametrize(
    ("file", "old", "new", "error"),
    [
        (ACCURACY, ",117,27,31,225,", ",many,27,31,225,", EvidenceError),
        (LAXITY, 'patient = "Face up', 'patient = 3 # "Face up', CatalogueError),
    ],
)
def test_what_today_can_not_read_is_one_line(file: str, old: str, new: str, error: type[Exception]) -> None:
    with pytest.raises(error) as caught:
        earlier(change=(file, old, new))
    assert "\n" not in str(caught.value)


def test_a_name_that_leads_out_of_the_folder_is_refused() -> None:
    with pytest.raises(OSError, match="no name of a table"):
        kept_release({**TODAY.files, "../../etc/x.toml": b""}, TODAY.edition, TODAY)


def test_safety_is_todays() -> None:
    then = earlier(
        caution=(LAXITY, 'hot-joint = "same day"', 'hot-joint = "as you like"'),
        screen=("catalogue/screens.toml", 'name = "Infected joint"', 'name = "Old name"'),
        base=("catalogue/knee/base.toml", "[[card]]", "# older\n[[card]]"),
    )
    assert then.catalogue.screens == TODAY.catalogue.screens
    assert then.catalogue.precautions == TODAY.catalogue.precautions
    assert lachman(then).never_if == lachman(TODAY).never_if
    assert then.catalogue.region("knee").cards == TODAY.catalogue.region("knee").cards
    assert [n for n in TODAY.files if is_safety(n)][:1] and not is_safety(CARE)


def test_a_finding_that_is_no_more_is_withheld_where_any_precaution_holds() -> None:
    knee = TODAY.catalogue.region("knee")
    fewer = replace(knee, findings=MappingProxyType({k: v for k, v in knee.findings.items() if k != "lachman"}))
    today = replace(TODAY.catalogue, regions=MappingProxyType({**TODAY.catalogue.regions, "knee": fewer}))
    found = with_safety_of(today, TODAY.catalogue).region("knee").findings["lachman"]
    assert isinstance(found, HandsOn) and found.never_if.keys() == today.precautions.keys()
    assert found.targets == lachman(TODAY).targets
