"""Reed and drones from masks, each mask from its very frame on.

A piece of samples is made in stretches from one change to the next; within a stretch everything is array operations. A
wave read at a running phase, and gains that move in straight lines, keep changes free of clicks.
"""

from bisect import bisect_right, insort
from collections import deque

import numpy as np

from fingering.holes import ALL_COVERED, HANDS_OFF
from fingerlead.sound.loudness import Floats, Samples
from fingerlead.sound.voices import CROSSFADE_US, TABLE_FRAMES, Bank

ATTACK_US = 5_000
FADE_US = 200_000
# Changes that may wait for their frame; beyond that the oldest give way.
_WAITING = 4_096
_NEVER = 1 << 62
# Counts the frames of a stretch; made once, since stretches are short.
_COUNT = np.arange(1, 1_025, dtype=np.float64)


class Oscillator:
    """Reads one period (`voices.wave`) at `step` cycles a frame. Phase in cycles, 0 to 1; it never jumps.

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


class Piping:
    """The sound at 0 LUFS. `change_to` may come from any thread, all else from the one that makes the samples."""

    def __init__(self, first: Bank, rate_hz: int, hands_off_us: int) -> None:
        cross_frames = max(1, CROSSFADE_US * rate_hz // 1_000_000)
        self._bank = first
        self._coming: deque[Bank] = deque(maxlen=1)
        self._mask = ALL_COVERED
        self._reed = Oscillator(first.steps[self._mask], first.wave_of(self._mask), cross_frames)
        self._drones = Oscillator(first.drone_step, first.drone_wave, cross_frames)
        self._gate = Ramp(0.0, rate_hz)
        self._reed_gain, self._drones_gain = (Ramp(gain, rate_hz) for gain in first.gains)
        self._waiting: list[tuple[int, int, int | None]] = []
        self._calls = 0
        self._resting = True
        self._hands_off_frames = hands_off_us * rate_hz // 1_000_000
        self._rest_at = _NEVER

    def change_to(self, coming: Bank) -> None:
        """Another voice or tuning from the next piece on."""
        self._coming.append(coming)

    def cover(self, covered_mask: int | None, at_frame: int) -> None:
        """A mask from this frame on; of equal frames the last call counts."""
        self._calls += 1
        insort(self._waiting, (at_frame, self._calls, covered_mask))
        if len(self._waiting) > _WAITING:
            del self._waiting[0]

    def make(self, made: Samples, first_frame: int) -> None:
        """Fill the frames from `first_frame` on."""
        if self._coming:
            self._bank = self._coming.popleft()
            for ramp, gain in zip((self._reed_gain, self._drones_gain), self._bank.gains, strict=True):
                ramp.aim_at(gain, FADE_US)
            self._reed.go_to(self._bank.steps[self._mask], self._bank.wave_of(self._mask))
            self._drones.go_to(self._bank.drone_step, self._bank.drone_wave)
        frame, end_frame = first_frame, first_frame + len(made)
        while frame < end_frame:
            due = bisect_right(self._waiting, frame, key=lambda change: change[0])
            if due:
                self._sound(self._waiting[due - 1][2], frame)
                del self._waiting[:due]
            if self._rest_at <= frame:
                self._rest()
            stop = min(end_frame, self._rest_at, self._waiting[0][0] if self._waiting else _NEVER)
            self._stretch(made[frame - first_frame : stop - first_frame])
            frame = stop

    def _sound(self, covered_mask: int | None, frame: int) -> None:
        if self._resting and covered_mask in (None, HANDS_OFF):
            return
        if covered_mask is None:
            self._rest()
        else:
            if covered_mask != self._mask:
                self._mask = covered_mask
                self._reed.go_to(self._bank.steps[covered_mask], self._bank.wave_of(covered_mask))
            if self._resting:
                self._resting = False
                self._gate.aim_at(1.0, ATTACK_US)
            if covered_mask != HANDS_OFF:
                self._rest_at = _NEVER
            elif self._rest_at == _NEVER:
                self._rest_at = frame + self._hands_off_frames

    def _rest(self) -> None:
        self._rest_at = _NEVER
        self._resting = True
        self._gate.aim_at(0.0, FADE_US)

    def _stretch(self, made: Samples) -> None:
        frames = len(made)
        # Silent or not, the phases run on: what is heard later may not hang on how the stretches were cut.
        np.multiply(self._reed.next(frames), self._reed_gain.next(frames), out=made, casting="same_kind")
        if self._drones_gain.silent:
            self._drones.skip(frames)
        else:
            made += self._drones_gain.next(frames) * self._drones.next(frames)
        made *= self._gate.next(frames)
