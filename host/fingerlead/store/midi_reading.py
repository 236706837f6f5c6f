"""A Standard MIDI File (IMA, 1.1) read: the chanter that is in it, in linear time and bounded memory.

Frames carry the chanter's own times, and the file's delta times only say when they were recorded. Plain notes have no
other time than the file's. Of all else in a file only the tempos count; the rest is passed over by its length.

Within the limits no file takes more than ten seconds or 700 MiB (measured; `make fuzz`).
"""

import json
from array import array
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from fingerlead.store.session_music import ROW_CELLS, MusicAt, MusicError, read_rows, unreadable
from fingerlead.wire.carriers import Carrier
from fingerlead.wire.columns import read_record
from fingerlead.wire.events import Record
from fingerlead.wire.plain_midi import NoteNumbers, PlainNotes

MAGIC, HEADER_BYTES = b"MThd", 14
GREATEST_BYTES = 1 << 26
# Events of all kinds, and chunks: a day of playing has fewer.
MOST_EVENTS = 2_000_000
# Times the longest tempo, of 24 bits, these are still a time of 63 bits.
MOST_TICKS = 1 << 38
LONGEST_NUMBER = 4  # bytes
DEFAULT_TEMPO_US = 500_000
SYSEX, SYSEX_GOES_ON, META = 0xF0, 0xF7, 0xFF
TEXT, END_OF_TRACK, SET_TEMPO = 0x01, 0x2F, 0x51
# What a text of the file begins with that is a row of music, as JSON.
MUSIC = "fingerlead music "
END = b"\xf7"
# Universal messages (MIDI 1.0), such as tunings, are for the synthesiser that plays the notes, and no damage.
UNIVERSAL = (b"\x7e", b"\x7f")

Times = NDArray[np.int64]


class MidiFileError(ValueError):
    """A MIDI file that cannot be used; one plain sentence."""


def read_midi_file(data: bytes, plays: NoteNumbers = NoteNumbers()) -> Record:
    """The record in a Standard MIDI File; raises MidiFileError. `plays` are the plain notes to look for."""
    if len(data) > GREATEST_BYTES:
        raise MidiFileError(
            f"expected a MIDI file of at most {GREATEST_BYTES >> 20} MiB; it has {len(data) >> 20}. Split it"
        )
    file = _File(data)
    ticks, sizes, frames = file.frames.in_order()
    arrivals = np.column_stack((np.cumsum(sizes) - sizes, file.times_us(ticks)))
    record = read_record(frames, arrivals, "sysex")
    if len(record.t_us):
        return record
    ticks, _, notes = file.notes.in_order()
    times_us = file.times_us(ticks).tolist()
    record = PlainNotes(*plays).read_record((notes[3 * n : 3 * n + 3], t_us) for n, t_us in enumerate(times_us))
    if len(record.t_us):
        return record
    raise MidiFileError(
        "expected a chanter's System Exclusive frames, or a note for each of the eight holes "
        f"(channel {plays.channel + 1}, notes {plays.base_note} to {plays.base_note + 7}); this MIDI file has neither"
    )


def reads_in(data: bytes) -> tuple[Carrier, list[tuple[bytes, int]]]:
    """What a readable MIDI file brought of a chanter, and when: its frames; where there are none, its plain notes."""
    file = _File(data)
    frames = file.frames.timed(file)
    has_frames = len(read_record(b"".join(frame for frame, _ in frames), None, "sysex").t_us)
    return ("sysex", frames) if has_frames else ("plain", file.notes.timed(file))


def asked_in(data: bytes) -> tuple[tuple[MusicAt, ...], str]:
    """The music that a readable MIDI file of this program carries, and what is wrong with it."""
    texts = _File(data).music
    try:
        rows = [tuple(json.loads(text)) for text in texts]
        if any(len(row) != ROW_CELLS for row in rows):
            raise MusicError(f"expected rows of {ROW_CELLS} cells, got others")
        return read_rows(rows), ""
    except (MusicError, ValueError, TypeError, RecursionError) as error:
        return (), unreadable(error)


class _Pieces:
    """Pieces of bytes with their ticks, in the order of the file."""

    def __init__(self) -> None:
        self._ticks, self._sizes, self._data = array("q"), array("q"), bytearray()

    def add(self, tick: int, piece: bytes) -> None:
        self._ticks.append(tick)
        self._sizes.append(len(piece))
        self._data += piece

    def timed(self, file: "_File") -> list[tuple[bytes, int]]:
        """Each piece with its time in µs from the start, in order of time."""
        ticks, sizes, data = self.in_order()
        ends = np.cumsum(sizes)
        spans = zip((ends - sizes).tolist(), ends.tolist(), file.times_us(ticks).tolist(), strict=True)
        return [(data[begin:end], t_us) for begin, end, t_us in spans]

    def in_order(self) -> tuple[Times, Times, bytes]:
        """Ticks, sizes and bytes by their ticks; at one tick as in the file."""
        ticks, sizes = (np.array(column, np.int64) for column in (self._ticks, self._sizes))
        if (np.diff(ticks) >= 0).all():
            return ticks, sizes, bytes(self._data)
        order = np.argsort(ticks, kind="stable")
        ends = np.cumsum(sizes)
        spans = zip((ends - sizes)[order].tolist(), ends[order].tolist(), strict=True)
        return ticks[order], sizes[order], b"".join(self._data[begin:end] for begin, end in spans)


