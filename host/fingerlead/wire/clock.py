"""Clocks: what time a 32-bit stamp means, and how the chanter's clock runs against the host's.

All times are integer µs: `ticks32` as on the wire (wraps every 71.6 minutes), `t_us` on the link's unwrapped clock,
`host_us` on the host's monotonic clock. The fit takes both clocks to run evenly. A stamp's bytes cannot arrive before
it was taken, so arrivals bound the chanter's clock from one side (the lower envelope of arrival minus stamp); a clock
request bounds it from both, for it was answered between its sending and its answer's arrival.
"""

from dataclasses import dataclass
from itertools import pairwise

WRAP = 1 << 32
HALF = 1 << 31

# What arrivals alone leave open: a serial adapter may hold every byte for this long (common practice, no source).
UNKNOWN_DELAY_US = 16_000
# Whole microseconds of both clocks and of the fit, carried from a third of the span to its ends.
ROUNDING_US = 6
# How far two quartz clocks may run apart where the fit is too short to tell (from memory).
UNKNOWN_DRIFT_PPM = 100
SHORTEST_SPAN_US = 10_000_000
MOST_BINS = 512


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
        """The time of `ticks32` that is nearest to the front (of two as near, the one before); the front stays."""
        step = (ticks32 - self.front_ticks) & 0xFFFFFFFF
        return self.front_us + (step if step < HALF else step - WRAP)


@dataclass(frozen=True, slots=True)
class Fit:
    """host = t + offset + (t - at) · rise / run. `uncertainty_us` holds from the first time fitted to the last.

    Where no clock request was answered, the offset may be late by the link's shortest delay, which is unknown, and
    `uncertainty_us` assumes that it is at most 16 ms.
    """

    at_us: int
    offset_us: int
    rise_us: int
    run_us: int
    uncertainty_us: int

    def chanter_us(self, host_us: int) -> int:
        """The chanter's time at a host time."""
        t_us = host_us - self.offset_us
        return t_us - (t_us - self.at_us) * self.rise_us // (self.run_us + self.rise_us)

    @property
    def drift_ppm(self) -> float:
        """How much faster the host's clock runs, in parts per million."""
        return self.rise_us / self.run_us * 1e6


class _Bins:
    """The lowest point of each stretch of time, in at most MOST_BINS stretches of one length."""

    def __init__(self) -> None:
        self._width_us = 1_000_000
        self._lowest: dict[int, tuple[int, int]] = {}

    def add(self, t_us: int, height_us: int) -> None:
        number = t_us // self._width_us
        if number not in self._lowest or height_us < self._lowest[number][1]:
            self._lowest[number] = (t_us, height_us)
        while len(self._lowest) > MOST_BINS:
            points, self._lowest = list(self._lowest.values()), {}
            self._width_us *= 2
            for point in points:
                self.add(*point)

    def points(self) -> list[tuple[int, int]]:
        return sorted(self._lowest.values())


class ClockFit:
    """Gathers clock requests and arrivals; memory stays bounded. After a restart of the chanter: `reset`."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Forget everything."""
        self._ceiling = _Bins()  # host - t is at most this
        self._exchanges = _Bins()  # round trips, by the time in their middle
        self._bounds: dict[tuple[int, int], tuple[int, int]] = {}
        self._from_us: int | None = None  # the first and last time heard of, which the lowest points need not be
        self._to_us = -(1 << 62)

    def add_arrival(self, t_us: int, host_us: int) -> None:
        """A frame stamped `t_us` arrived at `host_us`."""
        self._ceiling.add(t_us, host_us - t_us)
        self._from_us = t_us if self._from_us is None else min(self._from_us, t_us)
        self._to_us = max(self._to_us, t_us)

    def add_exchange(self, sent_us: int, t_us: int, received_us: int) -> None:
        """A clock request sent at `sent_us` was read at `t_us`; its answer came at `received_us`."""
        trip_us = received_us - sent_us
        if trip_us < 0:  # an answer from before its question is no answer
            return
        self.add_arrival(t_us, received_us)
        self._exchanges.add(t_us, trip_us)
        self._bounds[t_us, trip_us] = (sent_us - t_us, received_us - t_us)
        if len(self._bounds) > 2 * MOST_BINS:
            self._bounds = {point: self._bounds[point] for point in self._exchanges.points()}

    def fit(self) -> Fit | None:
        """The fit of what has come so far; None before anything has."""
        ceiling = self._ceiling.points()
        if not ceiling or self._from_us is None:
            return None
        from_us, to_us = self._from_us, self._to_us
        at_us = ceiling[0][0]
        span_us = ceiling[-1][0] - at_us
        rise_us, run_us = _slope_below(ceiling) if span_us >= SHORTEST_SPAN_US else (0, 1)
        drift_us = 0 if span_us >= SHORTEST_SPAN_US else -(-(to_us - from_us) * UNKNOWN_DRIFT_PPM // 1_000_000)

        def tilt(t_us: int) -> int:
            return (t_us - at_us) * rise_us // run_us

        highest_us = min(height_us - tilt(t_us) for t_us, height_us in ceiling)
        trips = self._exchanges.points()
        if not trips:
            return Fit(at_us, highest_us, rise_us, run_us, UNKNOWN_DELAY_US + drift_us)
        lowest_us = max(self._bounds[point][0] - tilt(point[0]) for point in trips)
        offset_us = (highest_us + lowest_us) // 2
        errors = []  # (time, how far the fit can be from the truth there)
        for t_us, trip_us in trips:
            low_us, high_us = self._bounds[t_us, trip_us]
            here_us = offset_us + tilt(t_us)
            errors.append((t_us, max(high_us - here_us, here_us - low_us)))
        uncertainty_us = _widest(errors, from_us, to_us)
        return Fit(at_us, offset_us, rise_us, run_us, uncertainty_us + drift_us + 1)


def _slope_below(points: list[tuple[int, int]]) -> tuple[int, int]:
    """(rise, run) of the edge of the points' lower hull that spans their middle: the line closest below them all."""
    hull: list[tuple[int, int]] = []
    for t, height in points:
        while len(hull) > 1:
            (t0, height0), (t1, height1) = hull[-2:]
            if (height1 - height0) * (t - t0) < (height - height0) * (t1 - t0):
                break
            hull.pop()
        hull.append((t, height))
    middle = (points[0][0] + points[-1][0]) // 2
    for (t0, height0), (t1, height1) in pairwise(hull):
        if t1 >= middle:
            return height1 - height0, t1 - t0
    return 0, 1


def _widest(errors: list[tuple[int, int]], first_us: int, last_us: int) -> int:
    """How far apart two lines can be between two times that are at most so far apart at some times.

    The difference of two lines is a line: the closest meeting in the first and in the last third bound it everywhere.
    """
    third = (last_us - first_us) // 3
    early = min((entry for entry in errors if entry[0] <= first_us + third), key=lambda entry: entry[1], default=None)
    late = min((entry for entry in errors if entry[0] >= last_us - third), key=lambda entry: entry[1], default=None)
    if early is None or late is None or early[0] >= late[0]:
        return max(error for _, error in errors) + (last_us - first_us) * UNKNOWN_DRIFT_PPM // 1_000_000
    (early_us, early_error), (late_us, late_error) = early, late
    run, both = late_us - early_us, early_error + late_error
    before = early_error + -(-(early_us - first_us) * both // run)
    after = late_error + -(-(last_us - late_us) * both // run)
    return max(before, after) + ROUNDING_US
