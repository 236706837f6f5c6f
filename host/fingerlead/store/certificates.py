"""The certificate of a page on the network: made on this machine for its own address, and kept for the next time.

One file holds the certificate and its key, so that the two are always of one making.
"""

import ipaddress
import os
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from fingerlead.phrases import path_text
from fingerlead.store.files import OTHERS, make_private, why_not, write_whole

if TYPE_CHECKING:
    from cryptography import x509

FILE = "page.pem"
NAME = "fingerlead"
# Phones refuse one that lasts longer than 398 days, and one without its address or its purpose (from memory).
LASTS = timedelta(days=365)
RENEWED_BEFORE = timedelta(days=30)
# A clock that is a little behind, such as a phone's, does not find it too young.
BACKDATED = timedelta(days=1)
GREATEST = 1 << 16
NEEDS = (
    "a certificate is made by the Python package cryptography, which is missing: pip install 'fingerlead[join]' brings "
    "it, or name a certificate of your own with --tls-cert and --tls-key"
)


class CertificateError(ValueError):
    """There can be no certificate; `str()` is one sentence."""


def page_certificate(folder: Path, address: str, now: datetime) -> Path:
    """The file with a certificate for an IP address of this machine, and its key, both in PEM.

    It is made where there is none, and renewed where it is for another address, ends within 30 days of `now` (with a
    time zone), or was open to others. Raises CertificateError.
    """
    path = folder / FILE
    try:
        if not _lasts(path, address, now):
            make_private(folder)
            write_whole(path, _made(address, now))
    except ImportError:
        raise CertificateError(NEEDS) from None
    except OSError as error:
        raise CertificateError(f"{path_text(path)}: the page's certificate cannot be kept: {why_not(error)}") from None
    return path


def _lasts(path: Path, address: str, now: datetime) -> bool:
    """Whether a file's certificate is good for `address` still; raises CertificateError where it is not our own."""
    if not os.path.lexists(path):
        return False
    status = path.lstat()
    own = not path.is_symlink() and path.is_file() and status.st_size <= GREATEST
    if os.name == "posix":
        own = own and status.st_uid == os.getuid()
    certificate = _own_certificate(path.read_bytes()) if own else None
    if certificate is None:
        raise CertificateError(
            f"{path_text(path)}: expected the certificate and key that fingerlead made itself; got something damaged, "
            "or another's. Move it away, and a new one is made"
        )
    if status.st_mode & OTHERS:
        return False
    begun, ends = certificate.not_valid_before_utc, certificate.not_valid_after_utc
    return _names(certificate) == _name(address) and begun <= now < ends - RENEWED_BEFORE


def _own_certificate(data: bytes) -> "x509.Certificate | None":
    """The certificate in a file that this module wrote, where its key fits."""
    from cryptography import x509
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        certificate, key = x509.load_pem_x509_certificate(data), load_pem_private_key(data, None)
        own = certificate.public_key() == key.public_key() and certificate.subject == _subject()
    except (ValueError, TypeError, UnsupportedAlgorithm):
        return None
    return certificate if own else None


def _made(address: str, now: datetime) -> bytes:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
    from cryptography.x509.oid import ExtendedKeyUsageOID

    key = ec.generate_private_key(ec.SECP256R1())
    identity = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
    certificate = (
        x509.CertificateBuilder(_subject(), _subject(), key.public_key(), x509.random_serial_number())
        .not_valid_before(now - BACKDATED)
        .not_valid_after(now + LASTS)
        .add_extension(_name(address), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(identity, critical=False)
        .sign(key, hashes.SHA256())
    )
    bare = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    return bare + certificate.public_bytes(Encoding.PEM)


def _subject() -> "x509.Name":
    from cryptography import x509

    return x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, NAME)])


def _name(address: str) -> "x509.SubjectAlternativeName":
    from cryptography import x509

    return x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(address))])


def _names(certificate: "x509.Certificate") -> "x509.SubjectAlternativeName | None":
    from cryptography import x509

    try:
        return certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (x509.ExtensionNotFound, ValueError):
        return None
