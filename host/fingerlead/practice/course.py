"""The course of a tune that goes by in time: the beat counts in, then one note after the other is due.

Pure: times are host µs, as the beats that are heard come with them. The first beat that is heard begins the count-in:
whole bars, and at least COUNT_IN_US, so that the hands are on the chanter by then. From there on the beats are taken to
go on evenly; those that are heard keep it with them. A beat that falls silent ends it.
"""

import math
from collections import deque
from dataclasses import dataclass
from statistics import median
from typing import Literal

from fingerlead.music.tune import Expectation, Tune, beat_of

COUNT_IN_US = 2_500_000  # our own choice
FIRST_WITHIN_US = 3_000_000  # so long the first beat is waited for
SILENT_US, SILENT_BEATS = 1_000_000, 3
KEPT = 8  # beats
CourseState = Literal["waiting", "counting", "playing", "over", "silent"]


@dataclass(frozen=True, slots=True)
class CourseNow:
    """Where a tune is: `count` of `of` beats of a bar while the beat counts in, `index` the note that is due."""

    state: CourseState
    count: int
    of: int
    index: int


def bar_beats(tune: Tune) -> int | None:
    """The beats in a bar of a tune that can go by in time: one with a meter, and two bars; None for any other."""
    if tune.meter is None or len(tune.bars) < 2:
        return None
    return math.ceil(tune.meter[0] / (tune.meter[1] * beat_of(tune.meter)))


class TuneCourse:
    """A tune that can go by in time, by beats of `beat_us`; asked for at `asked_us`."""

    def __init__(self, tune: Tune, wanted: Expectation, beat_us: int, asked_us: int) -> None:
        beats, meter = bar_beats(tune), tune.meter
        if beats is None or meter is None or any(note.rhythm is None for note in wanted.notes):
            raise ValueError("expected a tune with a meter and two bars, to go by in time")
        self.beats, self.beat_us, self._asked_us = beats, beat_us, asked_us
        self._at = [float(note.rhythm.at) for note in wanted.notes if note.rhythm is not None]
        upbeat = float(tune.bars[0].length / beat_of(meter)) if tune.first_bar_number == 0 else 0.0
        least = max(beats, COUNT_IN_US / beat_us)
        self._count_in = math.ceil((least + upbeat) / beats) * beats - upbeat
        played = tune.played()
        self._end_at = float((played[-1].starts_at + played[-1].length) / beat_of(meter)) + 1
        # When the first beat was heard, by each of the last ones.
        self._first_us: deque[float] = deque(maxlen=KEPT)
        self._last_us = asked_us

    @property
    def begins_us(self) -> int | None:
        """When the tune begins; None before the first beat."""
        return round(median(self._first_us) + self._count_in * self.beat_us) if self._first_us else None

    def click(self, host_us: int) -> None:
        """A beat that is heard at a time."""
        if host_us < self._asked_us:
            return  # of the beat before
        first_us = median(self._first_us) if self._first_us else float(host_us)
        number = round((host_us - first_us) / self.beat_us)
        off_us = host_us - number * self.beat_us - first_us
        if abs(off_us) > self.beat_us / 4:
            if len(self._first_us) > 1:
                return
            self._first_us.clear()  # that was one of the beat before
            number = 0
        self._first_us.append(host_us - number * self.beat_us)
        self._last_us = max(self._last_us, host_us)

    def now(self, host_us: int) -> CourseNow:
        """Where it is at a time."""
        waited_us = host_us - self._last_us
        most_us = FIRST_WITHIN_US if not self._first_us else SILENT_US + SILENT_BEATS * self.beat_us
        now = self._now(host_us)
        return CourseNow("silent", 0, self.beats, now.index) if waited_us > most_us and now.state != "over" else now

    def wait_us(self, host_us: int) -> int:
        """How long until something else is due, at most a beat."""
        begins_us = self.begins_us
        if begins_us is None:
            return self.beat_us
        at = (host_us - begins_us) / self.beat_us
        later = next((each for each in self._at if each > at), math.inf) if at >= 0 else math.inf
        return max(0, math.ceil((min(later, math.floor(at) + 1) - at) * self.beat_us))

    def _now(self, host_us: int) -> CourseNow:
        begins_us = self.begins_us
        if begins_us is None:
            return CourseNow("waiting", 0, self.beats, 0)
        at = (host_us - begins_us) / self.beat_us
        if at >= self._end_at:
            return CourseNow("over", 0, self.beats, len(self._at) - 1)
        index = max(sum(each <= at for each in self._at) - 1, 0)
        if at >= 0:
            return CourseNow("playing", 0, self.beats, index)
        count = math.floor(at + self._count_in) % self.beats + 1
        return CourseNow("counting", count, self.beats, index)
