"""Standard MIDI Files (IMA, 1.1) that hold a chanter: its frames as System Exclusive, or one plain note a hole.

Read: frames carry the chanter's own times, and the file's delta times only say when they were recorded. Plain notes
have no other time than the file's.

Written: format 1, a tick a millisecond at 120 quarter notes a minute. A message is on the last tick that is not after
it. One whose time must come back to the microsecond is `exact`: a change of tempo makes the tick before it longer (or
shorter), and is taken back at once.
"""

from __future__ import annotations

import heapq
import io
import json
from collections.abc import Iterable, Iterator
from operator import itemgetter
from typing import TYPE_CHECKING

import numpy as np

from fingerlead.store.session_music import ROW_CELLS, MusicAt, MusicError, read_rows, row_of, unreadable
from fingerlead.wire.carriers import Carrier
from fingerlead.wire.columns import read_record
from fingerlead.wire.events import Record
from fingerlead.wire.plain_midi import NoteNumbers, PlainNotes

if TYPE_CHECKING:
    import mido

MAGIC = b"MThd"
DEFAULT_TEMPO_US = 500_000
# Universal messages (MIDI 1.0), such as tunings, are for the synthesiser that plays the notes, and no damage.
UNIVERSAL = ((0x7E,), (0x7F,))
TICKS_A_QUARTER = 500
# What a text of the file begins with that is a row of music, as JSON.
MUSIC = "fingerlead music "
TICK_US = 1_000

Event = tuple[int, bool, bytes]  # (µs from the start, never falling; exact; a whole message)


class MidiFileError(ValueError):
    """A MIDI file that cannot be used; one plain sentence."""


def midi_file_bytes(text: str, tracks: dict[str, list[Event]], asked: Iterable[MusicAt] = ()) -> bytes:
    """The file, with one track for each name; `text` says what it is. The music goes along as text at its beginning."""
    import mido

    tempos: list[tuple[int, int]] = []
    placed: dict[str, list[tuple[int, bytes]]] = {name: [] for name in tracks}
    named = [((t_us, exact, (name, data)) for t_us, exact, data in events) for name, events in tracks.items()]
    for tick, (name, data) in _on_ticks(heapq.merge(*named, key=itemgetter(0)), tempos):
        placed[name].append((tick, data))
    song = mido.MidiFile(type=1, ticks_per_beat=TICKS_A_QUARTER)
    conductor = [(0, mido.MetaMessage("text", text=text)), (0, _tempo(TICK_US))]
    rows = (row_of(number, *each) for number, each in enumerate(asked, 1))
    conductor += [(0, mido.MetaMessage("text", text=MUSIC + json.dumps(row))) for row in rows]
    conductor += [(tick, _tempo(tick_us)) for tick, tick_us in tempos]
    song.tracks.append(_track("", conductor))
    for name, messages in placed.items():
        song.tracks.append(_track(name, ((tick, mido.Message.from_bytes(data)) for tick, data in messages)))
    held = io.BytesIO()
    song.save(file=held)
    return held.getvalue()


def _on_ticks(
    events: Iterable[tuple[int, bool, tuple[str, bytes]]], tempos: list[tuple[int, int]]
) -> Iterator[tuple[int, tuple[str, bytes]]]:
    """Each event with its tick; `tempos` gets (tick, µs of the ticks from there on)."""
    tick = now_us = 0
    for t_us, exact, what in events:
        ticks, rest_us = divmod(t_us - now_us, TICK_US)
        if exact and rest_us:
            odd_us = rest_us + (TICK_US if ticks else 0)
            ticks = max(ticks, 1)
            tempos += [(tick + ticks - 1, odd_us), (tick + ticks, TICK_US)]
            now_us = t_us
        else:
            now_us += ticks * TICK_US
        tick += ticks
        yield tick, what


def _tempo(tick_us: int) -> mido.MetaMessage:
    import mido

    return mido.MetaMessage("set_tempo", tempo=tick_us * TICKS_A_QUARTER)


def _track(name: str, messages: Iterable[tuple[int, mido.Message]]) -> mido.MidiTrack:
    import mido

    track = mido.MidiTrack()
    if name:
        track.append(mido.MetaMessage("track_name", name=name))
    before = 0
    for tick, message in messages:
        message.time = tick - before
        before = tick
        track.append(message)
    return track


def read_midi_file(data: bytes, plays: NoteNumbers = NoteNumbers()) -> Record:
    """The record in a Standard MIDI File; raises MidiFileError. `plays` are the plain notes to look for."""
    import mido

    try:
        song = mido.MidiFile(file=io.BytesIO(data))
        timed = list(_timed(song))
    except (OSError, ValueError, EOFError, KeyError, IndexError, TypeError, ZeroDivisionError) as error:
        why = f" ({error})" if str(error) else ""
        raise MidiFileError(f"expected a whole Standard MIDI File; this one is cut off or damaged{why}") from None
    frames = _frames(timed)
    ends = np.cumsum([len(frame) for frame, _ in frames], dtype=np.int64)
    arrivals = np.array([[end - len(frame), at] for end, (frame, at) in zip(ends, frames, strict=True)], dtype=np.int64)
    record = read_record(b"".join(frame for frame, _ in frames), arrivals.reshape(-1, 2), "sysex")
    if len(record.t_us):
        return record
    record = PlainNotes(*plays).read_record(_notes(timed))
    if len(record.t_us):
        return record
    raise MidiFileError(
        "expected a chanter's System Exclusive frames, or a note for each of the eight holes "
        f"(channel {plays.channel + 1}, notes {plays.base_note} to {plays.base_note + 7}); this MIDI file has neither"
    )


def reads_in(data: bytes) -> tuple[Carrier, list[tuple[bytes, int]]]:
    """What a readable MIDI file brought of a chanter, and when: its frames; where there are none, its plain notes."""
    import mido

    timed = list(_timed(mido.MidiFile(file=io.BytesIO(data))))
    frames = _frames(timed)
    has_frames = len(read_record(b"".join(frame for frame, _ in frames), None, "sysex").t_us)
    return ("sysex", frames) if has_frames else ("plain", _notes(timed))


def _frames(timed: Iterable[tuple[int, mido.Message]]) -> list[tuple[bytes, int]]:
    return [
        (bytes(message.bin()), host_us)
        for host_us, message in timed
        if message.type == "sysex" and message.data[:1] not in UNIVERSAL
    ]


def _notes(timed: Iterable[tuple[int, mido.Message]]) -> list[tuple[bytes, int]]:
    return [(bytes(message.bin()), host_us) for host_us, message in timed if message.type in ("note_on", "note_off")]


def asked_in(data: bytes) -> tuple[tuple[MusicAt, ...], str]:
    """The music that a MIDI file of this program carries, and what is wrong with it."""
    import mido

    if MUSIC.encode() not in data:
        return (), ""
    try:
        texts = [message.text for message in mido.MidiFile(file=io.BytesIO(data)).tracks[0] if message.type == "text"]
        rows = [tuple(json.loads(text.removeprefix(MUSIC))) for text in texts if text.startswith(MUSIC)]
        if any(len(row) != ROW_CELLS for row in rows):
            raise MusicError(f"expected rows of {ROW_CELLS} cells, got others")
        return read_rows(rows), ""
    except (MusicError, ValueError, TypeError, RecursionError) as error:
        return (), unreadable(error)


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
