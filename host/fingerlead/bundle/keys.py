"""Keys: each side signs with its own, and knows the other's by eight words that were read out.

A key pair is Ed25519 (RFC 8032), made by PyNaCl at first use. The words are the first 64 bits of a SHA-256 over the
public key: to find another key with the same words, some 10^19 have to be made. Whose words were compared once is known
by the whole key from then on.
"""

import hashlib
import re
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING

from fingerlead.phrases import path_text
from fingerlead.spoken import SpokenError, from_words, to_words
from fingerlead.store.files import PRIVATE, close_to_others, make_private, why_not, write_new

if TYPE_CHECKING:
    from nacl.signing import SigningKey

FILE = "bundle.key"
WORDS = 8
KEY = re.compile("[0-9a-f]{64}")
# What a QR code of a public key holds before its digits; the words are made of it with the key.
HEAD = "fingerlead-key-1:"
GREATEST = 1 << 10
FRAME = 2  # of a QR code in a terminal, in modules
NEEDS = "it needs the Python package {}, which is missing: pip install 'fingerlead[lesson]' brings it"


class BundleError(ValueError):
    """A bundle that cannot be made or taken in, or a key; `str()` is one plain sentence."""


@dataclass(frozen=True, slots=True)
class OwnKey:
    """A key pair; `public` is the public key as 64 hexadecimal digits."""

    public: str
    _signing: "SigningKey"

    def sign(self, message: bytes) -> bytes:
        """The signature of a message, 64 bytes."""
        return self._signing.sign(message).signature


def own_key(folder: Path) -> OwnKey:
    """The key pair of a folder, made where there is none; raises BundleError."""
    try:
        from nacl.signing import SigningKey
    except ImportError:
        raise BundleError(f"a bundle is signed, and {NEEDS.format('PyNaCl')}") from None
    path = folder / FILE
    try:
        if not path.exists() and not path.is_symlink():
            make_private(folder)
            _write_first(path, f"{SigningKey.generate().encode().hex()}\n".encode())
        if path.is_symlink() or not path.is_file() or path.stat().st_size > GREATEST:
            raise BundleError(f"{path_text(path)}: expected a key of this program; this is something else")
        close_to_others(path, PRIVATE)
        digits = path.read_bytes().strip().decode("ascii", "replace")
    except OSError as error:
        raise BundleError(f"{path_text(path)}: the key cannot be kept: {why_not(error)}") from None
    if not KEY.fullmatch(digits):
        raise BundleError(
            f"{path_text(path)}: expected a key of 64 digits and letters a to f; this file is damaged. Bring it back "
            "from a copy; or remove it, and compare words with the other side anew"
        )
    signing = SigningKey(bytes.fromhex(digits))
    return OwnKey(signing.verify_key.encode().hex(), signing)


def _write_first(path: Path, data: bytes) -> None:
    try:
        write_new(path, data)
    except FileExistsError:
        # Another program of this folder was first: its key counts.
        return


def is_signed(message: bytes, signature: bytes, public: str) -> bool:
    """Whether a message was signed with the key of a public one; raises BundleError where PyNaCl is missing."""
    try:
        from nacl.exceptions import CryptoError
        from nacl.signing import VerifyKey
    except ImportError:
        raise BundleError(f"a bundle is signed, and {NEEDS.format('PyNaCl')}") from None
    try:
        VerifyKey(bytes.fromhex(public)).verify(message, signature)
    except (CryptoError, ValueError):
        return False
    return True


def key_words(public: str) -> str:
    """The eight words of a public key."""
    return " ".join(to_words(_fingerprint(public)))


def key_text(public: str) -> str:
    """A public key as a QR code holds it."""
    return HEAD + public


def is_told(public: str, told: str) -> bool:
    """Whether what was typed or scanned, eight words or the text of a QR code, is that of a key. Raises BundleError."""
    told = told.strip()
    if told.startswith(HEAD):
        return told == key_text(public)
    try:
        return from_words(told, WORDS) == _fingerprint(public)
    except SpokenError as error:
        raise BundleError(str(error)) from None


def key_picture(public: str) -> list[str]:
    """A public key as a QR code in lines of blocks, to be printed light on dark; raises BundleError without segno."""
    try:
        import segno
    except ImportError:
        raise BundleError(f"a QR code is drawn by segno: {NEEDS.format('segno')}") from None
    drawn = StringIO()
    segno.make_qr(key_text(public), error="m").terminal(drawn, border=FRAME, compact=True)
    return drawn.getvalue().splitlines()


def _fingerprint(public: str) -> bytes:
    return hashlib.sha256(key_text(public).encode()).digest()[:WORDS]
