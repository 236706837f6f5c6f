"""Standard MIDI Files (IMA, 1.1) that hold a chanter: its frames as System Exclusive, or one plain note a hole.

Frames carry the chanter's own times; the file's delta times only say when they reached whoever recorded them. Plain
notes have no other time than the file's. Read with mido.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np

from host.wire.columns import read_record
from host.wire.plain_midi import PlainNotes
from host.wire.record import Record

if TYPE_CHECKING:
    from collections.abc import Iterator

    import mido

MAGIC = b"MThd"
DEFAULT_TEMPO_US = 500_000
# Universal messages (MIDI 1.0), such as tunings, are for whoever plays the file's notes, and no damage.
UNIVERSAL = ((0x7E,), (0x7F,))


class MidiFileError(ValueError):
    """A MIDI file that cannot be used; one plain sentence."""


def read_midi_file(data: bytes, base_note: int = 24, channel: int = 15) -> Record:
    """The record in a Standard MIDI File; raises MidiFileError. `channel` counts from 0, as on the wire."""
    import mido

    try:
        song = mido.MidiFile(file=io.BytesIO(data))
        timed = list(_timed(song))
    except (OSError, ValueError, EOFError, KeyError, IndexError, TypeError, ZeroDivisionError) as error:
        why = f" ({error})" if str(error) else ""
        raise MidiFileError(f"expected a whole Standard MIDI File; this one is cut off or damaged{why}") from None
    frames = [
        (host_us, bytes(message.bin()))
        for host_us, message in timed
        if message.type == "sysex" and message.data[:1] not in UNIVERSAL
    ]
    ends = np.cumsum([len(frame) for _, frame in frames], dtype=np.int64)
    arrivals = np.array([[end - len(frame), at] for end, (at, frame) in zip(ends, frames, strict=True)], dtype=np.int64)
    record = read_record(b"".join(frame for _, frame in frames), arrivals.reshape(-1, 2), carrier="sysex")
    if len(record.t_us):
        return record
    return _plain(timed, base_note, channel)


def _timed(song: mido.MidiFile) -> Iterator[tuple[int, mido.Message]]:
    """Every message with its time in µs from the start, exact to the tick."""
    import mido

    if song.ticks_per_beat <= 0 or song.ticks_per_beat >= 1 << 15:
        raise MidiFileError("expected a division in ticks a beat; this file has none, or counts film frames instead")
    tempo_us, tempo_tick, tempo_at_us, tick = DEFAULT_TEMPO_US, 0, 0, 0
    for message in mido.merge_tracks(song.tracks):
        tick += message.time
        t_us = tempo_at_us + (tick - tempo_tick) * tempo_us // song.ticks_per_beat
        if message.type == "set_tempo":
            tempo_us, tempo_tick, tempo_at_us = message.tempo, tick, t_us
        yield t_us, message


def _plain(timed: list[tuple[int, mido.Message]], base_note: int, channel: int) -> Record:
    notes = PlainNotes(base_note, channel)
    states = [
        state
        for host_us, message in timed
        if message.type in ("note_on", "note_off")
        for state in notes.receive(*message.bytes(), host_us)
    ]
    if not states:
        raise MidiFileError(
            "expected a chanter's System Exclusive frames, or a note for each of the eight holes "
            f"(channel {channel + 1}, notes {base_note} to {base_note + 7}); this MIDI file has neither"
        )
    t_us = np.array([state.t_us for state in states], dtype=np.int64)
    covered = np.array([state.covered_mask for state in states], dtype=np.uint8)
    return Record(t_us, covered, notes.end_us, intake=notes.intake, clock="host")
