"""A wave read at a running phase, and gains that move in straight lines: what keeps changes free of clicks."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from host.sound.reed import TABLE_FRAMES

Samples = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
# Counts the frames of a stretch; made once, since stretches are short.
_COUNT = np.arange(1, 1_025, dtype=np.float64)


class Oscillator:
    """Reads one period (`reed.wave`) at `step` cycles a frame. Phase in cycles, 0 to 1; it never jumps."""

    def __init__(self, step: float, wave: Samples, cross_frames: int) -> None:
        self._step = step
        self._wave = self._left = wave
        self._cross_frames = cross_frames
        self._to_cross = 0
        self._phase = 0.0

    def go_to(self, step: float, wave: Samples) -> None:
        """From the next frame on at this pitch, crossing over to this wave.

        What is left behind is the blend that sounds just now, so that changes may follow each other at any pace.
        """
        self._step = step
        if wave is self._wave:
            return
        if self._to_cross:
            left = np.float32(self._to_cross / self._cross_frames)
            self._left = left * self._left + (1 - left) * self._wave
        else:
            self._left = self._wave
        self._wave = wave
        self._to_cross = self._cross_frames

    def next(self, frames: int) -> Samples:
        """The next frames (at most 1 024)."""
        phase = self._phase + self._step * _COUNT[:frames]
        self._phase = float(phase[-1]) % 1.0
        place = (phase % 1.0) * TABLE_FRAMES
        index = place.astype(np.intp)
        part = (place - index).astype(np.float32)
        samples = _read(self._wave, index, part)
        crossing = min(self._to_cross, frames)
        if crossing:
            left = ((self._to_cross - _COUNT[:crossing]) / self._cross_frames).astype(np.float32)
            before = _read(self._left, index[:crossing], part[:crossing])
            samples[:crossing] += left * (before - samples[:crossing])
            self._to_cross -= crossing
        return samples


def _read(wave: Samples, index: npt.NDArray[np.intp], part: Samples) -> Samples:
    here: Samples = wave.take(index)
    there: Samples = wave.take(index + 1)
    there -= here
    there *= part
    here += there
    return here


class Ramp:
    """A gain that goes to its aim in a straight line."""

    def __init__(self, value: float, rate_hz: int) -> None:
        self.value = self._aim = value
        self._rate_hz = rate_hz
        self._step = 0.0

    def aim_at(self, aim: float, us: int) -> None:
        """Go there; the whole way between 0 and 1 takes `us`."""
        self._aim = aim
        self._step = 1e6 / (us * self._rate_hz)

    @property
    def silent(self) -> bool:
        """Whether it is 0 and stays there."""
        return self.value == self._aim == 0

    def next(self, frames: int) -> Floats | float:
        """The gain of the next frames (at most 1 024): one number while it rests."""
        if self.value == self._aim:
            return self.value
        way = self._step * _COUNT[:frames]
        rising = self._aim > self.value
        gains = np.minimum(self.value + way, self._aim) if rising else np.maximum(self.value - way, self._aim)
        self.value = float(gains[-1])
        return gains
