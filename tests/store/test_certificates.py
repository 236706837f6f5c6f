"""The certificate of a page on the network: good by its own word, for its owner alone, renewed in time."""

from __future__ import annotations

import os
import socket
import ssl
import stat
import sys
import threading
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address

import pytest

pytest.importorskip("cryptography", reason="needs the Python package cryptography")

from cryptography import x509

from fingerlead.store.certificates import (
    FILE,
    GREATEST,
    LASTS,
    RENEWED_BEFORE,
    CertificateError,
    page_certificate,
)
from tests.waiting import PATIENCE_S

NOW = datetime(2026, 11, 6, 19, tzinfo=UTC)
HERE, ELSEWHERE = "192.168.1.20", "192.168.1.21"


def handshake(path, asked, trusted):
    """A client that trusts `trusted` alone asks for `asked` and gets what is in `path`; raises what the client does."""
    here, there = socket.socketpair()
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(path)
    client = ssl.create_default_context(cafile=trusted)
    client.verify_flags |= ssl.VERIFY_X509_STRICT

    def serve():
        try:
            server.wrap_socket(there, server_side=True).close()
        except (ssl.SSLError, OSError):
            there.close()

    serving = threading.Thread(target=serve)
    serving.start()
    try:
        client.wrap_socket(here, server_hostname=asked).close()
    finally:
        here.close()
        serving.join(PATIENCE_S)


@pytest.mark.parametrize("address", [HERE, "fd00::20"])
def test_it_is_good_for_its_address_and_no_other(tmp_path, address):
    path = page_certificate(tmp_path / "new", address, datetime.now(UTC))
    handshake(path, address, path)
    with pytest.raises(ssl.SSLCertVerificationError, match="IP address mismatch"):
        handshake(path, ELSEWHERE, path)
    other = page_certificate(tmp_path / "other", address, datetime.now(UTC))
    with pytest.raises(ssl.SSLCertVerificationError, match="self-signed"):
        handshake(path, address, other)


def test_it_is_for_its_owner_alone_and_can_sign_no_other(tmp_path):
    path = page_certificate(tmp_path / "new", HERE, NOW)
    made = x509.load_pem_x509_certificate(path.read_bytes())
    assert not made.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    names = made.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert list(names) == [x509.IPAddress(ip_address(HERE))]
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700


@pytest.mark.parametrize(
    ("address", "later", "kept"),
    [
        (HERE, timedelta(0), True),
        (HERE, LASTS - RENEWED_BEFORE - timedelta(minutes=1), True),
        (HERE, LASTS - RENEWED_BEFORE, False),
        (HERE, LASTS * 2, False),
        (HERE, timedelta(days=-2), False),
        (ELSEWHERE, timedelta(0), False),
    ],
)
def test_it_is_made_once_and_renewed_before_it_ends_or_where_the_address_is_another(tmp_path, address, later, kept):
    first = page_certificate(tmp_path, HERE, NOW).read_bytes()
    second = page_certificate(tmp_path, address, NOW + later).read_bytes()
    assert (second == first) == kept
    assert page_certificate(tmp_path, address, NOW + later).read_bytes() == second


@pytest.mark.skipif(os.name != "posix", reason="needs rights of files")
def test_one_that_others_could_read_is_renewed(tmp_path):
    path = page_certificate(tmp_path, HERE, NOW)
    first = path.read_bytes()
    path.chmod(0o644)
    assert page_certificate(tmp_path, HERE, NOW).read_bytes() != first
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def _of_another(data):
    """The same key, and a certificate by another name."""
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.serialization import Encoding, load_pem_private_key

    key, name = load_pem_private_key(data, None), x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "another")])
    made = x509.CertificateBuilder(name, name, key.public_key(), 1, NOW, NOW + LASTS).sign(key, hashes.SHA256())
    return data.partition(b"-----BEGIN CERTIFICATE")[0] + made.public_bytes(Encoding.PEM)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: b"",
        lambda data: data[: len(data) // 2],
        lambda data: data.partition(b"-----BEGIN CERTIFICATE")[0],
        lambda data: data.replace(b"MI", b"\x1b[", 1),
        lambda data: b"x" * (GREATEST + 1),
        _of_another,
    ],
)
def test_a_file_that_is_not_the_programs_own_stays_and_is_named(tmp_path, spoil):
    path = page_certificate(tmp_path, HERE, NOW)
    path.write_bytes(spoil(path.read_bytes()))
    there = path.read_bytes()
    with pytest.raises(CertificateError, match=rf"{FILE}: expected the certificate and key.*Move it away") as refused:
        page_certificate(tmp_path, HERE, NOW)
    assert "\n" not in str(refused.value)
    assert path.read_bytes() == there


def test_a_folder_or_a_link_in_its_place_is_no_certificate(tmp_path):
    other = page_certificate(tmp_path / "other", HERE, NOW)
    for name, put in {"folder": lambda path: path.mkdir(), "link": lambda path: path.symlink_to(other)}.items():
        (tmp_path / name).mkdir()
        put(tmp_path / name / FILE)
        with pytest.raises(CertificateError, match="expected the certificate"):
            page_certificate(tmp_path / name, HERE, NOW)


def test_a_folder_that_cannot_be_made_is_said(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(CertificateError, match="cannot be kept"):
        page_certificate(tmp_path / "file", HERE, NOW)


def test_without_the_extra_a_sentence_names_it(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "cryptography", None)
    with pytest.raises(CertificateError, match=r"fingerlead\[join\]"):
        page_certificate(tmp_path, HERE, NOW)
    assert list(tmp_path.iterdir()) == []
