"""Where a page is served: an address of this computer, a port that is free, and TLS."""

import contextlib
import errno
import hashlib
import ipaddress
import re
import secrets
import socket
import ssl
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

# Ports that are nobody's (RFC 6335, section 6). One is drawn by lot: a browser keeps service workers and pages of any
# program that was at the same port before, and would let them have the token.
FIRST_PORT, PORTS = 49_152, 16_384
TRIED = 20
# Connections that wait for the door; they take no descriptor of ours.
BACKLOG = 1_024
EVERY = ("0.0.0.0", "::", "")
CERTIFICATE = re.compile("-----BEGIN CERTIFICATE-----.*?-----END CERTIFICATE-----", re.DOTALL)
NOT_HERE = "expected an address of this computer after --listen, such as 127.0.0.1 or 0.0.0.0; got {address}"


class NoPlaceError(Exception):
    """The server cannot listen there; `str()` is one sentence."""


@dataclass(frozen=True, slots=True)
class WebPlace:
    """Where a page is served: an address, a port or (None) one drawn by lot, and TLS where it is encrypted.

    `fingerprint` is that of the certificate, as browsers show it (SHA-256).
    """

    address: str = "127.0.0.1"
    port: int | None = None
    tls: ssl.SSLContext | None = None
    fingerprint: str = ""

    @property
    def in_clear(self) -> bool:
        """Whether what goes between page and program can be read on the way."""
        return self.tls is None and not is_loopback(self.address)


def is_loopback(address: str) -> bool:
    """Whether an address is reached from this computer alone."""
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return address.lower() == "localhost"


def tls_of(certificate: Path, key: Path) -> ssl.SSLContext:
    """TLS with a certificate and its key, both in PEM. Raises NoPlaceError."""
    made = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    for path in (certificate, key):
        try:
            path.read_bytes()
        except OSError as error:
            raise NoPlaceError(f"{path}: cannot be read: {error.strerror or error}; name another file") from None
    try:
        # A key that is locked would be asked for at the terminal.
        made.load_cert_chain(certificate, key, password="")
    except (ssl.SSLError, ValueError):
        raise NoPlaceError(
            f"expected a certificate in {certificate} and its own key, without a passphrase, in {key}, both in PEM; "
            "got something else. openssl and mkcert make such a pair"
        ) from None
    return made


def fingerprint_of(certificate: Path) -> str:
    """The SHA-256 of the first certificate in a file that `tls_of` took, as browsers show it: pairs with colons."""
    found = CERTIFICATE.search(certificate.read_text(encoding="utf-8", errors="replace"))
    digest = hashlib.sha256(ssl.PEM_cert_to_DER_cert(found[0])).digest() if found else b""
    return digest.hex(":").upper()


def listen(at: WebPlace) -> socket.socket:
    """A socket that listens, on a certain port or (None) on one drawn by lot. Raises NoPlaceError."""
    if at.port is not None:
        return _bound(at.address, at.port)
    for _ in range(TRIED):
        with contextlib.suppress(NoPlaceError):
            return _bound(at.address, FIRST_PORT + secrets.randbelow(PORTS))
    return _bound(at.address, 0)


def _bound(address: str, port: int) -> socket.socket:
    family, kind, protocol, _, place = _found(address, port)
    made = socket.socket(family, kind, protocol)
    try:
        if sys.platform != "win32":
            # Else a port stays taken for a minute after the last page has gone.
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(place)
        made.listen(BACKLOG)
    except OSError as error:
        made.close()
        if error.errno == errno.EADDRNOTAVAIL:
            raise NoPlaceError(NOT_HERE.format(address=address)) from None
        raise NoPlaceError(
            f"the page cannot be served at {address}, port {port} ({error.strerror or error}): perhaps another program "
            "is there. Name another with --web-port, or leave it out and a free one is taken"
        ) from None
    return made


def _found(address: str, port: int) -> tuple[Any, ...]:
    """What the system makes of an address. Raises NoPlaceError."""
    try:
        return socket.getaddrinfo(address, port, type=socket.SOCK_STREAM)[0]
    except (socket.gaierror, UnicodeError):
        raise NoPlaceError(NOT_HERE.format(address=address)) from None


def network_address(address: str) -> str:
    """The IP address by which others reach this computer: the one named, unless it stands for all or is here alone.

    Raises NoPlaceError.
    """
    if address not in EVERY and not is_loopback(address):
        return str(_found(address, 0)[4][0])
    outwards = _outwards()
    if outwards is None or is_loopback(outwards):
        raise NoPlaceError(
            "expected this computer to be in a network, such as the Wi-Fi of the house; it is in none. Join one and "
            "begin again, or name this computer's address there with --listen"
        )
    return outwards


def _outwards() -> str | None:
    """This computer's address in its network."""
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        # Nothing is sent: this only asks which way would be taken to an address kept for documentation (RFC 5737).
        out.connect(("192.0.2.1", 9))
        return str(out.getsockname()[0])
    return None


def shown(address: str) -> str:
    """An address as another device in the house can write it; of one that stands for all, the one used outwards."""
    if address in EVERY:
        return _outwards() or socket.gethostname()
    return f"[{address}]" if ":" in address else address
