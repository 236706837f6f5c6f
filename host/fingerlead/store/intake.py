"""Any file of playing as a `Record`; its content decides what it is, and not its name.

A session of this program (SQLite), a Standard MIDI File, bytes as they came over the wire, or a list of hole states as
CSV: the header `time_us,holes`, then a row for each state. `time_us` is an integer that never falls, `holes` eight
letters, `x` covered and `o` open, from the thumb down.
"""

import io
import re
import stat
from array import array
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from fingering.holes import HolesError, from_text, to_text
from fingering.movements import Repertoire
from fingerlead.reading.asked import Clicks
from fingerlead.reading.between import STANDARD
from fingerlead.store import midi_reading
from fingerlead.store.session_file import MAGIC as SESSION_MAGIC
from fingerlead.store.session_file import SessionError
from fingerlead.store.session_music import MusicAt
from fingerlead.store.session_reading import (
    read_session,
    session_record,
    stated_movements,
    stated_seal,
    stated_skew,
    timed_as,
    too_long,
)
from fingerlead.timing.results import KnownSeal, KnownSkew
from fingerlead.wire.carriers import HEADER as SYSEX_HEAD
from fingerlead.wire.events import Intake, Record
from fingerlead.wire.plain_midi import NoteNumbers

Kind = Literal["wire", "midi", "csv", "session"]

HEADER = "time_us,holes"
# Longer than any playing, and half of what 64 bits hold.
GREATEST_US = 1 << 62
LONGEST_TIME = 24
WHOLE = re.compile(r"[+-]?[0-9]+")
# A day of playing and more, of each kind; a session has a limit of its own. Reading takes up to ten times the memory.
GREATEST_BYTES = {"wire": 1 << 28, "midi": midi_reading.GREATEST_BYTES, "csv": 1 << 26}
HEAD_BYTES = 100
EXPECTED = (
    f"expected a session, bytes from a chanter's wire, a Standard MIDI File, or CSV that begins with the line {HEADER}"
)


class RowError(ValueError):
    """A row that cannot be used. `line` counts from 1, `reason` is what was expected and what came."""

    def __init__(self, line: int, reason: str) -> None:
        self.line, self.reason = line, reason
        super().__init__(f"line {line}: {reason}")


def looks_like_csv(data: bytes) -> bool:
    """Whether the first line is the header, whatever its line end."""
    first = data.removeprefix(b"\xef\xbb\xbf")[:HEAD_BYTES].split(b"\n", 1)[0]
    return first.strip().replace(b" ", b"") == HEADER.encode()


