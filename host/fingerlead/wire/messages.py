"""The messages of the wire, version 1: frozen records, and their bytes without frame or check.

Stage: payload bytes (type, then body; at most 200) ⇄ messages. Numbers are little-endian and unsigned. A body longer
than known is read as far as known, an unknown type becomes `Unknown`: a newer chanter still works. A known type with
too short a body raises MessageError. `ticks32` is the chanter's own clock in µs as it goes over the wire (it wraps).
Layouts: hardware_notes/wire.md.
"""

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

from fingering.holes import HOLES
from fingerlead.wire.errors import MessageError

PROTOCOL = 1
MAX_PAYLOAD = 200
MAX_NAME = 24

HELLO, HOLES_SEEN, RAW, ANSWER, TROUBLE, SLOPE = range(0x01, 0x07)
WHO, STREAM, SET_THRESHOLDS, GET_THRESHOLDS, KEEP, CLOCK, RESTART = range(0x81, 0x88)

# Bits of Hello.abilities.
CAN_RAW, CAN_STORE_THRESHOLDS, CAN_STORE_TABLE, CAN_SLOPES = 1, 2, 4, 8

# Values of Stream.what.
STREAM_NOTHING, STREAM_HOLES, STREAM_RAW, STREAM_BOTH = range(4)

STATUS_WORDS = ("done", "unknown request", "bad value", "not able", "storage failed")
DONE, UNKNOWN_REQUEST, BAD_VALUE, NOT_ABLE, STORAGE_FAILED = range(5)

TROUBLE_WORDS = (
    *("", "sensor stuck", "scan overrun", "send buffer full", "supply low", "restarted by watchdog"),
    *("chatter", "flicker", "slow release", "drift", "saturation", "slow sensor"),
)
SENSOR_STUCK, SCAN_OVERRUN, SEND_BUFFER_FULL, SUPPLY_LOW, WATCHDOG = range(1, 6)
CHATTER, FLICKER, SLOW_RELEASE, DRIFT, SATURATION, SLOW_SENSOR = range(6, 12)
# Troubles of one hole that last until they are told with detail 0, else the ms since the first movement they affect.
LASTING = range(CHATTER, SLOW_SENSOR + 1)
NO_HOLE = 255

# (cover at, uncover at) of one hole, as raw samples.
Levels = tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Hello:
    """Who the chanter is. `boot` differs at every start; None where the chanter does not send it."""

    protocol: int = PROTOCOL
    device_id: bytes = bytes(8)
    firmware: tuple[int, int, int] = (0, 0, 0)
    holes: int = HOLES
    abilities: int = 0
    scan_rate_hz: int = 0
    raw_bits: int = 0
    name: str = ""
    boot: int | None = None


@dataclass(frozen=True, slots=True)
class Holes:
    """Which holes are covered since `ticks32`."""

    sequence: int
    ticks32: int
    covered_mask: int


@dataclass(frozen=True, slots=True)
class Raw:
    """One raw sample of each hole; samples rise as a hole is covered."""

    sequence: int
    ticks32: int
    samples: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """The chanter's answer to request number `request`; the body depends on what was asked."""

    request: int
    status: int
    body: bytes = b""


@dataclass(frozen=True, slots=True)
class Trouble:
    """The chanter reports trouble; `hole` is 255 where it concerns none."""

    code: int
    hole: int
    detail: int
    ticks32: int


@dataclass(frozen=True, slots=True)
class Slope:
    """How steeply a hole's sample crossed its level, for the holes frame of the same `ticks32`.

    `rise_raw` is in raw counts per millisecond towards the new state, `level_raw` the sample at the crossing.
    """

    sequence: int
    ticks32: int
    hole: int
    rise_raw: int
    level_raw: int


@dataclass(frozen=True, slots=True)
class Who:
    """Ask for a hello."""

    request: int


@dataclass(frozen=True, slots=True)
class Stream:
    """Ask for holes, raw samples, both or nothing; a raw rate of 0 is the chanter's own."""

    request: int
    what: int
    raw_rate_hz: int = 0


@dataclass(frozen=True, slots=True)
class SetThresholds:
    """Give each hole its levels, from the thumb down."""

    request: int
    levels: Levels


@dataclass(frozen=True, slots=True)
class GetThresholds:
    """Ask for the levels in use."""

    request: int


@dataclass(frozen=True, slots=True)
class Keep:
    """Write the thresholds to lasting storage."""

    request: int


@dataclass(frozen=True, slots=True)
class Clock:
    """Ask for the chanter's time; the host's own comes back with it."""

    request: int
    host_us: int


@dataclass(frozen=True, slots=True)
class Restart:
    """Start the chanter anew."""

    request: int


