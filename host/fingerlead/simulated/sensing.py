"""From finger edges to scans: what eight sensors see of a performance, and when.

Conventions: an edge's time is its seal (`motion`). A sensor turns the finger's height into a raw sample that rises as
the hole is covered (`transducers`), with noise; it saturates at the ends of its range. A hole is covered from
the first sample at or above `cover_at`, open from the first at or below `uncover_at`, unchanged between; at the start,
covered at their midpoint or above. The chatter filter decides *whether* an edge is real, never *when*. Scan k starts
at `phase_us` + k · `scan_us` of the true clock and reads all holes at once.
"""

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES, fingers_of
from fingerlead.simulated.motion import SEAL_MM, Course, Floats, Motion
from fingerlead.simulated.performance import Performance
from fingerlead.simulated.transducers import Transducer
from fingerlead.wire.messages import Levels

RAW_BITS = 10
OPEN_RAW, COVERED_RAW = 100, 900
CHUNK = 4096

SETTLE_US = 2_000
UNDISTURBED = Transducer()

Masks = list[tuple[int, int]]
Look = tuple[int, Masks]


@dataclass(frozen=True, slots=True)
class Sensor:
    """One hole's sensor and its levels, in raw counts; `covered_raw` is the sample under a finger at rest."""

    cover_at: int = 700
    uncover_at: int = 620
    noise_raw: float = 4.0
    open_raw: int = OPEN_RAW
    covered_raw: int = COVERED_RAW
    transducer: Transducer = UNDISTURBED

    def raw_of(self, share: Floats) -> Floats:
        """Samples before their noise and rounding."""
        return self.open_raw + share * (self.covered_raw - self.open_raw)


Sensors = tuple[Sensor, ...]

# How far each hole's levels lie off the middle, in raw counts: sensors fire at different finger heights.
_SKEW_RAW = (20, -60, 35, 75, -40, 0, -75, 50)
KINDS = ("ideal", "usual", "noisy")


def sensors(kind: str = "usual") -> Sensors:
    """Eight capacitive sensors: `ideal` (no noise, no lag), `usual` or `noisy`; ValueError otherwise.

    The levels of the ideal ones are at the seal; those of the others lie a little above it, where the curve is steep.
    """
    if kind == "ideal":
        seal_raw = round(float(Sensor().raw_of(UNDISTURBED.share(np.array([SEAL_MM])))[0]))
        return (Sensor(seal_raw + 1, seal_raw - 1, 0.0),) * HOLES
    if kind in KINDS:
        usual = Sensor(noise_raw=4.0 if kind == "usual" else 14.0)
        return tuple(
            replace(usual, cover_at=usual.cover_at + skew, uncover_at=usual.uncover_at + skew) for skew in _SKEW_RAW
        )
    raise ValueError(f"expected one of {', '.join(KINDS)}; got {kind!r}")


def levels_of(sensors_: Sensors) -> Levels:
    """The thresholds that the sensors come with."""
    return tuple((sensor.cover_at, sensor.uncover_at) for sensor in sensors_)


