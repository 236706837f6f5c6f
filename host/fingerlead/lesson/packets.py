"""The packets of a lesson: what a line carries whole or not at all, at most MOST_PACKET bytes.

Stage: packet bytes ⇄ `Greet`, `Confirm`, `Refuse` in the clear, and `Sealed`, of which only both ends can open the
content: a `Content` of what has come and what there is, with a run of blocks. Numbers are little-endian and unsigned.
Layouts: hardware_notes/lesson.md.
"""

import struct
from dataclasses import dataclass
from enum import IntEnum

from fingerlead.lesson.blocks import BLOCK
from fingerlead.lesson.errors import unexpected

VERSION = 1
MOST_PACKET = 1_200
MOST_SPANS = 16
ATTEMPT = 8
MESSAGE = 33
PROOF = 32
SEAL = 16


class Lane(IntEnum):
    """How a sealed packet goes: at once, and perhaps never; or through the log, later and more surely."""

    NOW = 4
    LOG = 5


class Why(IntEnum):
    """Why a greeting was refused."""

    VERSION = 1
    CODE = 2
    USED = 3
    TRIES = 4


GREET, CONFIRM, REFUSE = 1, 2, 3
_GREET = struct.Struct(f"<BB{ATTEMPT}sBB{MESSAGE}s")
_CONFIRM = struct.Struct(f"<BB{ATTEMPT}s{PROOF}s")
_REFUSE = struct.Struct(f"<BB{ATTEMPT}sBBBB")
HEADER = struct.Struct("<BBQ")
_CONTENT = struct.Struct("<QQIIIB")
_SPAN = struct.Struct("<II")
_FIRST = struct.Struct("<I")
_LENGTH = struct.Struct("<H")
# What blocks may take in a packet, each with its length.
ROOM = MOST_PACKET - HEADER.size - SEAL - _CONTENT.size - MOST_SPANS * _SPAN.size - _FIRST.size


@dataclass(frozen=True, slots=True)
class Greet:
    """The versions that one speaks, and one's message of the key agreement, in this attempt of the pupil's."""

    attempt: bytes
    lowest: int
    highest: int
    message: bytes


@dataclass(frozen=True, slots=True)
class Confirm:
    """The proof that the key is known."""

    attempt: bytes
    proof: bytes


@dataclass(frozen=True, slots=True)
class Refuse:
    """The teacher's program takes no part in this attempt; so many tries are left."""

    attempt: bytes
    why: int
    left: int
    lowest: int = VERSION
    highest: int = VERSION


@dataclass(frozen=True, slots=True)
class Sealed:
    """A packet that both ends alone can open; `header` is what is in the clear, and sealed with it."""

    lane: Lane
    counter: int
    header: bytes
    body: bytes


@dataclass(frozen=True, slots=True)
class Content:
    """What one end says of itself, and a run of its blocks.

    `stamp_us` is the sender's clock, `echo_us` the last stamp that came from the other end (0: none yet) and `held_us`
    how long ago. `made` blocks are in the sender's log; of the other's log all below `have` have come, and of those
    beyond it the `spans` (from, to). `blocks` are numbered from `first` on.
    """

    stamp_us: int
    echo_us: int
    held_us: int
    made: int
    have: int
    spans: tuple[tuple[int, int], ...] = ()
    first: int = 0
    blocks: tuple[bytes, ...] = ()


Packet = Greet | Confirm | Refuse | Sealed


def encode_packet(packet: Greet | Confirm | Refuse) -> bytes:
    """The bytes of a packet in the clear."""
    if isinstance(packet, Greet):
        return _GREET.pack(VERSION, GREET, packet.attempt, packet.lowest, packet.highest, packet.message)
    if isinstance(packet, Confirm):
        return _CONFIRM.pack(VERSION, CONFIRM, packet.attempt, packet.proof)
    refused = (packet.attempt, packet.why, packet.left, packet.lowest, packet.highest)
    return _REFUSE.pack(VERSION, REFUSE, *refused)


def decode_packet(data: bytes) -> Packet | None:
    """The packet of these bytes, None where its kind is not known; raises LessonError.

    Greetings, confirmations and refusals look the same in every version, so that versions that differ can say so.
    """
    if not 2 <= len(data) <= MOST_PACKET:
        raise unexpected(f"a packet of 2 to {MOST_PACKET} bytes", f"{len(data)} bytes")
    try:
        if data[1] == GREET:
            _, _, attempt, lowest, highest, message = _GREET.unpack_from(data)
            return Greet(attempt, lowest, highest, message)
        if data[1] == CONFIRM:
            return Confirm(*_CONFIRM.unpack_from(data)[2:])
        if data[1] == REFUSE:
            return Refuse(*_REFUSE.unpack_from(data)[2:])
        if data[1] in tuple(Lane):
            version, lane, counter = HEADER.unpack_from(data)
            if version != VERSION:
                raise unexpected(f"a packet of version {VERSION}", f"one of version {version}", "update fingerlead")
            return Sealed(Lane(lane), counter, data[: HEADER.size], data[HEADER.size :])
    except struct.error:
        raise unexpected("a whole packet of a lesson", f"{len(data)} bytes") from None
    return None


def encode_content(content: Content) -> bytes:
    """The content of a sealed packet."""
    spans = content.spans[:MOST_SPANS]
    counts = (content.made, content.have, len(spans))
    head = _CONTENT.pack(content.stamp_us, content.echo_us, min(content.held_us, 0xFFFFFFFF), *counts)
    data = [head, *(_SPAN.pack(*span) for span in spans), _FIRST.pack(content.first)]
    for block in content.blocks:
        data += (_LENGTH.pack(len(block)), block)
    return b"".join(data)


def decode_content(data: bytes) -> Content:
    """The content of an opened packet; raises LessonError."""
    try:
        stamp_us, echo_us, held_us, made, have, count = _CONTENT.unpack_from(data)
        if count > MOST_SPANS:
            raise unexpected(f"at most {MOST_SPANS} spans", str(count))
        place = _CONTENT.size
        spans = tuple(_SPAN.unpack_from(data, place + at * _SPAN.size) for at in range(count))
        place += count * _SPAN.size
        (first,) = _FIRST.unpack_from(data, place)
        place += _FIRST.size
        blocks = []
        while place < len(data):
            (length,) = _LENGTH.unpack_from(data, place)
            place += _LENGTH.size
            block = data[place : place + length]
            if not 2 <= length <= BLOCK + 1 or len(block) < length:
                raise unexpected(f"blocks of 2 to {BLOCK + 1} bytes", f"one of {length}")
            blocks.append(block)
            place += length
    except struct.error:
        raise unexpected("a whole packet of a lesson", f"{len(data)} bytes") from None
    if first + len(blocks) > made or any(not have < start < end for start, end in spans):
        raise unexpected("blocks and spans within the log", "others")
    return Content(stamp_us, echo_us, held_us, made, have, spans, first, tuple(blocks))