@dataclass(frozen=True, slots=True)
class Unknown:
    """A message of a type that this version does not know."""

    type: int
    body: bytes


Request = Who | Stream | SetThresholds | GetThresholds | Keep | Clock | Restart
Message = Hello | Holes | Raw | Answer | Trouble | Slope | Request | Unknown

_HELLO = struct.Struct("<B8s3BBBHB")
_HOLES = struct.Struct("<HIB")
_RAW = struct.Struct("<HI8H")
_ANSWER = struct.Struct("<BB")
_TROUBLE = struct.Struct("<BBHI")
_SLOPE = struct.Struct("<HIBHH")
_REQUEST = struct.Struct("<B")
_STREAM = struct.Struct("<BBH")
_SET_THRESHOLDS = struct.Struct("<B16H")
_CLOCK = struct.Struct("<BQ")
_BOOT = struct.Struct("<H")
_RATE = struct.Struct("<H")
_LEVELS = struct.Struct("<16H")
_CLOCK_ANSWER = struct.Struct("<QI")


def pairs(numbers: tuple[int, ...]) -> Levels:
    """Sixteen numbers of the wire as levels."""
    return tuple(zip(numbers[::2], numbers[1::2], strict=True))


def flat(levels: Levels) -> list[int]:
    """Levels as the sixteen numbers of the wire; MessageError where they are not eight pairs."""
    if len(levels) != HOLES or any(len(pair) != 2 for pair in levels):
        raise MessageError(f"{HOLES} pairs of levels, one for each hole", f"{len(levels)} entries")
    return [level for pair in levels for level in pair]


def _read_hello(p: bytes) -> Hello:
    protocol, device_id, major, minor, patch, holes, abilities, rate, bits = _HELLO.unpack_from(p, 1)
    name, zero, after = p[1 + _HELLO.size :].partition(b"\0")
    # What cannot be printed must not reach a terminal or a page as a control sequence.
    text = name[:MAX_NAME].decode(errors="replace")
    text = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    boot = _BOOT.unpack_from(after)[0] if zero and len(after) >= 2 else None
    return Hello(protocol, device_id, (major, minor, patch), holes, abilities, rate, bits, text, boot)


def _write_hello(m: Hello) -> bytes:
    try:
        name = m.name.encode()
    except UnicodeEncodeError:
        name = b"\0"
    if len(name) > MAX_NAME or not m.name.isprintable() or len(m.device_id) != 8:
        raise MessageError(
            f"a printable name of at most {MAX_NAME} bytes of UTF-8 and a device id of 8 bytes",
            f"name {m.name!r}, device id {m.device_id!r}",
        )
    fixed = _HELLO.pack(m.protocol, m.device_id, *m.firmware, m.holes, m.abilities, m.scan_rate_hz, m.raw_bits)
    return fixed + name + (b"" if m.boot is None else b"\0" + _BOOT.pack(m.boot))


def _read_raw(p: bytes) -> Raw:
    sequence, ticks32, *samples = _RAW.unpack_from(p, 1)
    return Raw(sequence, ticks32, tuple(samples))


def _read_set_thresholds(p: bytes) -> SetThresholds:
    request, *numbers = _SET_THRESHOLDS.unpack_from(p, 1)
    return SetThresholds(request, pairs(tuple(numbers)))


class Layout(NamedTuple):
    """The bytes of a known type: its shortest body, and how a payload is read and a body written."""

    name: str
    shortest: int
    read: Callable[[bytes], Message]
    write: Callable[[Any], bytes]


def _of_request(name: str, request: Callable[[int], Request]) -> Layout:
    """The layout of a request that is nothing but its number."""
    return Layout(name, _REQUEST.size, lambda p: request(p[1]), lambda m: _REQUEST.pack(m.request))


