"""The metronome's clicks, added to the sound at their very frames."""

from __future__ import annotations

from collections import deque

import numpy as np
import numpy.typing as npt

from host.sound.metronome import Click, Metronome, click_wave

_REMEMBERED = 256

Samples = npt.NDArray[np.float32]


class Beating:
    """One metronome at a time. `start` and `stop` may come from any thread, `add_to` from one."""

    def __init__(self, rate_hz: int) -> None:
        self.metronome: Metronome | None = None
        self.clicks: deque[Click] = deque(maxlen=_REMEMBERED)
        self._rate_hz = rate_hz
        self._told: deque[tuple[Metronome | None, int | None]] = deque(maxlen=16)
        self._running: Metronome | None = None
        self._start_frame = 0
        self._number = 0
        self._ringing: list[tuple[int, Samples]] = []
        for kind in ("accent", "beat", "between"):
            click_wave(kind, rate_hz)

    def start(self, metronome: Metronome, at_frame: int | None) -> None:
        """From this frame on, or at once."""
        self.metronome = metronome
        self._told.append((metronome, at_frame))

    def stop(self) -> None:
        """No further clicks."""
        self.metronome = None
        self._told.append((None, None))

    def add_to(self, samples: Samples, first_frame: int) -> None:
        """Add what sounds in the frames from `first_frame` on."""
        while self._told:
            self._running, at_frame = self._told.popleft()
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
