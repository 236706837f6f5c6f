"""The MIDI carrier: payloads ⇄ System Exclusive messages of seven-bit bytes.

Stage: MIDI bytes in any cutting → payloads (`bytes`) and `Damaged`. `F0 7D 46 4C`, then payload and check packed
7-in-8, then `F7`. 7D is the id that the MIDI 1.0 standard keeps for non-commercial use. Real-time bytes (F8 to FF) may
stand anywhere and are neither read nor counted; any other status byte abandons the message.
"""

from __future__ import annotations

import re

from host.wire.frames import Damaged, Payload, checked, with_check

HEADER = b"\xf0\x7d\x46\x4c"
END = b"\xf7"
MAX_SYSEX = 236

_REAL_TIME = bytes(range(0xF8, 0x100))
_TOKENS = re.compile(rb"[\x80-\xf7]|[\x00-\x7f]+")


def pack(data: bytes) -> bytes:
    """Seven bytes in eight: per group one byte of top bits (bit i for byte i), then the low seven bits of each."""
    out = bytearray()
    for start in range(0, len(data), 7):
        group = data[start : start + 7]
        out.append(sum((byte >> 7) << i for i, byte in enumerate(group)))
        out += bytes(byte & 0x7F for byte in group)
    return bytes(out)


def unpack(packed: bytes) -> bytes | None:
    """The bytes that were packed; None where a group is one byte alone or sets a top bit of no byte."""
    out = bytearray()
    for start in range(0, len(packed), 8):
        tops, group = packed[start], packed[start + 1 : start + 8]
        if not group or tops >> len(group):
            return None
        out += bytes(low | (tops >> i & 1) << 7 for i, low in enumerate(group))
    return bytes(out)


def to_sysex(payload: bytes) -> bytes:
    """One whole System Exclusive message."""
    return HEADER + pack(with_check(payload)) + END


class SysexReader:
    """Finds the chanter's messages in a MIDI byte stream. Memory stays bounded, whatever comes."""

    def __init__(self) -> None:
        self._held: bytearray | None = None  # from F0 on, at most one byte more than allowed; None outside
        self._size = 0

    def feed(self, data: bytes) -> list[Payload | Damaged]:
        """The messages that end in `data`, in order; bytes outside messages come as undelimited `Damaged`."""
        out: list[Payload | Damaged] = []
        for token in _TOKENS.findall(data.translate(None, _REAL_TIME)):
            status = token[0]
            if status == 0xF0:
                self._abandon(out)
                self._held, self._size = bytearray(token), 1
            elif self._held is None:
                out.append(Damaged("outside any message", len(token), False))
            elif status < 0x80:
                self._size += len(token)
                if len(self._held) < MAX_SYSEX:
                    self._held += token[:MAX_SYSEX]
            elif status == 0xF7:
                out.append(read_sysex(bytes(self._held), self._size + 1))
                self._held = None
            else:
                self._abandon(out)
                out.append(Damaged("outside any message", 1, False))
        return out

    def close(self) -> list[Payload | Damaged]:
        """The unfinished rest, where there is one."""
        out: list[Payload | Damaged] = []
        self._abandon(out)
        return out

    def _abandon(self, out: list[Payload | Damaged]) -> None:
        if self._held is not None:
            out.append(Damaged("broken off", self._size, False))
        self._held = None


def read_sysex(held: bytes, size: int) -> Payload | Damaged:
    """One message without its F7; `size` counts its bytes, F7 included, of which `held` may be the first few."""
    if held[: len(HEADER)] != HEADER:
        return Damaged("another maker's message", size, False)
    if size > MAX_SYSEX:
        return Damaged("too long", size, True)
    body = unpack(held[len(HEADER) :])
    if body is None:
        return Damaged("not packed 7-in-8", size, True)
    payload = checked(body) if len(body) > 2 else None
    return Damaged("wrong check", size, True) if payload is None else payload