LAYOUTS = {
    HELLO: Layout("hello", _HELLO.size, _read_hello, _write_hello),
    HOLES_SEEN: Layout(
        "holes",
        _HOLES.size,
        lambda p: Holes(*_HOLES.unpack_from(p, 1)),
        lambda m: _HOLES.pack(m.sequence, m.ticks32, m.covered_mask),
    ),
    RAW: Layout("raw", _RAW.size, _read_raw, lambda m: _RAW.pack(m.sequence, m.ticks32, *m.samples)),
    ANSWER: Layout(
        "answer",
        _ANSWER.size,
        lambda p: Answer(p[1], p[2], p[3:]),
        lambda m: _ANSWER.pack(m.request, m.status) + m.body,
    ),
    TROUBLE: Layout(
        "trouble",
        _TROUBLE.size,
        lambda p: Trouble(*_TROUBLE.unpack_from(p, 1)),
        lambda m: _TROUBLE.pack(m.code, m.hole, m.detail, m.ticks32),
    ),
    SLOPE: Layout(
        "slope",
        _SLOPE.size,
        lambda p: Slope(*_SLOPE.unpack_from(p, 1)),
        lambda m: _SLOPE.pack(m.sequence, m.ticks32, m.hole, m.rise_raw, m.level_raw),
    ),
    WHO: _of_request("who", Who),
    STREAM: Layout(
        "stream",
        _STREAM.size,
        lambda p: Stream(*_STREAM.unpack_from(p, 1)),
        lambda m: _STREAM.pack(m.request, m.what, m.raw_rate_hz),
    ),
    SET_THRESHOLDS: Layout(
        "set thresholds",
        _SET_THRESHOLDS.size,
        _read_set_thresholds,
        lambda m: _SET_THRESHOLDS.pack(m.request, *flat(m.levels)),
    ),
    GET_THRESHOLDS: _of_request("get thresholds", GetThresholds),
    KEEP: _of_request("keep", Keep),
    CLOCK: Layout(
        "clock", _CLOCK.size, lambda p: Clock(*_CLOCK.unpack_from(p, 1)), lambda m: _CLOCK.pack(m.request, m.host_us)
    ),
    RESTART: _of_request("restart", Restart),
}
TYPES: dict[type, int] = {
    Hello: HELLO,
    Holes: HOLES_SEEN,
    Raw: RAW,
    Answer: ANSWER,
    Trouble: TROUBLE,
    Slope: SLOPE,
    Who: WHO,
    Stream: STREAM,
    SetThresholds: SET_THRESHOLDS,
    GetThresholds: GET_THRESHOLDS,
    Keep: KEEP,
    Clock: CLOCK,
    Restart: RESTART,
}


def encode(message: Message) -> bytes:
    """The payload of a message; MessageError where a number does not fit its field or the whole is over 200 bytes."""
    try:
        if isinstance(message, Unknown):
            payload = bytes((message.type,)) + message.body
        else:
            type_ = TYPES[type(message)]
            payload = bytes((type_,)) + LAYOUTS[type_].write(message)
    except (struct.error, ValueError) as error:
        if isinstance(error, MessageError):
            raise
        raise MessageError("numbers that fit the fields of the wire", f"{message!r} ({error})") from None
    if len(payload) > MAX_PAYLOAD:
        raise MessageError(f"a payload of at most {MAX_PAYLOAD} bytes", f"{len(payload)} bytes")
    return payload


def decode(payload: bytes) -> Message:
    """Read a payload; raises MessageError where it is empty or a known type's body is too short."""
    if not payload:
        raise MessageError("a message type", "an empty payload", 0)
    layout = LAYOUTS.get(payload[0])
    if layout is None:
        return Unknown(payload[0], payload[1:])
    if len(payload) <= layout.shortest:
        expected = f"at least {layout.shortest} bytes in the body of a {layout.name} message"
        raise MessageError(expected, str(len(payload) - 1), len(payload))
    return layout.read(payload)


# --- The bodies of answers: what a chanter gives back to `stream`, `get thresholds` and `clock`.


def thresholds_body(levels: Levels) -> bytes:
    """The body of the answer to `get thresholds`."""
    try:
        return _LEVELS.pack(*flat(levels))
    except struct.error as error:
        raise MessageError("levels from 0 to 65535", f"{levels!r} ({error})") from None


def clock_body(host_us: int, ticks32: int) -> bytes:
    """The body of the answer to `clock`: the host's time as it came, and the chanter's."""
    return _CLOCK_ANSWER.pack(host_us, ticks32)


def rate_body(raw_rate_hz: int) -> bytes:
    """The body of the answer to `stream`."""
    return _RATE.pack(raw_rate_hz)


def read_answer_body(request: Request, body: bytes) -> Levels | tuple[int, int] | int | None:
    """What the answer to `request` brings.

    `stream`: the actual raw rate in Hz. `get thresholds`: the levels. `clock`: (host µs echoed, chanter ticks32).
    None where the request has no such answer or the body is too short to hold it.
    """
    if isinstance(request, Stream) and len(body) >= _RATE.size:
        return int(_RATE.unpack_from(body)[0])
    if isinstance(request, GetThresholds) and len(body) >= _LEVELS.size:
        return pairs(_LEVELS.unpack_from(body))
    if isinstance(request, Clock) and len(body) >= _CLOCK_ANSWER.size:
        host_us, ticks32 = _CLOCK_ANSWER.unpack_from(body)
        return host_us, ticks32
    return None
