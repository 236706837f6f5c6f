"""From hole states over time to edges, and how far their times can be trusted.

Question: when did the mask change? Conventions: `t_us` int64 never falling, `covered` uint8, as in a `Record`. A frame
with no change of mask makes no edge.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from host.timing.results import Timing

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from host.timing.results import KnownSkew
    from host.wire.record import Record

# Sensors fire at different finger heights; how much so is unknown until it is measured. Assumed values, our own choice.
ASSUMED_SKEW_US = 3_000
LISTED_TIMES_SKEW_US = 1_000  # a list of times from elsewhere
ARRIVAL_US = 5_000  # added where only arrival on the host is known
SCANS = 2


def edges(
    t_us: NDArray[np.int64], covered: NDArray[np.uint8], end_us: int
) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Edge times int64[n + 1], the end last, and the mask uint8[n] that stood after each of the first n."""
    if not len(t_us):
        return np.zeros(1, dtype=np.int64), np.zeros(0, dtype=np.uint8)
    turns = np.ones(len(t_us), dtype=bool)
    turns[1:] = covered[1:] != covered[:-1]
    edge_us = np.empty(int(turns.sum()) + 1, dtype=np.int64)
    edge_us[:-1] = t_us[turns]
    edge_us[-1] = max(end_us, int(t_us[-1]))
    return edge_us, covered[turns]


def smallest_step_us(t_us: NDArray[np.int64]) -> int:
    """The smallest step between different stamps, 0 where there are not two."""
    steps = np.diff(t_us)
    steps = steps[steps > 0]
    return int(steps.min()) if len(steps) else 0


def timing_for(
    clock: Literal["chanter", "host"],
    scan_us: int,
    skew: KnownSkew | None = None,
    *,
    listed: bool = False,
) -> Timing:
    """The timing uncertainty: two scans plus the sensors' skew, ARRIVAL_US more without a chanter clock.

    A list of times from elsewhere (`listed`) names no scan: its uncertainty is the skew alone.
    """
    scan_us = 0 if listed else scan_us
    skew_us = skew.us if skew is not None else LISTED_TIMES_SKEW_US if listed else ASSUMED_SKEW_US
    uncertainty_us = SCANS * scan_us + skew_us + (ARRIVAL_US if clock == "host" else 0)
    return Timing(clock, uncertainty_us, scan_us, skew_us, "assumed" if skew is None else skew.how)


def timing_of(record: Record, kind: str, skew: KnownSkew | None = None) -> Timing:
    """The timing uncertainty of a record of a kind (`wire`, `midi`, `csv` or `session`).

    Where no hello told the scan period, the smallest step between different stamps stands for it.
    """
    scan_us = record.scan_us if record.scan_us is not None else smallest_step_us(record.t_us)
    return timing_for(record.clock, scan_us, skew, listed=kind == "csv")
