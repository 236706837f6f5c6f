"""Any file of playing, told by its content and not by its name.

A session of this program (SQLite), a Standard MIDI File, a list of hole states (CSV), or bytes as they came over the
wire. Whatever it is comes out as a `Record`.
"""

from __future__ import annotations

import stat
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from host.store import csv_file, midi_file
from host.store.session_file import MAGIC as SESSION_MAGIC
from host.store.session_file import SessionError, read_session, session_record
from host.store.session_reading import told_skew
from host.wire.plain_midi import NoteNumbers

if TYPE_CHECKING:
    from host.timing.results import KnownSkew
    from host.wire.record import Record

Kind = Literal["wire", "midi", "csv", "session"]

# Days of playing; more would only fill the memory of whoever opens it.
GREATEST_BYTES = 1 << 30
SYSEX_HEAD = bytes([0xF0, 0x7D, 0x46, 0x4C])
EXPECTED = (
    "expected a session, bytes from a chanter's wire, a Standard MIDI File, "
    f"or CSV that begins with the line {csv_file.HEADER}"
)


class IntakeError(ValueError):
    """A file that holds no playing this program can read; one plain sentence that names it."""

    def __init__(self, path: Path, sentence: str) -> None:
        self.path = path
        super().__init__(f"{path}: {sentence}")


@dataclass(frozen=True, slots=True)
class Loaded:
    """What a file held; `skew` where it tells itself how far apart the sensors may fire."""

    record: Record
    kind: Kind
    path: Path
    skew: KnownSkew | None = None


def load(path: Path, plays: NoteNumbers = NoteNumbers()) -> Loaded:
    """Read a file of playing; raises IntakeError. `plays` are the plain notes to look for in a MIDI file."""
    try:
        found = path.stat()
        size = found.st_size
        if path.is_dir():
            raise IntakeError(path, f"{EXPECTED}; this is a folder. Name a file in it")
        if not stat.S_ISREG(found.st_mode):
            raise IntakeError(path, f"{EXPECTED}; this is a device or a pipe. To listen to one: fingerlead live {path}")
        if size > GREATEST_BYTES:
            raise IntakeError(path, f"expected at most {GREATEST_BYTES >> 20} MiB; it has {size >> 20}. Split it")
        with path.open("rb") as file:
            head = file.read(len(SESSION_MAGIC))
            if head == SESSION_MAGIC:
                record, skew = _session(path)
                return Loaded(record, "session", path, skew)
            data = head + file.read(GREATEST_BYTES)
    except OSError as error:
        raise IntakeError(path, f"it cannot be read: {error.strerror or error}. Name another file") from None
    if not data:
        raise IntakeError(path, f"{EXPECTED}; the file is empty. Record again, or name another file")
    try:
        if data.startswith(midi_file.MAGIC):
            return Loaded(midi_file.read_midi_file(data, *plays), "midi", path)
        if csv_file.looks_like_csv(data):
            return Loaded(csv_file.read_csv(data), "csv", path)
    except (midi_file.MidiFileError, csv_file.RowError) as error:
        raise IntakeError(path, str(error)) from None
    return Loaded(_wire(path, data), "wire", path)


def _session(path: Path) -> tuple[Record, KnownSkew | None]:
    try:
        session = read_session(path)
        return session_record(session), told_skew(session)
    except SessionError as error:
        raise IntakeError(path, str(error)) from None


def _wire(path: Path, data: bytes) -> Record:
    from host.wire.columns import read_record

    record = read_record(data, None, carrier="stream")
    if not _speaks(record) and SYSEX_HEAD in data:
        record = read_record(data, None, carrier="sysex")
    if not _speaks(record):
        raise IntakeError(path, f"{EXPECTED}; none of its {len(data)} bytes are any of these. Name another file")
    return record


def _speaks(record: Record) -> bool:
    """Whether a chanter is in it: among enough bytes of any kind, a frame of no known kind is sound by chance."""
    return bool(len(record.t_us)) or record.hello is not None
