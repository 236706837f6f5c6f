"""A reader of lessons, written from hardware_notes/lesson.md alone: it shares no code with the program.

XChaCha20-Poly1305 is made of HChaCha20, in plain Python after draft-irtf-cfrg-xchacha-03, section 2.2, and of the
ChaCha20-Poly1305 of the package cryptography.
"""

from __future__ import annotations

import hashlib
import json
import struct

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305

_WORD = 0xFFFFFFFF


def hchacha20(key: bytes, nonce: bytes) -> bytes:
    x = [*struct.unpack("<4I", b"expand 32-byte k"), *struct.unpack("<8I", key), *struct.unpack("<4I", nonce)]

    def mix(a: int, b: int, c: int, d: int) -> None:
        for to, by, on, turn in ((a, b, d, 16), (c, d, b, 12), (a, b, d, 8), (c, d, b, 7)):
            x[to] = x[to] + x[by] & _WORD
            word = x[on] ^ x[to]
            x[on] = (word << turn | word >> 32 - turn) & _WORD

    for _ in range(10):
        for column in range(4):
            mix(column, 4 + column, 8 + column, 12 + column)
        for diagonal in range(4):
            mix(diagonal, 4 + (diagonal + 1) % 4, 8 + (diagonal + 2) % 4, 12 + (diagonal + 3) % 4)
    return struct.pack("<8I", *x[:4], *x[12:])


def unseal(key: bytes, counter: int, with_it: bytes, ciphertext: bytes) -> bytes:
    nonce = struct.pack("<Q", counter) + bytes(16)
    subkey = hchacha20(key, nonce[:16])
    return ChaCha20Poly1305(subkey).decrypt(bytes(4) + nonce[16:], ciphertext, with_it)


def blake(key: bytes, data: bytes) -> bytes:
    return hashlib.blake2b(data, key=key, digest_size=32, person=b"fingerlead les 1").digest()


class OwnReader:
    """What anyone with the shared key can read of the packets that went over a line."""

    def __init__(self, shared: bytes) -> None:
        self.shared = shared
        self.greets: dict[str, bytes] = {}
        self.blocks: dict[str, dict[int, bytes]] = {"pupil": {}, "teacher": {}}
        self.proofs: dict[str, bytes] = {}
        self.unread = 0

    @property
    def root(self) -> bytes:
        return blake(self.shared, self.greets["pupil"] + self.greets["teacher"])

    def take(self, sender: str, packet: bytes) -> None:
        version, kind = packet[0], packet[1]
        assert version == 1
        if kind == 1:
            assert len(packet) == 2 + 8 + 2 + 33
            self.greets.setdefault(sender, packet)
        elif kind == 2:
            self.proofs[sender] = packet[10:42]
        elif kind in (4, 5):
            counter = struct.unpack_from("<Q", packet, 2)[0]
            key = blake(self.root, f"{sender} {'now' if kind == 4 else 'log'}".encode())
            try:
                self._content(sender, unseal(key, counter, packet[:10], packet[10:]))
            except InvalidTag:
                self.unread += 1

    def _content(self, sender: str, content: bytes) -> None:
        _stamp, _echo, _held, made, _have, spans = struct.unpack_from("<QQIIIB", content)
        place = 29 + 8 * spans
        (number,) = struct.unpack_from("<I", content, place)
        place += 4
        while place < len(content):
            (length,) = struct.unpack_from("<H", content, place)
            block = content[place + 2 : place + 2 + length]
            assert number < made
            assert self.blocks[sender].setdefault(number, block) == block
            number, place = number + 1, place + 2 + length

    def entries(self, sender: str) -> list[tuple[int, object]]:
        """(kind, body) of each entry: bytes of kind 1 as (time, carrier, bytes), JSON of the others."""
        found, parts = [], b""
        blocks = self.blocks[sender]
        for number in range(len(blocks)):
            flags, part = blocks[number][0], blocks[number][1:]
            assert bool(flags & 2) == bool(parts)
            parts += part
            if not flags & 1:
                found.append(self._entry(parts))
                parts = b""
        return found

    def _entry(self, entry: bytes) -> tuple[int, object]:
        if entry[0] == 1:
            return 1, (*struct.unpack_from("<QB", entry, 1), entry[10:])
        return entry[0], json.loads(entry[1:])
