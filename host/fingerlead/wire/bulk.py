"""Whole recordings cut into frames at once: bytes → columns of timed frames, hellos, and what could not be used.

Frames of the lengths that make up nearly all of a recording (holes, raw and slopes, as version 1 writes them) are
decoded together, a column of bytes at a time; all else between them goes through the readers of the live link, so that
both ways agree on every byte. Work goes in slabs that end where a frame ends: memory beyond the input stays small.
"""

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fingerlead.wire.account import HOLES_KIND, RAW_KIND, SLOPE_KIND, TIMED, kind_and_tag
from fingerlead.wire.carriers import HEADER, Damaged, Framing, Payload, SysexReader, read_chunk, read_message
from fingerlead.wire.events import Intake
from fingerlead.wire.messages import HOLES_SEEN, RAW, SLOPE, Hello, Holes, Slope

Bytes = NDArray[np.uint8]
Column = NDArray[np.int64]
Ticks = NDArray[np.uint32]

SLAB = 1 << 18
REMEMBERED_CHUNKS = 64

# Payload lengths of the frames that are decoded together, with their type and kind.
COMMON = ((8, HOLES_SEEN, HOLES_KIND), (23, RAW, RAW_KIND), (12, SLOPE, SLOPE_KIND))


class Timed(NamedTuple):
    """Timed frames as columns of one length. `end` is the place of a frame's last byte.

    `mask` is that of a holes frame, the hole of a slope, else 0; `slope` its rise and, 16 bits up, its level, else 0.
    """

    end: Column
    kind: Bytes
    tag: Ticks
    ticks32: Ticks
    mask: Bytes
    slope: Ticks


TYPES = ("i8", "u1", "u4", "u4", "u1", "u4")
NONE_TIMED = Timed._make(np.empty(0, type_) for type_ in TYPES)


@dataclass(slots=True)
class Cut:
    """A recording cut into frames; `hellos` are (place of the last byte, hello)."""

    timed: Timed
    hellos: list[tuple[int, Hello]]
    intake: Intake


@dataclass(slots=True)
class _Pile:
    """What the slabs have brought so far."""

    framing: Framing
    intake: Intake = field(default_factory=Intake)
    hellos: list[tuple[int, Hello]] = field(default_factory=list)
    blocks: list[Timed] = field(default_factory=list)
    single: list[tuple[int, int, int, int, int, int]] = field(default_factory=list)

    def take(self, item: Payload | Damaged, end: int) -> Hello | None:
        """Take in what a reader found; a hello is given back, as it tends to come again byte for byte."""
        message = read_message(item, self.framing)
        if isinstance(message, Damaged):
            self.intake.count(message)
            return None
        self.intake.frames += 1
        if isinstance(message, TIMED):
            mask, slope = message.covered_mask if isinstance(message, Holes) else 0, 0
            if isinstance(message, Slope):
                mask, slope = message.hole, message.rise_raw | message.level_raw << 16
            self.single.append((end, *kind_and_tag(message), message.ticks32, mask, slope))
        elif isinstance(message, Hello):
            self.hellos.append((end, message))
            return message
        return None

    def take_common(self, body: Bytes, sound: NDArray[np.bool_], kind: int, end: Column) -> None:
        """Take in the sound ones among payloads of one common length, as columns of bytes."""
        if not sound.all():
            body, end = body[:, sound], end[sound]
        tag, ticks32 = _number(body[1:3]), _number(body[3:7])
        mask = np.zeros(len(end), np.uint8) if kind == RAW_KIND else body[7]
        slope = _number(body[8:12]) if kind == SLOPE_KIND else np.zeros(len(end), np.uint32)
        self.blocks.append(Timed(end, np.full(len(end), kind, np.uint8), tag, ticks32, mask, slope))
        self.intake.frames += len(end)

    def close(self) -> Cut:
        """All that came, in order."""
        if self.single:
            columns = zip(np.array(self.single, np.int64).T, TYPES, strict=True)
            self.blocks.append(Timed._make(column.astype(type_) for column, type_ in columns))
        timed = Timed._make(map(np.concatenate, zip(NONE_TIMED, *self.blocks, strict=True)))
        if (timed.end[1:] < timed.end[:-1]).any():
            order = np.argsort(timed.end, kind="stable")
            timed = Timed._make(column[order] for column in timed)
        return Cut(timed, self.hellos, self.intake)


def _number(rows: Bytes) -> Ticks:
    """Rows of bytes as one little-endian number in each column."""
    number: Ticks = rows[0].astype(np.uint32)
    for place, row in enumerate(rows[1:], 1):
        number |= row.astype(np.uint32) << 8 * place
    return number


def cut(data: bytes, framing: Framing) -> Cut:
    """Cut a whole recording into frames."""
    pile = _Pile(framing)
    mark, work = (b"\x00", _cut_stream) if framing == "stream" else (b"\xf7", _cut_sysex)
    place = 0
    while place < len(data):
        stop = data.rfind(mark, place, place + SLAB) + 1 or data.find(mark, place + SLAB) + 1
        if not stop:
            break
        work(data[place:stop], place, pile)
        place = stop
    rest = data[place:]
    if framing == "stream":
        pile.intake.skipped_bytes += len(rest)
    else:
        _read_between(rest, place, pile)
    return pile.close()


