"""The bodies of answers: what a chanter gives back to `stream`, `get thresholds` and `clock`."""

from __future__ import annotations

import struct

from host.wire.errors import MessageError
from host.wire.messages import Clock, GetThresholds, Levels, Request, Stream, flat, pairs

_RATE = struct.Struct("<H")
_LEVELS = struct.Struct("<16H")
_CLOCK_ANSWER = struct.Struct("<QI")


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
