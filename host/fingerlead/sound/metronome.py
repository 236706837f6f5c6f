"""The metronome: where its clicks lie on the grid of samples, and what one sounds like.

Click n lies at the sample nearest to n · 60 · rate / (bpm · subdivision) after the start, in whole numbers, so that
it never drifts. Beats are counted from 0 at the first full bar; those of the count-in are below 0.
The click is our own: a short knock, its first sample the loudest rise.
"""

from collections import deque
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from fingerlead.sound.loudness import Samples

SLOWEST_BPM, FASTEST_BPM = 20, 240
MOST_BEATS, MOST_SUBDIVISION, MOST_COUNT_IN_BARS = 16, 4, 4
# Peaks beside a reed at 0 LUFS: accent, beat, between the beats.
CLICK_GAINS = {"accent": 2.3, "beat": 1.8, "between": 0.7}
_CLICK_S = 0.03
_REMEMBERED = 256


class Click(NamedTuple):
    """A beat that was rendered: the absolute frame of its first sample, which beat, and whether it is accented."""

    frame: int
    beat: int
    accent: bool


class Tick(NamedTuple):
    """A click to come: frames after the start, its beat, and `accent`, `beat` or `between`."""

    after_frames: int
    beat: int
    kind: str


@dataclass(frozen=True, slots=True)
class Metronome:
    """Beats per minute (20 to 240), beats in a bar, clicks in a beat, which beats of a bar are accented, bars before.

    The count-in has beats only. Raises ValueError, one sentence.
    """

    bpm: Fraction | int | float = 60
    beats: int = 4
    subdivision: int = 1
    accents: tuple[int, ...] = (0,)
    count_in_bars: int = 0

    def __post_init__(self) -> None:
        if not isinstance(self.bpm, (Fraction, int, float)) or not SLOWEST_BPM <= self.bpm <= FASTEST_BPM:
            raise ValueError(f"expected {SLOWEST_BPM} to {FASTEST_BPM} beats per minute; got {self.bpm!r}")
        for name, value, least, most in (
            ("beats in a bar", self.beats, 1, MOST_BEATS),
            ("clicks in a beat", self.subdivision, 1, MOST_SUBDIVISION),
            ("bars of count-in", self.count_in_bars, 0, MOST_COUNT_IN_BARS),
        ):
            if not isinstance(value, int) or not least <= value <= most:
                raise ValueError(f"expected {least} to {most} {name}; got {value!r}")
        for accent in self.accents:
            if not isinstance(accent, int) or not 0 <= accent < self.beats:
                raise ValueError(f"expected accents from 0 to {self.beats - 1}, counted in the bar; got {accent!r}")

    def tick(self, number: int, rate_hz: int) -> Tick:
        """Click `number`, 0 at the start; the count-in comes first."""
        before = self.count_in_bars * self.beats
        if number < before:
            part, between = number * self.subdivision, False
            beat = number - before
        else:
            part = number - before + before * self.subdivision
            beat, between = (number - before) // self.subdivision, (number - before) % self.subdivision > 0
        kind = "between" if between else "accent" if beat % self.beats in self.accents else "beat"
        return Tick(round(part * self.part_frames(rate_hz)), beat, kind)

    def part_frames(self, rate_hz: int) -> Fraction:
        """Frames from one subdivision to the next, exact; a tempo with a fraction counts to a thousandth."""
        return 60 * rate_hz / (Fraction(self.bpm).limit_denominator(1_000) * self.subdivision)


@lru_cache(maxsize=32)
def click_wave(kind: str, rate_hz: int) -> Samples:
    """The samples of one click; the first is not zero."""
    frame = np.arange(1, 1 + int(_CLICK_S * rate_hz))
    seconds = frame / rate_hz
    high = 2_400.0 if kind == "accent" else 1_800.0
    knock = np.sin(2 * np.pi * high * seconds) * np.exp(-seconds / 0.004)
    knock += 0.4 * np.sin(2 * np.pi * 2.76 * high * seconds) * np.exp(-seconds / 0.0015)
    fade = np.minimum(1.0, (frame[-1] + 1 - frame) / (0.2 * len(frame)))
    sound: Samples = (CLICK_GAINS[kind] * knock * fade).astype(np.float32)
    return sound


class Beating:
    """One metronome at a time, its clicks added at their very frames.

    `ask` may come from any thread, `add_to` from one.
    """

    def __init__(self, rate_hz: int) -> None:
        self.clicks: deque[Click] = deque(maxlen=_REMEMBERED)
        self._rate_hz = rate_hz
        self._asked: deque[tuple[Metronome | None, int | None]] = deque(maxlen=16)
        self._running: Metronome | None = None
        self._start_frame = 0
        self._number = 0
        self._ringing: list[tuple[int, Samples]] = []
        for kind in ("accent", "beat", "between"):
            click_wave(kind, rate_hz)

    def ask(self, metronome: Metronome | None, at_frame: int | None) -> None:
        """From this frame on, or at once; None for no further clicks."""
        self._asked.append((metronome, at_frame))

    def add_to(self, samples: Samples, first_frame: int) -> None:
        """Add what sounds in the frames from `first_frame` on."""
        while self._asked:
            self._running, at_frame = self._asked.popleft()
            self._start_frame = first_frame if at_frame is None else max(at_frame, first_frame)
            self._number = 0
        end_frame = first_frame + len(samples)
        while self._running is not None:
            tick = self._running.tick(self._number, self._rate_hz)
            frame = self._start_frame + tick.after_frames
            if frame >= end_frame:
                break
            if tick.kind != "between":
                self.clicks.append(Click(frame, tick.beat, tick.kind == "accent"))
            self._ringing.append((frame, click_wave(tick.kind, self._rate_hz)))
            self._number += 1
        for frame, sound in self._ringing:
            begin, end = max(frame, first_frame), min(frame + len(sound), end_frame)
            samples[begin - first_frame : end - first_frame] += sound[begin - frame : end - frame]
        self._ringing = [(frame, sound) for frame, sound in self._ringing if frame + len(sound) > end_frame]
