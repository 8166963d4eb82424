"""The certificate of the shared door: made on this machine at first use, signed by itself, kept beside the data.

Public: Certificate, certificate_for.
"""

from __future__ import annotations

import datetime as dt
import ipaddress
import os
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

HOLDS = dt.timedelta(days=365)
RENEW = dt.timedelta(days=30)  # before its end


@dataclass(frozen=True)
class Certificate:
    """Files of a certificate and its key; the fingerprint is that of SHA-256, in pairs of hexadecimal digits."""

    file: Path
    key_file: Path
    fingerprint: str
    ends_at: dt.datetime


def certificate_for(folder: Path, name: str, now: dt.datetime) -> Certificate:
    """The certificate for a name or an address, made where there is none that still holds. Raises OSError.

    Only the user may read the key. A new one has a new fingerprint, and browsers ask again.
    """
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    file, key_file = folder / "certificate.pem", folder / "key.pem"
    known = _kept(file, key_file, name, now)
    if known is None:
        known = _make(file, key_file, name, now)
    pairs = known.fingerprint(hashes.SHA256()).hex().upper()
    shown = " ".join(pairs[i : i + 4] for i in range(0, len(pairs), 4))
    return Certificate(file, key_file, shown, known.not_valid_after_utc)


def _kept(file: Path, key_file: Path, name: str, now: dt.datetime) -> x509.Certificate | None:
    try:
        held = x509.load_pem_x509_certificate(file.read_bytes())
        key = serialization.load_pem_private_key(key_file.read_bytes(), None)
        names = held.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (OSError, ValueError, TypeError, x509.ExtensionNotFound):
        return None
    fits = _general(name) in list(names) and key.public_key() == held.public_key()
    return held if fits and held.not_valid_before_utc <= now < held.not_valid_after_utc - RENEW else None


def _make(file: Path, key_file: Path, name: str, now: dt.datetime) -> x509.Certificate:
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Endfeel of this clinic")])
    usage = x509.KeyUsage(
        digital_signature=True, content_commitment=False, key_encipherment=False, data_encipherment=False,
        key_agreement=False, key_cert_sign=False, crl_sign=False, encipher_only=False, decipher_only=False,
    )  # fmt: skip
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(hours=1))
        .not_valid_after(now + HOLDS)
        .add_extension(x509.SubjectAlternativeName([_general(name)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    secret = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    for target, content in ((key_file, secret), (file, made.public_bytes(serialization.Encoding.PEM))):
        part = target.with_name(f".{target.name}.new")
        part.unlink(missing_ok=True)
        handle = os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        with os.fdopen(handle, "wb") as out:
            out.write(content)
        os.replace(part, target)
    return made


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)