class Heights:
    """Raw samples of a performance at any scan: the same for the same seed, in whatever pieces they are asked for."""

    def __init__(self, performance: Performance, sensors_: Sensors, scan_us: int, phase_us: int) -> None:
        self._sensors = sensors_
        self._scan_us, self._phase_us = scan_us, phase_us
        self._seed = performance.seed
        self._noise = np.array([s.noise_raw for s in sensors_], dtype=np.float32)
        self._courses = [
            Course(
                [edge.t_us for edge in performance.edges if edge.finger == hole],
                bool(performance.start_mask >> hole & 1),
                Motion(performance.travel_us),
            )
            for hole in range(HOLES)
        ]
        self._trembles = performance.trembles
        self._chunk: tuple[int, NDArray[np.int32]] = (-1, np.zeros((0, HOLES), np.int32))
        self._noises: tuple[int, NDArray[np.float32]] = (-1, np.zeros((0, HOLES), np.float32))

    def time_us(self, scan: int) -> int:
        """When a scan starts."""
        return self._phase_us + scan * self._scan_us

    def scan_from(self, t_us: int) -> int:
        """The first scan that starts at `t_us` or later."""
        return -((self._phase_us - t_us) // self._scan_us)

    def samples(self, first: int, last: int) -> NDArray[np.int32]:
        """Raw samples of scans `first` up to, not including, `last`: shape (n, 8). At most to the end of a chunk."""
        number, start = divmod(first, CHUNK)
        if self._chunk[0] != number:
            self._chunk = (number, self._between(first - start, first - start + CHUNK))
        return self._chunk[1][start : start + last - first]

    def _between(self, first: int, last: int) -> NDArray[np.int32]:
        """The samples of these scans, all in one chunk, made anew but for their noise."""
        t_us = (np.arange(first, last) * self._scan_us + self._phase_us).astype(np.float64)
        raw = self._without_noise(t_us)
        if self._noise.any() or self._trembles:
            number, start = divmod(first, CHUNK)
            if self._noises[0] != number:
                rng = np.random.default_rng((self._seed & 0xFFFFFFFF, number))
                self._noises = (number, rng.standard_normal((CHUNK, HOLES), dtype=np.float32))
            noise = self._noises[1][start : start + last - first]
            raw += noise * self._noise
            for tremble in self._trembles:
                if tremble.end_us < t_us[0] or tremble.start_us > t_us[-1]:
                    continue
                sensor, hole = self._sensors[tremble.finger], tremble.finger
                within = (t_us >= tremble.start_us) & (t_us < tremble.end_us)
                # It lies just above the opening level and shakes by half the distance to the covering one.
                shake = (sensor.cover_at - sensor.uncover_at) / 2
                raw[within, hole] = sensor.uncover_at + shake + noise[within, hole] * shake
        return np.clip(np.rint(raw), 0, (1 << RAW_BITS) - 1).astype(np.int32)

    def _without_noise(self, t_us: NDArray[np.float64]) -> NDArray[np.float64]:
        columns = [
            sensor.raw_of(sensor.transducer.signal(t_us, course.heights_mm, course.dry_us))
            for sensor, course in zip(self._sensors, self._courses, strict=True)
        ]
        return np.stack(columns, axis=1)


class Comparator:
    """Samples → seen masks, by each hole's two levels."""

    def __init__(self, levels: Levels) -> None:
        self.set(levels)
        self._state: NDArray[np.bool_] | None = None

    def set(self, levels: Levels) -> None:
        """Use other levels from the next sample on."""
        self.levels = levels
        self._cover = np.array([cover for cover, _ in levels])
        self._uncover = np.array([uncover for _, uncover in levels])

    def step(self, samples: NDArray[np.int32]) -> NDArray[np.uint8]:
        """One covered mask for each row of samples, at least one row."""
        if self._state is None:
            self._state = samples[0] * 2 >= self._cover + self._uncover
        seen = samples >= self._cover
        between = ~seen & (samples > self._uncover)
        if between.any():
            rows = np.arange(1, len(samples) + 1)
            for hole in np.flatnonzero(between.any(axis=0)):
                # The last row that decided, 0 for the state before.
                last = np.maximum.accumulate(np.where(between[:, hole], 0, rows))
                seen[:, hole] = np.concatenate((self._state[hole : hole + 1], seen[:, hole]))[last]
        self._state = seen[-1].copy()
        packed: NDArray[np.uint8] = np.packbits(seen, axis=1, bitorder="little")[:, 0]
        return packed


class ChatterFilter:
    """Decides whether a change of a hole is real: it is once it has lasted `settle_us`, and keeps its first time.

    The same rule for covering and opening. A hole that goes back sooner has not moved. Call `see` for every scan, or
    for every scan at which the mask differs from the last one or `due_us` has come.
    """

    def __init__(self, settle_us: int, covered_mask: int) -> None:
        self.covered_mask = covered_mask
        self._settle_us = settle_us
        self._first_us: dict[int, int] = {}

    @property
    def waiting(self) -> bool:
        """Whether a change is not decided yet."""
        return bool(self._first_us)

    @property
    def due_us(self) -> int | None:
        """When the next change is decided if nothing goes back."""
        return min(self._first_us.values()) + self._settle_us if self._first_us else None

    def see(self, t_us: int, seen_mask: int) -> Masks:
        """The (time, covered mask) decided at the scan of `t_us`; changes first seen in one scan come as one."""
        differs = seen_mask ^ self.covered_mask
        if self._first_us:
            self._first_us = {hole: at_us for hole, at_us in self._first_us.items() if differs >> hole & 1}
        for hole in fingers_of(differs):
            self._first_us.setdefault(hole, t_us)
        out: Masks = []
        for first_us in sorted(set(self._first_us.values())):
            if t_us - first_us < self._settle_us:
                break
            for hole in [hole for hole, at_us in self._first_us.items() if at_us == first_us]:
                self.covered_mask ^= 1 << hole
                del self._first_us[hole]
            out.append((first_us, self.covered_mask))
        return out


class Eye:
    """Scans in, decided masks out: comparator and chatter filter from one power-up on."""

    def __init__(self, heights: Heights, levels: Levels, settle_us: int) -> None:
        self.heights = heights
        self.comparator = Comparator(levels)
        self._settle_us = settle_us
        self._chatter: ChatterFilter | None = None
        self._seen = 0

    @property
    def waiting(self) -> bool:
        """Whether a change is not decided yet."""
        return self._chatter is not None and self._chatter.waiting

    def look(self, first: int, last: int, wanted: Callable[[], int | None] = lambda: None) -> Iterator[Look]:
        """Scan from `first` up to, not including, `last`; yields (scan, masks decided at it).

        Only scans at which something changes, is decided, or which `wanted()` names; it is asked after each of them.
        """
        while first < last:
            end = min(last, (first // CHUNK + 1) * CHUNK)
            yield from self._look_in_chunk(first, end, wanted)
            first = end

    def _look_in_chunk(self, first: int, last: int, wanted: Callable[[], int | None]) -> Iterator[Look]:
        masks = self.comparator.step(self.heights.samples(first, last))
        done = first - 1
        if self._chatter is None:
            self._seen = int(masks[0])
            self._chatter = ChatterFilter(self._settle_us, self._seen)
            yield first, [(self.heights.time_us(first), self._seen)]
            done = first
        changes = deque((np.flatnonzero(np.diff(masks, prepend=np.uint8(self._seen))) + first).tolist())
        while True:
            due_us, wanted_scan = self._chatter.due_us, wanted()
            at = changes[0] if changes else last
            if due_us is not None:
                at = min(at, self.heights.scan_from(due_us))
            if wanted_scan is not None:
                at = min(at, max(wanted_scan, done + 1))
            if at >= last:
                return
            if changes and at == changes[0]:
                changes.popleft()
                self._seen = int(masks[at - first])
            decided = self._chatter.see(self.heights.time_us(at), self._seen)
            done = at
            yield at, decided
