"""Host time and sample frames of a device that plays: which frame sounds when.

A device asks for samples in blocks. When it asked for frame F at host time T, T - F / rate would be one and the same
number, the offset, if it always asked on time; its median over the last blocks is what the clock goes by. So that
every state sounds equally long after it arrived, whenever in a block that was, each is given the frame that lies a
latency after it: long enough that this frame was never rendered yet. It is worked out from how the device asks.

    asked      F │←──── block ────→│F'│                 │
    arrived               t
    sounds                ├──── latency ────→ frame_at(t), to the sample

Pure: host time is an argument.
"""

from __future__ import annotations

from collections import deque
from itertools import islice

# Drift between the two clocks over so many blocks is some 30 µs at most (100 ppm, half a second).
BLOCKS = 256
UPDATE_EVERY = 16
# What the way from the chanter's byte to the device's next question, and that question's own unpunctuality, may take.
MARGIN_US = 500
# So many blocks in a row, all early or all late by more than this: the device has skipped, and counts anew.
SKIP_BLOCKS, SKIP_NS = 8, 1_000_000


class SoundClock:
    """The clock of a device at `rate_hz` whose engine wants to know of a change `ahead_frames` before it sounds."""

    def __init__(self, rate_hz: int, ahead_frames: int = 0) -> None:
        self.rate_hz = rate_hz
        self._ahead_ns = ahead_frames * 1_000_000_000 // rate_hz
        self._offsets: deque[int] = deque(maxlen=BLOCKS)
        self._needs: deque[int] = deque(maxlen=BLOCKS)
        self._offset_ns = 0
        self._latency_ns = 0
        self._blocks = 0

    @property
    def latency_us(self) -> int:
        """From a state's arrival to its sound leaving for the device; the device's own delay comes on top."""
        return self._latency_ns // 1_000

    def asked(self, frame: int, frames: int, host_ns: int) -> None:
        """The device asks, at this time in nanoseconds, for so many frames, this one the first."""
        offset_ns = host_ns - self._ns(frame)
        self._offsets.append(offset_ns)
        # To be in time after this block was given out, a state that arrives now must sound later than the block's end.
        self._needs.append(self._ns(frame + frames) - host_ns)
        self._blocks += 1
        if self._blocks <= UPDATE_EVERY or self._blocks % UPDATE_EVERY == 0:
            self._update()
        elif abs(offset_ns - self._offset_ns) > SKIP_NS and self._skipped():
            self._forget_all_but(SKIP_BLOCKS)
            self._update()

    def frame_at(self, host_us: int) -> int:
        """The absolute frame at which something that arrived at `host_us` shall sound."""
        return self._frame(host_us * 1_000 + self._latency_ns)

    def host_us_of(self, frame: int) -> int:
        """When this frame leaves for the device."""
        return (self._offset_ns + self._ns(frame)) // 1_000

    def _update(self) -> None:
        self._offset_ns = sorted(self._offsets)[len(self._offsets) // 2]
        # The few earliest questions do not count: they would keep the latency long for good.
        need_ns = sorted(self._needs)[len(self._needs) * 95 // 100] + self._offset_ns + self._ahead_ns
        margin_ns = MARGIN_US * 1_000
        # Constant is better than short: it moves only where half the margin is gone, or twice the margin is left over.
        if not margin_ns // 2 <= self._latency_ns - need_ns <= 3 * margin_ns:
            self._latency_ns = need_ns + margin_ns

    def _skipped(self) -> bool:
        last = [offset_ns - self._offset_ns for offset_ns in islice(reversed(self._offsets), SKIP_BLOCKS)]
        return all(by > SKIP_NS for by in last) or all(by < -SKIP_NS for by in last)

    def _forget_all_but(self, blocks: int) -> None:
        for kept in (self._offsets, self._needs):
            while len(kept) > blocks:
                kept.popleft()

    def _ns(self, frames: int) -> int:
        return frames * 1_000_000_000 // self.rate_hz

    def _frame(self, host_ns: int) -> int:
        return -(-(host_ns - self._offset_ns) * self.rate_hz // 1_000_000_000)