class _File:
    """The frames, notes and tempos of all tracks."""

    def __init__(self, data: bytes) -> None:
        self.frames, self.notes, self._tempos = _Pieces(), _Pieces(), _Pieces()
        self.music: list[bytes] = []
        self._events = 0
        size, tracks, self._division = (int.from_bytes(data[a:b], "big") for a, b in ((4, 8), (10, 12), (12, 14)))
        if len(data) < HEADER_BYTES or size < HEADER_BYTES - 8:
            _refuse(0, "its header is cut off")
        if not 0 < self._division < 1 << 15:
            raise MidiFileError("expected a division in ticks a beat; this file has none, or counts film frames")
        at = 8 + size
        while tracks:
            self._count()
            begin, kind = at + 8, data[at : at + 4]
            at = begin + int.from_bytes(data[at + 4 : begin], "big")
            if begin > len(data) or at > len(data):
                _refuse(begin, "a track is cut off")
            # A chunk of another kind is no track (1.1, "Chunks").
            if kind == b"MTrk":
                tracks -= 1
                self._read_track(data[begin:at], begin)

    def times_us(self, ticks: Times) -> Times:
        """The µs from the start of these ticks, whole ones."""
        changes, _, data = self._tempos.in_order()
        tempos = [int.from_bytes(data[place : place + 3], "big") for place in range(0, len(data), 3)]
        starts_us = [0]
        ticks_before, tempo_us = 0, DEFAULT_TEMPO_US
        for tick, next_us in zip(changes.tolist(), tempos, strict=True):
            starts_us.append(starts_us[-1] + (tick - ticks_before) * tempo_us // self._division)
            ticks_before, tempo_us = tick, next_us
        part = np.searchsorted(changes, ticks, side="right")
        begins = np.concatenate(([0], changes))[part]
        part_tempos = np.array([DEFAULT_TEMPO_US, *tempos], np.int64)[part]
        times: Times = np.array(starts_us, np.int64)[part] + (ticks - begins) * part_tempos // self._division
        return times

    def _count(self) -> None:
        self._events += 1
        if self._events > MOST_EVENTS:
            raise MidiFileError(f"expected at most {MOST_EVENTS} events in a MIDI file; there are more. Split it")

    def _read_track(self, track: bytes, begin: int) -> None:
        at = tick = status = 0
        wanted, whole = True, True  # of the System Exclusive message before
        while at < len(track):
            place = begin + at
            self._count()
            delta, at = _number(track, at, place)
            tick += delta
            if tick > MOST_TICKS:
                _refuse(place, "its time is beyond all playing")
            kind, at = (track[at], at + 1) if track[at : at + 1] >= b"\x80" else (status, at)
            if kind < SYSEX:
                status = kind
                size = 1 if 0xC0 <= kind < 0xE0 else 2
            elif kind in (SYSEX, SYSEX_GOES_ON, META):
                about, at = (track[at : at + 1], at + 1) if kind == META else (b"", at)
                size, at = _number(track, at, place)
            else:
                _refuse(place, f"no event begins with {kind:#x}")
            piece, at = track[at : at + size], at + size
            if at > len(track):
                _refuse(place, "an event is cut off")
            if kind < SYSEX:
                if not kind or max(piece) > 0x7F:
                    _refuse(place, "a status byte or a data byte is missing")
                if kind < 0xA0:
                    self.notes.add(tick, bytes((kind,)) + piece)
            elif kind == META:
                if about[0] == END_OF_TRACK:
                    return
                if about[0] == TEXT and piece.startswith(MUSIC.encode()):
                    self.music.append(piece[len(MUSIC) :])
                if about[0] == SET_TEMPO:
                    if size != 3:
                        _refuse(place, f"a tempo has three bytes, and this one {size}")
                    self._tempos.add(tick, piece)
            else:
                # A message may come in packets. A packet after a whole message is bytes as they were sent.
                if kind == SYSEX:
                    wanted = piece[:1] not in UNIVERSAL
                    piece = b"\xf0" + piece
                elif whole:
                    wanted = True
                if wanted:
                    self.frames.add(tick, piece)
                whole = piece.endswith(END)


def _number(track: bytes, at: int, place: int) -> tuple[int, int]:
    """A number of variable length, and where it ends."""
    number = 0
    for end, byte in enumerate(track[at : at + LONGEST_NUMBER], at + 1):
        number = number << 7 | byte & 0x7F
        if byte < 0x80:
            return number, end
    _refuse(place, f"a number ends within {LONGEST_NUMBER} bytes")


def _refuse(place: int, why: str) -> NoReturn:
    raise MidiFileError(
        f"expected a whole Standard MIDI File; this one is cut off or damaged (at byte {place}: {why}). Save it anew"
    )
