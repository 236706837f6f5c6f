"""Reed and drones from masks, each mask from its very frame on.

A piece of samples is made in stretches from one change to the next; within a stretch everything is array operations.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections import deque
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from fingering.holes import ALL_COVERED, HANDS_OFF
from host.sound.oscillator import Oscillator, Ramp
from host.sound.reed import CROSSFADE_US

if TYPE_CHECKING:
    from host.sound.bank import Bank

ATTACK_US = 5_000
FADE_US = 200_000
# Changes that may wait for their frame; beyond that the oldest give way.
_WAITING = 4_096
_NEVER = 1 << 62

Samples = npt.NDArray[np.float32]


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
        self._told = 0
        self._resting = True
        self._hands_off_frames = hands_off_us * rate_hz // 1_000_000
        self._rest_at = _NEVER

    def change_to(self, coming: Bank) -> None:
        """Another voice or tuning from the next piece on."""
        self._coming.append(coming)

    def cover(self, covered_mask: int | None, at_frame: int) -> None:
        """A mask from this frame on; of equal frames the last told counts."""
        self._told += 1
        insort(self._waiting, (at_frame, self._told, covered_mask))
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
