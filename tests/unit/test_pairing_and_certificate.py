"""What the shared door stands on: codes, tries, certificates, cookies."""

from __future__ import annotations

import datetime as dt
import stat
from pathlib import Path

import pytest
from cryptography import x509

from endfeel.web.certificate import HOLDS, RENEW, certificate_for
from endfeel.web.doors import cookie
from endfeel.web.pairing import LASTS, TRIES, Pairing
from endfeel.web.throttle import Throttle

NOW = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)


def test_a_code_works_once_and_only_in_its_time() -> None:
    pairing = Pairing()
    assert pairing.use("00000000", NOW) is None
    code = pairing.begin("KB", NOW)
    assert len(code.digits) == 8 and code.shown.replace(" ", "") == code.digits
    assert pairing.use(code.shown, NOW + LASTS - dt.timedelta(seconds=1)) == code
    assert pairing.use(code.digits, NOW) is None, "used up"
    late = pairing.begin("KB", NOW)
    assert pairing.use(late.digits, NOW + LASTS) is None and pairing.current(NOW) is None


def test_a_new_code_voids_the_old_one() -> None:
    pairing = Pairing()
    old, new = pairing.begin("KB", NOW), pairing.begin("KB", NOW)
    assert old.digits == new.digits or pairing.use(old.digits, NOW) is None
    assert pairing.use(new.digits, NOW) == new


def test_guessing_voids_the_code() -> None:
    pairing = Pairing()
    code = pairing.begin("KB", NOW)
    wrong = f"{(int(code.digits) + 1) % 10**8:08d}"
    for _ in range(TRIES):
        assert pairing.use(wrong, NOW) is None
    assert pairing.use(code.digits, NOW) is None


def test_codes_are_spread_over_all_digits() -> None:
    pairing = Pairing()
    codes = {pairing.begin("KB", NOW).digits for _ in range(300)}
    assert len(codes) > 295 and {c[0] for c in codes} == set("0123456789")


def test_a_throttle_lets_through_again_after_its_time() -> None:
    now = [0.0]
    throttle = Throttle(3, 60, lambda: now[0])
    assert [throttle.take("a") for _ in range(4)] == [0, 0, 0, 60]
    assert throttle.take("b") == 0
    now[0] = 59.5
    assert throttle.take("a") == 1
    now[0] = 60
    assert throttle.take("a") == 0
    throttle.forget("a")
    assert [throttle.take("a") for _ in range(3)] == [0, 0, 0]


def test_the_certificate_is_kept_and_remade_when_it_must_be(tmp_path: Path) -> None:
    folder = tmp_path / "share"
    first = certificate_for(folder, "127.0.0.2", NOW)
    again = certificate_for(folder, "127.0.0.2", NOW + dt.timedelta(days=100))
    assert again == first and len(first.fingerprint.replace(" ", "")) == 64
    other = certificate_for(folder, "clinic.internal", NOW)
    assert other.fingerprint != first.fingerprint, "another name needs another certificate"
    renewed = certificate_for(folder, "clinic.internal", NOW + HOLDS - RENEW + dt.timedelta(days=1))
    assert renewed.fingerprint != other.fingerprint and renewed.ends_at > other.ends_at
    held = x509.load_pem_x509_certificate(renewed.file.read_bytes())
    names = held.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.DNSName) == ["clinic.internal"]
    renewed.key_file.write_text("no key")
    assert certificate_for(folder, "clinic.internal", NOW + HOLDS).fingerprint != renewed.fingerprint
    assert stat.S_IMODE(renewed.key_file.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


@pytest.mark.parametrize("others", ["", 'x="a b; ', "a=b c; ", "=; ", "odd name=1; ", "é=1; "])
def test_another_programs_odd_cookie_does_not_hide_ours(others: str) -> None:
    assert cookie(f"{others}endfeel_session={'k' * 43}", "endfeel_session") == "k" * 43


@pytest.mark.parametrize("value", ["", "short", "k" * 65, "ké" * 20])
def test_what_is_no_token_is_none(value: str) -> None:
    assert cookie(f"endfeel_session={value}", "endfeel_session") is None
