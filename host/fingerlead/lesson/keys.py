"""The keys of a lesson: agreed by the spoken code, then every packet sealed, in each direction and lane with its own.

The agreement is SPAKE2 (M. Abdalla and D. Pointcheval, "Simple Password-Based Encrypted Key Exchange Protocols", CT-RSA
2005) in the form of the PyPI package `spake2`, over Ed25519's group: neither side learns more of the other's secret
than whether one guess was right. It is not the form of RFC 9382, which came later, and has other constants, another
hash of the exchange and its own confirmation. It is used because it is the kept library for Python, and because both
ends are this program; the confirmation here is ours, and binds the versions that were offered too.

Sealing is XChaCha20-Poly1305 (libsodium, by PyNaCl). A nonce is the packet's counter; it never comes twice under a key,
as a counter only rises, each direction and lane has its key, and an agreement makes new ones.
"""

import hashlib
import hmac
from collections.abc import Callable
from importlib import import_module
from os import urandom
from typing import TYPE_CHECKING, Literal

from fingerlead.lesson.errors import LessonError, unexpected
from fingerlead.lesson.packets import HEADER, VERSION, Greet, Lane, Sealed, encode_packet

if TYPE_CHECKING:
    from nacl.secret import Aead

Role = Literal["pupil", "teacher"]
INSTALL = "pip install 'fingerlead[lesson]' brings it"
IDENTITIES = {"pupil": b"fingerlead pupil", "teacher": b"fingerlead teacher"}
# How far behind the newest a packet may come and still be the first of its number; as in RFC 4303, section 3.4.3.
WINDOW = 1_024
_PERSON = b"fingerlead les 1"


class NotInstalled(LessonError):
    """A package that lessons need is missing."""

    def __init__(self, package: str) -> None:
        super().__init__(f"the Python package {package} is missing; {INSTALL}")


def check_installed(*modules: str) -> None:
    """Raises NotInstalled where one of these packages cannot be imported."""
    for module in modules:
        try:
            import_module(module)
        except ImportError:
            raise NotInstalled(module.partition(".")[0]) from None


def other(role: Role) -> Role:
    """The role of the other end."""
    return "teacher" if role == "pupil" else "pupil"


class Agreement:
    """One end's part of one key agreement; `message` goes to the other end. `random` is for vectors in tests."""

    def __init__(self, role: Role, secret: bytes, random: Callable[[int], bytes] = urandom) -> None:
        from spake2 import SPAKE2_A, SPAKE2_B

        side = SPAKE2_A if role == "pupil" else SPAKE2_B
        names = IDENTITIES["pupil"], IDENTITIES["teacher"]
        self._side = side(secret, idA=names[0], idB=names[1], entropy_f=random)
        self.role = role
        self.message: bytes = self._side.start()

    def finish(self, pupil: Greet, teacher: Greet) -> "Keys":
        """The keys, if both know the secret; raises LessonError for a message that is none."""
        theirs = teacher if self.role == "pupil" else pupil
        try:
            shared = self._side.finish(theirs.message)
        except Exception:  # the package raises what its arithmetic does
            raise unexpected("a message of the key agreement", "something else") from None
        return Keys(self.role, shared, encode_packet(pupil) + encode_packet(teacher))


class Keys:
    """All keys of a lesson, as one end uses them; `said` is what both said to agree, and is bound to them."""

    def __init__(self, role: Role, shared: bytes, said: bytes) -> None:
        self.role = role
        self._root = hashlib.blake2b(said, key=shared, digest_size=32, person=_PERSON).digest()

    def of(self, *purpose: str) -> bytes:
        """The key of 32 bytes for a purpose."""
        return hashlib.blake2b(" ".join(purpose).encode(), key=self._root, digest_size=32, person=_PERSON).digest()

    def proof(self) -> bytes:
        """What shows the other end that this one has the keys."""
        return self.of("confirm", self.role)

    def proves(self, proof: bytes) -> bool:
        """Whether that came from an end with the same keys."""
        return hmac.compare_digest(self.of("confirm", other(self.role)), proof)

    def sealer(self, lane: Lane) -> "Sealer":
        """Seals what this end sends on a lane."""
        return Sealer(lane, self.of(self.role, lane.name.lower()))

    def opener(self, lane: Lane) -> "Opener":
        """Opens what the other end sends on a lane."""
        return Opener(self.of(other(self.role), lane.name.lower()))


class Sealer:
    """Seals contents one after the other."""

    def __init__(self, lane: Lane, key: bytes) -> None:
        self._lane, self._box, self._counter = lane, _box(key), 0

    def seal(self, body: bytes) -> bytes:
        """The packet of a content."""
        self._counter += 1
        header = HEADER.pack(VERSION, self._lane, self._counter)
        return header + self._box.encrypt(body, header, _nonce(self._counter)).ciphertext


class Opener:
    """Opens packets, each number once; `forged` were sealed by another key, `repeated` came before or far too late."""

    def __init__(self, key: bytes) -> None:
        self._box, self._newest, self._seen = _box(key), 0, 0
        self.forged = self.repeated = 0

    def open(self, packet: Sealed) -> bytes | None:
        """The content; None for a packet that is forged or was here before."""
        from nacl.exceptions import CryptoError

        behind = self._newest - packet.counter
        if packet.counter == 0 or behind >= WINDOW or (behind >= 0 and self._seen >> behind & 1):
            self.repeated += 1
            return None
        try:
            body = self._box.decrypt(packet.body, packet.header, _nonce(packet.counter))
        except CryptoError:
            self.forged += 1
            return None
        if behind < 0:
            # Further ahead than the window holds, all that was seen is out of it.
            self._seen = self._seen << -behind & (1 << WINDOW) - 1 if -behind < WINDOW else 0
            self._newest, behind = packet.counter, 0
        self._seen |= 1 << behind
        return body


def _box(key: bytes) -> "Aead":
    from nacl.secret import Aead

    return Aead(key)


def _nonce(counter: int) -> bytes:
    return counter.to_bytes(24, "little")