def read_csv(data: bytes) -> Record:
    """Read the rows; raises RowError."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise RowError(line, "expected plain text (UTF-8), but there are other bytes") from None
    known = {to_text(mask): mask for mask in range(256)}
    times, masks = array("q"), bytearray()
    # Row by row: a list of them all would take many times the memory of the text.
    rows = enumerate(io.StringIO(text, newline=None), start=1)
    next(rows)
    for number, row in rows:
        if not row.strip():
            continue
        cells = [cell.strip() for cell in row.split(",")]
        if len(cells) != 2:
            raise RowError(number, f"expected two values, a time and the holes; got {len(cells)}: {_shown(row)}")
        if not WHOLE.fullmatch(cells[0]):
            raise RowError(number, f"expected a time in whole microseconds; got {_shown(cells[0])}")
        # A longer number is too great as well, and slow to read.
        time_us = int(cells[0][:LONGEST_TIME])
        # From the first row on as well: what lies between them must fit into 64 bits.
        first_us = times[0] if times else 0
        if len(cells[0]) > LONGEST_TIME or abs(time_us) > GREATEST_US or time_us - first_us > GREATEST_US:
            raise RowError(number, f"expected a time in microseconds; {_shown(cells[0])} is beyond all playing")
        mask = known.get(cells[1])
        if mask is None:
            try:
                mask = from_text(cells[1][:40])
            except HolesError as error:
                raise RowError(number, str(error)) from None
        if times and time_us < times[-1]:
            raise RowError(number, f"expected a time of {times[-1]} or later, as times never go back; got {time_us}")
        times.append(time_us)
        masks.append(mask)
    if not times:
        raise RowError(2, "expected a row with a time and the holes; the file ends after its header")
    t_us = np.array(times, np.int64) - times[0]
    return Record(t_us, np.frombuffer(masks, np.uint8), int(t_us[-1]), intake=Intake(frames=len(times)))


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:39] + "…")


class IntakeError(ValueError):
    """A file that holds no playing this program can read; one plain sentence that names it."""

    def __init__(self, path: Path, sentence: str) -> None:
        self.path = path
        super().__init__(f"{path}: {sentence}")


@dataclass(frozen=True, slots=True)
class Loaded:
    """What a file held; `skew` where it says itself how far apart the sensors may fire.

    `asked` is the music that it carries; `music_problem` is one sentence where that cannot be read. `timed_as` is the
    kind whose times they are, where it is another: a session may be made of a list. `seal` is what it says of the
    chanter's levels. `known` are the movements that it was played with, `clicks` those of a metronome.
    """

    record: Record
    kind: Kind
    path: Path
    skew: KnownSkew | None = None
    asked: tuple[MusicAt, ...] = ()
    music_problem: str = ""
    timed_as: Kind | None = None
    seal: KnownSeal | None = None
    known: Repertoire = STANDARD
    clicks: tuple[Clicks, ...] = ()


def load(path: Path, plays: NoteNumbers = NoteNumbers()) -> Loaded:
    """Read a file of playing; raises IntakeError. `plays` are the plain notes to look for in a MIDI file."""
    loaded = _loaded(path, plays)
    if why := too_long(loaded.record):
        raise IntakeError(path, why)
    return loaded


def _loaded(path: Path, plays: NoteNumbers) -> Loaded:
    try:
        found = path.stat()
        size = found.st_size
        if path.is_dir():
            raise IntakeError(path, f"{EXPECTED}; this is a folder. Name a file in it")
        if not stat.S_ISREG(found.st_mode):
            raise IntakeError(path, f"{EXPECTED}; this is a device or a pipe. To listen to one: fingerlead live {path}")
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
            if head.startswith(SESSION_MAGIC):
                session = read_session(path)
                record, skew = session_record(session), stated_skew(session)
                known, problem = stated_movements(session)
                problem = " ".join(filter(None, (session.music_problem, problem)))
                return Loaded(
                    record, "session", path, skew, session.asked, problem, timed_as(session), stated_seal(session),
                    known, session.clicks,
                )  # fmt: skip
            kind = _kind(head)
            most = GREATEST_BYTES[kind]
            if size > most:
                raise IntakeError(path, f"expected at most {most >> 20} MiB; it has {size >> 20}. Split it")
            # By its size, as room for all that is asked for is taken beforehand.
            data = head + file.read(size - len(head))
    except SessionError as error:
        raise IntakeError(path, str(error)) from None
    except OSError as error:
        raise IntakeError(path, f"it cannot be read: {error.strerror or error}. Name another file") from None
    if not data:
        raise IntakeError(path, f"{EXPECTED}; the file is empty. Record again, or name another file")
    try:
        if kind == "midi":
            record = midi_reading.read_midi_file(data, plays)
            return Loaded(record, "midi", path, None, *midi_reading.asked_in(data))
        if kind == "csv":
            return Loaded(read_csv(data), "csv", path)
    except (midi_reading.MidiFileError, RowError) as error:
        raise IntakeError(path, str(error)) from None
    return Loaded(_wire(path, data), "wire", path)


def _kind(head: bytes) -> Literal["wire", "midi", "csv"]:
    """What a file that is no session must be, by its first bytes."""
    return "midi" if head.startswith(midi_reading.MAGIC) else "csv" if looks_like_csv(head) else "wire"


def _wire(path: Path, data: bytes) -> Record:
    from fingerlead.wire.columns import read_record

    record = read_record(data)
    if not _speaks(record) and SYSEX_HEAD in data:
        record = read_record(data, None, "sysex")
    if not _speaks(record):
        raise IntakeError(path, f"{EXPECTED}; none of its {len(data)} bytes are any of these. Name another file")
    return record


def _speaks(record: Record) -> bool:
    """Whether a chanter is in it: among enough bytes of any kind, a frame of no known kind is sound by chance."""
    return bool(len(record.t_us)) or record.hello is not None
