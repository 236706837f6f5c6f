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
    """Reads one period (`reed.wave`) at `step` cycles a frame. Phase in cycles, 0 to 1; it never jumps.

    For `cross_frames` after a change the wave that is left sounds on at its own pitch (at the new one, harmonics of a
    low note would fold back at the sample rate) while the new one takes over in a straight line.
    """

    def __init__(self, step: float, wave: Samples, cross_frames: int) -> None:
        self._step = self._left_step = step
        self._wave = self._left_wave = wave
        self._cross_frames = cross_frames
        self._to_cross = 0
        self._phase = self._left_phase = 0.0

    def go_to(self, step: float, wave: Samples) -> None:
        """From the next frame on at this pitch and with this wave."""
        if step == self._step and wave is self._wave:
            return
        # Changes may come faster than they cross over: then what is left is the blend that sounds just now.
        self._left_wave = self._blend() if self._to_cross else self._wave
        self._left_step, self._left_phase = self._step, self._phase
        self._step, self._wave = step, wave
        self._to_cross = self._cross_frames

    def _blend(self) -> Samples:
        left = np.float32(self._to_cross / self._cross_frames)
        ahead = round((self._left_phase - self._phase) * TABLE_FRAMES)
        period = left * np.roll(self._left_wave[:-1], -ahead) + (1 - left) * self._wave[:-1]
        return np.append(period, period[0])

    def skip(self, frames: int) -> None:
        """Run on unheard; a crossing over is done with."""
        self._phase = (self._phase + self._step * frames) % 1.0
        self._to_cross = 0

    def next(self, frames: int) -> Samples:
        """The next frames (at most 1 024)."""
        samples, self._phase = _read(self._wave, self._phase, self._step, frames)
        crossing = min(self._to_cross, frames)
        if crossing:
            before, self._left_phase = _read(self._left_wave, self._left_phase, self._left_step, crossing)
            left = ((self._to_cross - _COUNT[:crossing]) / self._cross_frames).astype(np.float32)
            samples[:crossing] += left * (before - samples[:crossing])
            self._to_cross -= crossing
        return samples


def _read(wave: Samples, phase: float, step: float, frames: int) -> tuple[Samples, float]:
    """The wave from the frame after `phase` on, in straight lines between its samples; and the last frame's phase."""
    turns = phase + step * _COUNT[:frames]
    place = (turns % 1.0) * TABLE_FRAMES
    index = place.astype(np.intp)
    part = (place - index).astype(np.float32)
    here: Samples = wave.take(index)
    there: Samples = wave.take(index + 1)
    there -= here
    there *= part
    here += there
    return here, float(turns[-1]) % 1.0


class Ramp:
    """A gain that goes to its aim in a straight line."""

    def __init__(self, value: float, rate_hz: int) -> None:
        self.value = self._aim = value
        self._rate_hz = rate_hz
        self._step = 0.0

    def aim_at(self, aim: float, us: int) -> None:
        """Be there after `us`."""
        self._aim = aim
        self._step = abs(aim - self.value) * 1e6 / (us * self._rate_hz)

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
