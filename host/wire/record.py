"""What came over a link, on one clock: the hand-over from the wire to the analysis.

Units: `_us` are integer microseconds on the unwrapped clock on which the first timed frame is 0.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from host.wire.messages import Hello

Cause = Literal["lost", "gap", "restart"]


@dataclass(frozen=True, slots=True)
class Doubt:
    """A stretch in which something may have happened that no frame tells of.

    From the last timed frame before it to the first after it. `count` is the number of frames lost (0 where unknown).
    """

    start_us: int
    end_us: int
    cause: Cause
    count: int = 0


@dataclass(slots=True)
class Intake:
    """What the link took in, and what it could not use."""

    frames: int = 0  # whole, sound frames of any type, repeats included
    bad_frames: int = 0  # delimited, but damaged: wrong check, wrong coding, too long or too short
    lost_frames: int = 0  # missing by sequence number
    restarts: int = 0
    skipped_bytes: int = 0  # bytes outside any sound frame: those of bad frames, a partial first and last one


@dataclass(slots=True)
class Record:
    """Hole states over time, with all that makes them doubtful.

    `t_us` int64 and `covered` uint8, same length, times never falling: one entry per kept holes frame, heartbeats
    included. `end_us` is the time of the last timed frame of any kind. `scan_us` is the chanter's scan period from its
    hello (1 000 000 / rate, rounded; the widest where several differ), None where no hello told it.
    """

    t_us: NDArray[np.int64]
    covered: NDArray[np.uint8]
    end_us: int
    doubts: list[Doubt] = field(default_factory=list)
    intake: Intake = field(default_factory=Intake)
    clock: Literal["chanter", "host"] = "chanter"
    scan_us: int | None = None
    hello: Hello | None = None
