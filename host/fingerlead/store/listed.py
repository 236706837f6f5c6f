"""A list of times as a chanter would have sent it: a frame for each row, and heartbeats between."""

from collections.abc import Iterator
from itertools import pairwise

from fingerlead.wire.carriers import Payload
from fingerlead.wire.events import Record
from fingerlead.wire.messages import Holes, encode

LONGEST_US = 24 * 3_600_000_000
HEARTBEAT_US = 100_000


def frames_of_list(record: Record) -> Iterator[tuple[int, Payload]]:
    """(µs, payload) of each frame: one for each row, and as many more as a chanter that is there sends."""
    rows = list(zip(record.t_us.tolist(), record.covered.tolist(), strict=True))
    number = 0
    for (t_us, mask), (next_us, _) in pairwise([*rows, rows[-1]]):
        beats = max(1, -(-(next_us - t_us) // HEARTBEAT_US))
        for beat in range(beats):
            at_us = t_us + (next_us - t_us) * beat // beats
            yield at_us, encode(Holes(number & 0xFFFF, at_us & 0xFFFFFFFF, mask))
            number += 1
