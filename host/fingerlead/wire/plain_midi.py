"""Chanters that send plain notes: one note per hole, note-on = covered, note-off = open.

Such a link has no chanter clock: times are the host's arrival times, counted from the first note of the chanter. A hole
is unknown until its first note, and nothing is told before all eight are known. MIDI byte rules (running status,
real-time bytes inside other messages, System Exclusive) as in the MIDI 1.0 specification.
"""

from __future__ import annotations

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


class PlainNotes:
    """Notes and their arrival times in, states out. `channel` counts from 0; hole 0, the thumb, is `base_note`."""

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
        self._known = 0
        self._covered_mask = 0
        self._first_us: int | None = None
        self._last_us = 0
        self._status = 0  # running status; 0 is none
        self._data: list[int] = []
        self._in_sysex = False

    @property
    def end_us(self) -> int:
        """The time of the last note; 0 before the first."""
        return self._last_us

    @property
    def unknown_holes(self) -> tuple[int, ...]:
        """The holes of which no note has come yet."""
        return tuple(hole for hole in range(HOLES) if not self._known >> hole & 1)

    def receive(self, status: int, data1: int, data2: int, host_us: int) -> list[State]:
        """Take in one channel message; other channels, kinds and notes are passed over."""
        kind, hole = status & 0xF0, data1 - self.base_note
        if kind not in (0x80, 0x90) or status & 0x0F != self.channel or not 0 <= hole < HOLES:
            return []
        self.intake.frames += 1
        if self._first_us is None:
            self._first_us = host_us
        # The host's clock does not go back, but a record of it may: times never fall.
        self._last_us = max(self._last_us, host_us - self._first_us)
        bit = 1 << hole
        self._known |= bit
        if kind == 0x90 and data2:
            self._covered_mask |= bit
        else:
            self._covered_mask &= ~bit
        return [State(self._last_us, self._covered_mask, host_us)] if self._known == ALL_COVERED else []

    def receive_bytes(self, data: bytes, host_us: int) -> list[State]:
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
                # Data of a System Exclusive message is somebody's; data of nothing is a rest.
                self.intake.skipped_bytes += not self._in_sysex
            else:
                self._data.append(byte)
                if len(self._data) == self._wanted():
                    self._finish(states, host_us)
        return states

    def _wanted(self) -> int:
        return _COMMON_DATA_BYTES.get(self._status, 0) or _DATA_BYTES[self._status & 0xF0]

    def _finish(self, states: list[State], host_us: int) -> None:
        if self._status < 0xF0:
            states += self.receive(self._status, self._data[0], self._data[-1], host_us)
        else:
            self._status = 0  # System Common messages have no running status
        self._data.clear()


def read_plain_record(
    data: bytes, arrivals: NDArray[np.int64], base_note: int = BASE_NOTE, channel: int = CHANNEL
) -> Record:
    """Read recorded MIDI bytes; `arrivals` as in `columns.read_record`, and the only clock there is."""
    import numpy as np

    notes = PlainNotes(base_note, channel)
    rows = arrivals.tolist()
    stops = [offset for offset, _ in rows[1:]] + [len(data)]
    # Bytes before the first known arrival have no time at all.
    states = [
        state
        for (start, host_us), stop in zip(rows, stops, strict=False)
        for state in notes.receive_bytes(data[start:stop], host_us)
    ]
    return Record(
        np.array([state.t_us for state in states], np.int64),
        np.array([state.covered_mask for state in states], np.uint8),
        notes.end_us,
        intake=notes.intake,
        clock="host",
    )
