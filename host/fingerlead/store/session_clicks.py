"""The clicks of a metronome in a session: marks of the kind "clicks", which a reader that knows none passes over.

A mark's `host_us` is when the first of some beats sounded, and its `cause` whole numbers with a space between: µs from
beat to beat, as the metronome was set, then when each beat sounded, µs on the chanter's unwrapped clock, rising.
"""

import re
from collections.abc import Iterable
from itertools import pairwise
from typing import NamedTuple

from fingerlead.reading.asked import Clicks
from fingerlead.store.session_music import GREATEST_AT_US, GREATEST_BEAT_US

KIND = "clicks"
MOST = 16  # in one mark: what a program that is killed may lose
MOST_IN_ALL = 1 << 18  # a day of them
_NUMBERS = re.compile(rf"[0-9]{{1,19}}(?: [0-9]{{1,19}}){{1,{MOST}}}")


class ClicksMark(NamedTuple):
    """One mark: the host time of the first, and all of them."""

    host_us: int
    clicks: Clicks


def cause_of(clicks: Clicks) -> str:
    """What a mark says of them."""
    return " ".join(map(str, (clicks.beat_us, *clicks.at_us)))


def read_marks(rows: Iterable[tuple[int, str]]) -> tuple[ClicksMark, ...]:
    """The clicks in marks of this kind, (host_us, cause), in order; what is none of ours is passed over."""
    found: list[ClicksMark] = []
    count, last_us = 0, -1
    for host_us, cause in rows:
        if not _NUMBERS.fullmatch(cause):
            continue
        beat_us, *at_us = map(int, cause.split(" "))
        rising = all(a < b for a, b in pairwise((last_us, *at_us)))
        if rising and 1 <= beat_us <= GREATEST_BEAT_US and at_us[-1] <= GREATEST_AT_US and count < MOST_IN_ALL:
            found.append(ClicksMark(host_us, Clicks(beat_us, tuple(at_us))))
            count, last_us = count + len(at_us), at_us[-1]
    return tuple(found)
