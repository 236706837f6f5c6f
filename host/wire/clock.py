"""Two questions about clocks: what time a 32-bit stamp means, and how the chanter's clock lies to the host's.

All times are integer µs: `ticks32` as on the wire (wraps every 71.6 minutes), `t_us` on the link's unwrapped clock,
`host_us` on the host's monotonic clock.
"""

from __future__ import annotations

WRAP = 1 << 32
HALF = 1 << 31


class Unwrap:
    """Turns ticks into times near its front: within 35.8 minutes before or after."""

    __slots__ = ("front_ticks", "front_us", "started")

    def __init__(self) -> None:
        self.started = False
        self.front_us = 0
        self.front_ticks = 0

    def start(self, ticks32: int, t_us: int) -> None:
        """From here on `ticks32` means `t_us`."""
        self.started = True
        self.front_ticks, self.front_us = ticks32, t_us

    def at(self, ticks32: int) -> int:
        """The time of `ticks32` that is nearest to the front (a tie lies before it); the front stays."""
        step = (ticks32 - self.front_ticks) & 0xFFFFFFFF
        return self.front_us + (step if step < HALF else step - WRAP)
