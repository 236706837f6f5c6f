"""Chanters that send plain notes: one note per hole, note-on = covered, note-off = open.

Such a link has no chanter clock: times are the host's arrival times, counted from the first note of the chanter. A hole
is unknown until its first note, and there is no state before all eight are known. MIDI byte rules (running status,
real-time bytes inside other messages, System Exclusive) as in the MIDI 1.0 specification.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, NamedTuple

from fingering.holes import ALL_COVERED, HOLES
from fingerlead.wire.events import Intake, Record, State

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

BASE_NOTE = 24
CHANNEL = 15  # counted from 0: the channel that people call 16


class NoteNumbers(NamedTuple):
    """Which notes a chanter of plain notes plays. Channels count from 0 here; people count from 1."""

    base_note: int = BASE_NOTE
    channel: int = CHANNEL

    def __str__(self) -> str:
        return f"notes {self.base_note} to {self.base_note + HOLES - 1} on channel {self.channel + 1}"


_DATA_BYTES = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
_COMMON_DATA_BYTES = {0xF1: 1, 0xF2: 2, 0xF3: 1}


def reads_of(data: bytes, arrivals: NDArray[np.int64]) -> Iterator[tuple[bytes, int]]:
    """Each read of a recording and the host µs of its arrival; `arrivals` as in `columns.read_record`.

    Bytes before the first known arrival have no time, and are left out.
    """
    starts, times_us = arrivals.T.tolist()
    for start, stop, host_us in zip(starts, [*starts, len(data)][1:], times_us, strict=True):
        yield data[start:stop], host_us


class PlainNotes:
    """Notes and their arrival times in, states out. `channel` counts from 0; hole 0, the thumb, is `base_note`.

    `first_us` is the host's time of the first note, None before it; `end_us` the time of the last one since then.
    """

    def __init__(self, base_note: int = BASE_NOTE, channel: int = CHANNEL) -> None:
        if not 0 <= base_note <= 128 - HOLES:
            raise ValueError(
                f"expected a base note from 0 to {128 - HOLES}, for eight notes from it up; got {base_note}"
            )
        if not 0 <= channel <= 15:
            raise ValueError(f"expected a channel from 0 to 15 (people count 1 to 16); got {channel}")
        self.base_note = base_note
        self.channel = channel
        self.intake = Intake()
        self.first_us: int | None = None
        self.end_us = 0
        self._known = 0
        self._covered_mask = 0
        self._status = 0  # running status; 0 is none
        self._data: list[int] = []
        self._in_sysex = False

    def receive(self, status: int, data1: int, data2: int, host_us: int) -> list[State]:
        """Take in one channel message; other channels, kinds and notes are passed over."""
        kind, hole = status & 0xF0, data1 - self.base_note
        if kind not in (0x80, 0x90) or status & 0x0F != self.channel or not 0 <= hole < HOLES:
            return []
        self.intake.frames += 1
        if self.first_us is None:
            self.first_us = host_us
        # The host's clock does not go back, but a record of it may: times never fall.
        self.end_us = max(self.end_us, host_us - self.first_us)
        bit = 1 << hole
        self._known |= bit
        if kind == 0x90 and data2:
            self._covered_mask |= bit
        else:
            self._covered_mask &= ~bit
        return [State(self.end_us, self._covered_mask, host_us)] if self._known == ALL_COVERED else []

    def receive_bytes(self, data: Iterable[int], host_us: int) -> list[State]:
        """Take in MIDI bytes in any cutting."""
        states: list[State] = []
        for byte in data:
            if byte >= 0xF8:
                continue
            if byte >= 0x80:
                self.intake.skipped_bytes += len(self._data)
                self._data.clear()
                self._in_sysex = byte == 0xF0
                self._status = 0 if byte in (0xF0, 0xF4, 0xF5, 0xF6, 0xF7) else byte
            elif not self._status:
                # Data of a System Exclusive message is another maker's; data of no message is a rest.
                self.intake.skipped_bytes += not self._in_sysex
            else:
                self._data.append(byte)
                if len(self._data) == self._wanted():
                    self._finish(states, host_us)
        return states

    def read_record(self, reads: Iterable[tuple[Iterable[int], int]]) -> Record:
        """Take in (MIDI bytes, arrival) of a whole recording, and give its states."""
        import numpy as np

        states = [state for data, host_us in reads for state in self.receive_bytes(data, host_us)]
        return Record(
            np.array([state.t_us for state in states], np.int64),
            np.array([state.covered_mask for state in states], np.uint8),
            self.end_us,
            intake=self.intake,
            clock="host",
        )

    def _wanted(self) -> int:
        return _COMMON_DATA_BYTES.get(self._status, 0) or _DATA_BYTES[self._status & 0xF0]

    def _finish(self, states: list[State], host_us: int) -> None:
        if self._status < 0xF0:
            states += self.receive(self._status, self._data[0], self._data[-1], host_us)
        else:
            self._status = 0  # System Common messages have no running status
        self._data.clear()
