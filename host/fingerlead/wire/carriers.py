"""The carriers of the wire: payloads in COBS frames on a byte stream, or in System Exclusive messages on MIDI.

Stage: bytes in any cutting ⇄ payloads (`bytes`) and `Damaged`. Memory stays bounded, whatever comes.

Stream: payload and check in COBS (S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions
on Networking 7(2), 1999), each frame ended by one zero byte. A frame is at most 204 bytes with its zero, so a whole one
never holds the COBS code FF.

System Exclusive: `F0 7D 46 4C`, then payload and check packed 7-in-8, then `F7`. 7D is the id that MIDI 1.0 keeps for
non-commercial use. Real-time bytes (F8 to FF) may come anywhere and are neither read nor counted; any other status byte
abandons the message.

Check: CRC-16/IBM-3740 of the CRC catalogue, low byte first.
"""

import re
from binascii import crc_hqx
from dataclasses import dataclass
from typing import Literal

from fingerlead.wire.errors import MessageError
from fingerlead.wire.messages import MAX_PAYLOAD, Message, decode

Framing = Literal["stream", "sysex"]
# What a port brings: one of the framings, or "plain", bare note messages.
Carrier = Literal["stream", "sysex", "plain"]
Payload = bytes

MAX_STREAM_FRAME = MAX_PAYLOAD + 4  # check, COBS code and zero
MAX_SYSEX = 236
HEADER = b"\xf0\x7d\x46\x4c"
END = b"\xf7"

_REAL_TIME = bytes(range(0xF8, 0x100))
_TOKENS = re.compile(rb"[\x80-\xf7]|[\x00-\x7f]+")


@dataclass(frozen=True, slots=True)
class Damaged:
    """Bytes that make no sound frame.

    `size` is how many (a zero delimiter not counted). `delimited` is False where they are only a rest, and no bad
    frame: bytes before the first delimiter or after the last one, bytes outside any message.
    """

    reason: str
    size: int
    delimited: bool


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740: polynomial 0x1021, initial 0xFFFF, not reflected, no final xor."""
    # crc_hqx is the same polynomial with the initial value left to the caller.
    return crc_hqx(data, 0xFFFF)


def with_check(payload: bytes) -> bytes:
    """A payload and its check, low byte first."""
    return payload + crc16(payload).to_bytes(2, "little")


def checked(body: bytes) -> Payload | None:
    """The payload of payload and check, or None where the check fails or nothing is left."""
    payload = body[:-2]
    if payload and crc_hqx(payload, 0xFFFF) == body[-2] | body[-1] << 8:
        return payload
    return None


# The code of a run by its length, where the run is not full.
_CODES = [bytes((length + 1,)) for length in range(254)]


def cobs_encode(data: bytes) -> bytes:
    """Stuff any bytes so that none of them is zero (no delimiter added)."""
    runs = data.split(b"\0")
    if len(data) < 254:
        return b"".join([_CODES[len(run)] + run for run in runs])
    out = bytearray()
    for number, run in enumerate(runs):
        while len(run) >= 254:
            out += b"\xff" + run[:254]
            run = run[254:]
            # A full run needs no zero after it; at the data's end it needs no further code either.
            if not run and number == len(runs) - 1:
                return bytes(out)
        out.append(len(run) + 1)
        out += run
    return bytes(out)


def cobs_decode(chunk: bytes) -> bytes | None:
    """Unstuff bytes between two delimiters; None where they are no COBS."""
    out: list[bytes] = []
    place, size = 0, len(chunk)
    while place < size:
        code = chunk[place]
        end = place + code
        if code == 0 or end > size:
            return None
        out.append(chunk[place + 1 : end])
        if code < 0xFF and end < size:
            out.append(b"\0")
        place = end
    return None if b"\0" in chunk else b"".join(out)


def to_stream(payload: bytes) -> bytes:
    """One whole frame, its zero byte included."""
    return cobs_encode(with_check(payload)) + b"\0"


class StreamReader:
    """Cuts a byte stream into payloads."""

    def __init__(self) -> None:
        self._rest = b""
        self._size = 0  # of the whole unfinished chunk, of which `_rest` holds at most one byte too many
        self._joined = True  # nothing is delimited yet: the first chunk may be the tail of a frame

    def feed(self, data: bytes) -> list[Payload | Damaged]:
        """The frames that end in `data`, in order."""
        first, *others = data.split(b"\0")
        if not others:
            self._hold(first)
            return []
        out: list[Payload | Damaged] = []
        self._hold(first)
        self._finish(self._rest, self._size, out)
        last = others.pop()
        for chunk in others:
            self._finish(chunk, len(chunk), out)
        self._rest, self._size = b"", 0
        self._hold(last)
        return out

    def close(self) -> list[Payload | Damaged]:
        """The unfinished rest, where there is one."""
        size, self._size, self._rest = self._size, 0, b""
        return [Damaged("unfinished at the end", size, False)] if size else []

    def _hold(self, data: bytes) -> None:
        self._size += len(data)
        if len(self._rest) < MAX_STREAM_FRAME:
            self._rest = (self._rest + data)[:MAX_STREAM_FRAME]

    def _finish(self, chunk: bytes, size: int, out: list[Payload | Damaged]) -> None:
        joined, self._joined = self._joined, False
        if size:
            out.append(read_chunk(chunk, size, joined))


def read_chunk(chunk: bytes, size: int, joined: bool) -> Payload | Damaged:
    """One non-empty chunk between two zeros; `joined` says that no zero came before it."""
    if size >= MAX_STREAM_FRAME:
        return Damaged("too long", size, not joined)
    body = cobs_decode(chunk)
    if body is None:
        return Damaged("not COBS", size, not joined)
    return checked(body) or Damaged("wrong check", size, not joined)


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
    """Finds the chanter's messages in a MIDI byte stream."""

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
    return checked(body) or Damaged("wrong check", size, True)


def new_reader(framing: Framing) -> StreamReader | SysexReader:
    """The reader of a framing."""
    return StreamReader() if framing == "stream" else SysexReader()


def carry(payload: Payload, framing: Framing) -> bytes:
    """A payload as it goes over the wire."""
    return to_stream(payload) if framing == "stream" else to_sysex(payload)


def read_message(item: Payload | Damaged, framing: Framing) -> Message | Damaged:
    """The message of a payload; a whole frame without one is damaged too."""
    if isinstance(item, Damaged):
        return item
    try:
        return decode(item)
    except MessageError:
        body = len(item) + 2
        return Damaged("body too short", body + 1 if framing == "stream" else body + -(-body // 7) + 5, True)
