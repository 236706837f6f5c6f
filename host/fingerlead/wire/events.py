"""What a host learns from a link: events in the order of time, and the `Record` that goes on to the analysis.

A Doubt comes before the State that ends it. `_us` are integer microseconds. `host_us` is when the last byte arrived on
the host's clock, None where that is unknown; `t_us` is the link's unwrapped chanter clock, on which the first timed
frame is 0.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fingering.holes import FINGERS
from fingerlead.wire.carriers import Damaged
from fingerlead.wire.messages import (
    CHATTER,
    DRIFT,
    FLICKER,
    NO_HOLE,
    SATURATION,
    SLOW_RELEASE,
    SLOW_SENSOR,
    STATUS_WORDS,
    TROUBLE_WORDS,
    Answer,
    Hello,
    Levels,
    Request,
    Slope,
    Trouble,
)

Cause = Literal["lost", "gap", "restart", "trouble"]


_ORDINALS = ("thumb", "first", "second", "third", "fourth", "fifth", "sixth", "seventh")
_ADVICE = {
    CHATTER: "{it} chatters; calibrate the chanter again, and if it stays, look at that sensor's wires",
    FLICKER: "{it} sees the light of a lamp flicker; turn the lamp off, or turn away from it",
    SLOW_RELEASE: "{it} is wet and lets go late; dry {it}",
    DRIFT: "the sensor of {it} has drifted; calibrate the chanter again",
    SATURATION: "the sensor of {it} is at the end of its range; calibrate the chanter, and press less",
    SLOW_SENSOR: "{it} feels how hard it is pressed and so comes late; use another kind of sensor",
}


def trouble_words(code: int, hole: int, over: bool = False) -> str:
    """A trouble in words; of a hole, which one and what to do, or that it is over."""
    advice = _ADVICE.get(code)
    if advice is not None and hole < len(_ORDINALS):
        it = f"the {_ORDINALS[hole]} hole" + ("" if hole == 0 else f" ({FINGERS[hole]})")
        return f"{it} is well again ({TROUBLE_WORDS[code]})" if over else advice.format(it=it)
    return TROUBLE_WORDS[code] if 0 < code < len(TROUBLE_WORDS) else f"trouble number {code}"


@dataclass(frozen=True, slots=True)
class Doubt:
    """A stretch in which something may have happened that no frame shows.

    From the last timed frame before it to the first after it. `count` is the number of frames lost (0 where unknown).
    A trouble's has its `code` and `hole`, and ends some time after it was told: it may not be over.
    """

    start_us: int
    end_us: int
    cause: Cause
    count: int = 0
    code: int = 0
    hole: int = NO_HOLE


@dataclass(slots=True)
class Intake:
    """What the link took in, and what it could not use."""

    frames: int = 0  # whole, sound frames of any type, repeats included
    bad_frames: int = 0  # delimited, but damaged: wrong check, wrong coding, too long or too short
    lost_frames: int = 0  # missing by sequence number
    restarts: int = 0
    skipped_bytes: int = 0  # bytes outside any sound frame: those of bad frames, a partial first and last one

    def count(self, damaged: Damaged) -> None:
        """Take in bytes that make no sound frame."""
        self.skipped_bytes += damaged.size
        self.bad_frames += damaged.delimited


class Slopes(NamedTuple):
    """The slopes of a recording, in order, as columns of one length: the steepness of each edge as the chanter saw it.

    `t_us` is the time of the holes frame that shows the edge, `rise_raw` in raw counts per millisecond, `level_raw` the
    sample at the crossing.
    """

    t_us: NDArray[np.int64]
    hole: NDArray[np.uint8]
    rise_raw: NDArray[np.uint16]
    level_raw: NDArray[np.uint16]


NO_SLOPES = Slopes(np.empty(0, np.int64), np.empty(0, np.uint8), np.empty(0, np.uint16), np.empty(0, np.uint16))


@dataclass(slots=True)
class Record:
    """Hole states over time on one clock, with all that makes them doubtful.

    `t_us` int64 and `covered` uint8, same length, times never falling: one entry per kept holes frame, heartbeats
    included. `end_us` is the time of the last timed frame of any kind. `scan_us` is the chanter's scan period from its
    hello (1 000 000 / rate, rounded; the widest where several differ), None without one.
    """

    t_us: NDArray[np.int64]
    covered: NDArray[np.uint8]
    end_us: int
    doubts: list[Doubt] = field(default_factory=list)
    intake: Intake = field(default_factory=Intake)
    clock: Literal["chanter", "host"] = "chanter"
    scan_us: int | None = None
    hello: Hello | None = None
    slopes: Slopes = NO_SLOPES


@dataclass(frozen=True, slots=True)
class Seen:
    """The chanter said who it is."""

    hello: Hello
    host_us: int | None


@dataclass(frozen=True, slots=True)
class State:
    """Which holes are covered from `t_us` on; heartbeats come as states too."""

    t_us: int
    covered_mask: int
    host_us: int | None


@dataclass(frozen=True, slots=True)
class RawState:
    """One raw sample of each hole."""

    t_us: int
    samples: tuple[int, ...]
    host_us: int | None


@dataclass(frozen=True, slots=True)
class TroubleSeen:
    """The chanter reported trouble; `again` where one that lasts is told once more."""

    t_us: int
    trouble: Trouble
    host_us: int | None
    again: bool = False

    @property
    def words(self) -> str:
        """The trouble in words, and what to do where it is of one hole."""
        return trouble_words(self.trouble.code, self.trouble.hole, over=self.trouble.detail == 0)


@dataclass(frozen=True, slots=True)
class SlopeSeen:
    """How steeply one hole crossed its level; the State of the same time came before it."""

    t_us: int
    slope: Slope
    host_us: int | None


@dataclass(frozen=True, slots=True)
class Doubted:
    """Something may have happened that no frame shows."""

    doubt: Doubt


@dataclass(frozen=True, slots=True)
class Answered:
    """An answer came. `asked` is the request that it answers, None where none of that number was sent.

    `value` is what `read_answer_body` finds. For a clock request `t_us` is the chanter's time on the unwrapped clock,
    None while no timed frame has come or for other requests.
    """

    asked: Request | None
    answer: Answer
    value: Levels | tuple[int, int] | int | None
    t_us: int | None
    host_us: int | None

    @property
    def words(self) -> str:
        """The status in words."""
        status = self.answer.status
        return STATUS_WORDS[status] if status < len(STATUS_WORDS) else f"status number {status}"


Event = Seen | State | RawState | TroubleSeen | SlopeSeen | Doubted | Answered