def _cut_stream(slab: bytes, offset: int, pile: _Pile) -> None:
    buffer = np.frombuffer(slab, np.uint8)
    ends = np.flatnonzero(buffer == 0)
    starts = np.concatenate((np.zeros(1, np.int64), ends[:-1] + 1))
    sizes = ends - starts
    left = sizes > 0
    for length, type_, kind in COMMON:
        width = length + 3
        chosen = np.flatnonzero(sizes == width)
        chosen = chosen[1:] if len(chosen) and chosen[0] == 0 else chosen
        if not len(chosen):
            continue
        body, sound = _unstuff(_columns(buffer, starts[chosen], width))
        sound &= (body[0] == type_) & _check_holds(body)
        pile.take_common(body, sound, kind, ends[chosen] + offset)
        left[chosen[sound]] = False
    known: dict[bytes, Hello] = {}
    for number in np.flatnonzero(left).tolist():
        start, end = int(starts[number]), int(ends[number])
        chunk = slab[start:end]
        hello = known.get(chunk)
        if hello is not None:
            pile.intake.frames += 1
            pile.hellos.append((end + offset, hello))
            continue
        hello = pile.take(read_chunk(chunk, len(chunk), offset + number == 0), end + offset)
        if hello is not None and len(known) < REMEMBERED_CHUNKS:
            known[chunk] = hello


def _cut_sysex(slab: bytes, offset: int, pile: _Pile) -> None:
    buffer = np.frombuffer(slab, np.uint8)
    heads = np.flatnonzero(buffer == HEADER[0])
    spans: list[Column] = []
    for length, type_, kind in COMMON:
        packed = length + 2 + -(-(length + 2) // 7)
        width = len(HEADER) + packed + 1
        starts = heads[heads <= len(slab) - width]
        columns = _columns(buffer, starts, width)
        whole = (columns[-1] == 0xF7) & (columns[1:-1] < 0x80).all(axis=0)
        for place in (1, 2, 3):
            whole &= columns[place] == HEADER[place]
        body, sound = _unpack(columns[len(HEADER) : -1], length + 2)
        sound &= whole & (body[0] == type_) & _check_holds(body)
        pile.take_common(body, sound, kind, starts + (width - 1 + offset))
        spans.append(np.stack((starts[sound], starts[sound] + width)))
    done = np.concatenate(spans, axis=1)
    done = done[:, np.argsort(done[0], kind="stable")]
    # What is between whole messages is read as the live link reads it; each whole one leaves it outside any message.
    starts = np.concatenate((np.zeros(1, np.int64), done[1]))
    stops = np.concatenate((done[0], np.array([len(slab)])))
    for between in np.flatnonzero(starts < stops).tolist():
        start, stop = int(starts[between]), int(stops[between])
        _read_between(slab[start:stop], start + offset, pile)


def _read_between(data: bytes, offset: int, pile: _Pile) -> None:
    reader = SysexReader()
    place = 0
    while place < len(data):
        # Beginnings without an end are no reason to keep all that is wrong with them at once.
        stop = data.find(b"\xf7", place, place + SLAB) + 1 or min(place + SLAB, len(data))
        for item in reader.feed(data[place:stop]):
            pile.take(item, offset + stop - 1)
        place = stop
    for item in reader.close():
        pile.take(item, offset + place)


def _columns(buffer: Bytes, starts: Column, width: int) -> Bytes:
    """`width` × n bytes: row j holds byte j of each frame."""
    out = np.empty((width, len(starts)), np.uint8)
    for place in range(width):
        np.take(buffer, starts + place, out=out[place])
    return out


def _unstuff(chunks: Bytes) -> tuple[Bytes, NDArray[np.bool_]]:
    """COBS of many chunks of one length below 128: the bytes, and which chunks are COBS at all."""
    width = len(chunks)
    out = np.empty((width - 1, chunks.shape[1]), np.uint8)
    # The place of the next code byte. A code that points past the end cannot come back to a place still ahead: in
    # eight bits it lands behind itself.
    code_at = chunks[0].copy()
    for place in range(1, width):
        is_code = code_at == place
        np.multiply(chunks[place], ~is_code, out=out[place - 1])
        code_at += chunks[place] * is_code
    return out, code_at == width


def _unpack(packed: Bytes, length: int) -> tuple[Bytes, NDArray[np.bool_]]:
    """The 7-in-8 packing of many bodies of one length: the bytes, and which have no top bit without a byte."""
    out = np.empty((length, packed.shape[1]), np.uint8)
    sound = np.ones(packed.shape[1], bool)
    for first in range(0, length, 7):
        group = min(7, length - first)
        tops = packed[first // 7 * 8]
        sound &= tops >> group == 0
        for i in range(group):
            out[first + i] = packed[first // 7 * 8 + 1 + i] | (tops >> i & 1) << 7
    return out, sound


def _check_holds(body: Bytes) -> NDArray[np.bool_]:
    """Whether the last two rows are the CRC-16/IBM-3740 of the rows before them, low byte first."""
    crc = np.full(body.shape[1], 0xFFFF, np.uint16)
    for row in body[:-2]:
        # One byte at a time without a table: x is the byte that leaves the register, folded with the polynomial.
        x = crc >> 8 ^ row
        x ^= x >> 4
        crc = crc << 8 ^ x << 12 ^ x << 5 ^ x
    holds: NDArray[np.bool_] = crc == (body[-2] | body[-1].astype(np.uint16) << 8)
    return holds
