"""How far the starts of notes lie from beats, once the way from finger to ear is taken out.

Question: does the learner play with the beat? Conventions: every time is integer µs on one clock, whichever the caller
has; `off_us` is positive where a note comes after its beat. A *loop delay* is what lies between a click being given out
and the finger that answers it: the sound's way to the ear, the person, the sensor's way back. A note that is played
with what the ear hears comes late by it, so it is taken off every start.

Who taps along with clicks tends to be early (the negative mean asynchrony: B. H. Repp, "Sensorimotor synchronization",
Psychonomic Bulletin & Review 12 (2005) 969-992; that it comes to some tens of milliseconds: from memory). What taps
measure therefore holds the person too, and may fall below what the wires alone take.
"""

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import ceil
from statistics import median, quantiles
from typing import Self

# Our own choices. A tap counts for the last click that it is at most so much ahead of.
EARLIEST_US = 150_000
FEWEST_TAPS = 8
WIDEST_SPREAD_US = 40_000


class TapsError(ValueError):
    """Taps that measure nothing; one plain sentence."""


@dataclass(frozen=True, slots=True)
class BeatPlace:
    """Where a note lies: beat `beat` of the grid, `part` of its parts after it (0 is the beat), and how far off."""

    beat: int
    part: int
    off_us: int


@dataclass(frozen=True, slots=True)
class BeatGrid:
    """Beats as they were given out, rising, at least two; each cut into `parts`. ValueError for anything else."""

    beats_us: tuple[int, ...]
    parts: int = 1

    def __post_init__(self) -> None:
        if len(self.beats_us) < 2 or any(later <= before for before, later in pairwise(self.beats_us)):
            raise ValueError("expected two beats or more, each later than the one before")
        if self.parts < 1:
            raise ValueError(f"expected a beat of one part or more; got {self.parts}")

    def place(self, t_us: int) -> BeatPlace | None:
        """The nearest line of the grid; of two as near, the earlier. None beyond half a part before or after it all."""
        beats = self.beats_us
        # The beats at both ends stand for their neighbours outside.
        before = min(max(bisect_right(beats, t_us) - 1, 0), len(beats) - 2)
        start_us, length_us = beats[before], beats[before + 1] - beats[before]
        line = ceil(Fraction((t_us - start_us) * self.parts, length_us) - Fraction(1, 2))
        if not 0 <= before * self.parts + line <= (len(beats) - 1) * self.parts:
            return None
        line_us = start_us + round(Fraction(line * length_us, self.parts))
        return BeatPlace(before + line // self.parts, line % self.parts, t_us - line_us)


@dataclass(frozen=True, slots=True)
class LoopDelay:
    """What taps along with clicks say: the middle of their delays.

    `spread_us`: half of the taps lie within twice that (half the interquartile range). `taps` is how many counted.
    """

    delay_us: int
    spread_us: int
    taps: int

    @classmethod
    def from_taps(cls, click_us: Sequence[int], tap_us: Sequence[int]) -> Self:
        """Measure from clicks and taps on one clock; of each click the first tap counts. Raises TapsError.

        A delay longer than the time between two clicks, less 150 ms, cannot be told from an early tap: click slowly.
        """
        delays = _delays(sorted(click_us), sorted(tap_us))
        if len(delays) < FEWEST_TAPS:
            were = "was one" if len(delays) == 1 else f"were {len(delays) or 'none'}"
            raise TapsError(
                f"expected {FEWEST_TAPS} taps or more, each with a click; there {were}. Keep tapping a little longer"
            )
        low, middle, high = quantiles(delays, n=4, method="inclusive")
        spread_us = round((high - low) / 2)
        if spread_us > WIDEST_SPREAD_US:
            raise TapsError(
                f"expected taps that keep with the clicks; half of these lie more than {spread_us // 1_000} ms away "
                "from their middle. Listen to a few clicks first, then tap one finger with them"
            )
        return cls(round(middle), spread_us, len(delays))

    @property
    def words(self) -> str:
        """The delay in a sentence or two, with what it cannot tell."""
        ms = self.delay_us // 1_000
        late = f"From a click to your finger it takes {ms} ms"
        found = f"You tapped {-ms} ms before the clicks were given out" if ms < 0 else late
        return (
            f"{found} (give or take {max(1, self.spread_us // 1_000)} ms, {self.taps} taps). You yourself are in that "
            "number: people who tap along tend to be a little early."
        )


@dataclass(frozen=True, slots=True)
class Pulse:
    """How notes lie to their beats: the middle (positive: late), half the interquartile range, how many notes."""

    off_us: int
    spread_us: int
    notes: int


def pulse_of(starts_us: Iterable[int], grid: BeatGrid, loop: LoopDelay | None = None) -> Pulse | None:
    """Where notes start on the grid, with the loop delay taken out, in three numbers; None for fewer than two on it."""
    delay_us = 0 if loop is None else loop.delay_us
    offs = [place.off_us for start_us in starts_us if (place := grid.place(start_us - delay_us)) is not None]
    if len(offs) < 2:
        return None
    low, _, high = quantiles(offs, n=4, method="inclusive")
    return Pulse(round(median(offs)), round((high - low) / 2), len(offs))


def _delays(clicks: list[int], taps: list[int]) -> list[int]:
    delays: dict[int, int] = {}
    for tap in taps:
        click = bisect_right(clicks, tap + EARLIEST_US) - 1
        if click >= 0:
            delays.setdefault(click, tap - clicks[click])
    return list(delays.values())
