"""A calibration led step by step: it asks for each hole, watches raw samples until the finger is there, and holds on.

Pure: fed samples and their own times, it knows no link and no clock.
"""

from bisect import bisect_left

import numpy as np
from numpy.typing import NDArray

from fingering.holes import FINGERS, HOLES
from fingerlead.workbench.samples import PLAN, Kind, Span, Taken

STILL_US = 400_000
HOLD_US = 900_000
FIRST_HOLD_US = 1_800_000
# How long a finger is waited for; then what came is taken, and judged as it is.
PATIENCE_US: dict[Kind, int] = {
    "open": 8_000_000,
    "covered": 10_000_000,
    "half": 6_000_000,
    "all": 12_000_000,
    "scale": 25_000_000,
}
LEAST_US = 300_000  # no finger is quicker
BACK_US = 700_000  # low G at the end of a scale
LOOK_US = 60_000
MOVED = 0.06  # of full scale


def ask_words(kind: Kind, hole: int | None) -> str:
    """What the player is asked to do."""
    finger = "" if hole is None else FINGERS[hole]
    return {
        "open": "Take all fingers off.",
        "covered": f"Cover only the hole of the {finger}, as firmly as you play.",
        "half": f"Move the {finger} aside until half of its hole is open.",
        "all": "Play low G: cover all holes.",
        "scale": "Play the scale slowly up from low G to high A and down again, and stay on low G.",
    }[kind]


class Guidance:
    """Asks for the steps of PLAN one after the other.

    `number` is the one at hand, `missed` those that were waited for in vain, `latest` the last raw samples.
    """

    def __init__(self, full_scale: int) -> None:
        self.full_scale = full_scale
        self.number = 0
        self.latest: tuple[int, ...] | None = None
        self.missed: list[int] = []
        self._times: list[int] = []
        self._rows: list[tuple[int, ...]] = []
        self._spans: list[Span] = []
        self._asked = 0
        self._held: int | None = None
        self._looked_us = 0
        self._open: NDArray[np.float64] = np.zeros(HOLES)
        self._swing: NDArray[np.float64] = np.zeros(HOLES)  # 0 where it has not answered
        self._last: int | None = None  # the hole that answered last
        self._seen_covered = np.zeros(HOLES, dtype=bool)
        self._seen_open = np.zeros(HOLES, dtype=bool)

    @property
    def done(self) -> bool:
        """Whether all steps were taken."""
        return self.number >= len(PLAN)

    @property
    def holding(self) -> bool:
        """Whether the finger is there, and is to stay."""
        return self._held is not None

    @property
    def words(self) -> str:
        """What the player is asked to do now."""
        return "" if self.done else ask_words(*PLAN[self.number])

    def hear(self, t_us: int, samples: tuple[int, ...]) -> None:
        """Take in one raw sample of each hole."""
        if self.done or (self._times and t_us < self._times[-1]):
            return
        self._times.append(t_us)
        self._rows.append(samples)
        self.latest = samples
        if t_us - self._looked_us >= LOOK_US or len(self._times) == 1:
            self._looked_us = t_us
            self._look(t_us)

    def taken(self) -> Taken:
        """What was taken, when `done`."""
        return Taken(
            np.array(self._times, dtype=np.int64),
            np.array(self._rows, dtype=np.uint16),
            tuple(self._spans),
            self.full_scale,
        )

    def _look(self, t_us: int) -> None:
        kind, _ = PLAN[self.number]
        since_us = t_us - self._times[self._asked]
        waited = since_us > PATIENCE_US[kind]
        if kind == "scale":
            self._note_turns()
        if self._held is None:
            there = since_us >= LEAST_US + STILL_US and self._still() and self._there(kind)
            if not (there or waited):
                return
            if not there:
                self.missed.append(self.number)
            if kind == "scale":
                self._next(self._asked)
                return
            # From here on: the stretch in which it came to rest may have the way there in it.
            self._held = len(self._times) - 1
        elif not waited and not self._still():
            self._held = None
        elif t_us - self._times[self._held] >= (FIRST_HOLD_US if self.number == 0 else HOLD_US):
            self._next(self._held)

    def _since(self, long_us: int) -> NDArray[np.float64]:
        """The rows of the last so many µs of this step."""
        first = max(self._asked, bisect_left(self._times, self._times[-1] - long_us))
        return np.array(self._rows[first:], dtype=np.float64)

    def _still(self) -> bool:
        window = self._since(STILL_US)
        if len(window) < 8:
            return False
        half = len(window) // 2
        apart = np.abs(np.median(window[:half], axis=0) - np.median(window[half:], axis=0))
        # A noisy hole is no moving finger: its middle may wander by a part of its noise.
        noise = np.median(np.abs(window - np.median(window, axis=0)), axis=0)
        return bool((apart <= np.maximum(MOVED / 2 * self.full_scale, 2 * noise)).all())

    def _share(self, rows: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far each hole is covered, 0 where it has not answered yet."""
        rise = np.median(rows, axis=0) - self._open
        share: NDArray[np.float64] = np.divide(rise, self._swing, out=np.zeros(HOLES), where=self._swing != 0)
        return share

    def _most(self, holes: NDArray[np.bool_]) -> bool:
        """Whether nearly all holes that answer are among these: one faulty sensor must not hold everything up."""
        answering = self._swing != 0
        return bool((holes & answering).sum() >= max(1, answering.sum() - 2))

    def _there(self, kind: Kind) -> bool:
        """Whether the fingers are where they were asked to be, as far as the samples tell."""
        if self.number == 0:
            return True
        window = self._since(STILL_US)
        share = self._share(window)
        if kind == "covered":
            rise = np.abs(np.median(window, axis=0) - self._open)
            if self._last is not None:
                if abs(share[self._last]) > 0.35:
                    return False
                rise[self._last] = 0.0
            return bool(rise.max() > MOVED * self.full_scale)
        if kind == "half":
            return self._last is None or bool(0.12 < share[self._last] < 0.85)
        if kind == "open":
            return self._most(share < 0.4)
        if kind == "all":
            return self._most(share > 0.6)
        return self._most(self._seen_covered & self._seen_open) and self._most(self._share(self._since(BACK_US)) > 0.6)

    def _note_turns(self) -> None:
        share = self._share(self._since(LOOK_US))
        self._seen_covered |= share > 0.6
        self._seen_open |= share < 0.4

    def _next(self, held: int) -> None:
        kind, hole = PLAN[self.number]
        end = len(self._times)
        self._spans.append(Span(kind, hole, self._asked, held, end))
        middle = np.median(np.array(self._rows[held:end], dtype=np.float64), axis=0)
        if self.number == 0:
            self._open = middle
        elif kind == "covered":
            rise = middle - self._open
            moved = int(np.argmax(np.abs(rise)))
            self._last = moved if abs(rise[moved]) > MOVED * self.full_scale else None
            if self._last is not None:
                self._swing[moved] = rise[moved]
        self.number += 1
        self._asked, self._held = end - 1, None
