"""The host's monotonic clock, in whole microseconds. It says when bytes arrived, and never when a finger moved."""

from __future__ import annotations

import time


def now_us() -> int:
    """Microseconds since some instant; fine-grained on every system, unlike the monotonic clock of some."""
    return time.perf_counter_ns() // 1000
