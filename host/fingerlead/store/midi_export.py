"""Playing as a Standard MIDI File: the notes for a synthesiser, and the holes so that nothing of the analysis is lost.

The notes are what sounded, grace notes and strays and all, on the first channel. Beside them goes every frame of the
chanter as System Exclusive, with its own stamps and numbers; where frames were damaged or bytes skipped, as many others
take their place. Plain notes of a chanter without a clock go on channel 16, its volume at zero. The file's time is the
unwrapped clock of the analysis, to the microsecond where the reading of it depends on that.
"""

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from operator import itemgetter
from pathlib import Path

import numpy as np

from fingerlead.ports.midi_out import NoteVoice
from fingerlead.store.files import write_output
from fingerlead.store.intake import Loaded, load
from fingerlead.store.listed import LONGEST_US, frames_of_list
from fingerlead.store.midi_file import Event, midi_file_bytes
from fingerlead.store.midi_reading import MAGIC, read_midi_file
from fingerlead.store.session_reading import StoredSession, note_numbers, read_session
from fingerlead.wire.carriers import END, HEADER, Damaged, Framing, Payload, new_reader, read_message, to_sysex
from fingerlead.wire.columns import read_record
from fingerlead.wire.events import Doubted, RawState, Record, State, TroubleSeen
from fingerlead.wire.link import HostLink
from fingerlead.wire.plain_midi import BASE_NOTE, CHANNEL, NoteNumbers, PlainNotes

TEXT = "A chanter's notes, and its holes beside them (System Exclusive, or notes on channel 16). Made by fingerlead."
# Another maker's message and a damaged one of ours, at their shortest. Readers take messages of any sane length.
FILLER = b"\xf0\x7d\xf7"
DAMAGED = HEADER + END
LONGEST_FILLER = 1 << 16
SILENT = bytes([0xB0 | CHANNEL, 7, 0])
LISTED = (
    "A list of times has neither frames nor a scan: they are written as frames, with heartbeats between, so that read "
    "back the counts are others and the timing uncertainty is a chanter's."
)


class ExportError(ValueError):
    """Playing that cannot be written as MIDI; one plain sentence."""


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written; `remarks` are sentences on how the file differs from its source."""

    notes: int
    lasts_us: int
    remarks: tuple[str, ...]


def export(path: Path, out: Path, voice: NoteVoice) -> Exported:
    """Write a file of playing as MIDI; raises ExportError, and IntakeError where there is no playing in `path`.

    A MIDI file of that name is written anew; anything else of that name is left alone and refused.
    """
    loaded = load(path)
    record = loaded.record
    if not len(record.t_us):
        raise ExportError(f"{path}: expected hole states, but no frame of it has any; record again")
    if record.end_us > LONGEST_US:
        raise ExportError(f"{path}: expected at most a day of playing; this one has {record.end_us // 3_600_000_000} h")
    holes = _holes(loaded)
    notes, count = _notes(record, voice)
    data = midi_file_bytes(TEXT, {"holes": holes, "chanter": notes}, loaded.asked)
    _write(out, data)
    listed = "csv" in (loaded.kind, loaded.timed_as)
    remarks = (LISTED,) if listed else _differences(record, read_midi_file(data))
    return Exported(count, record.end_us, remarks)


def _holes(loaded: Loaded) -> list[Event]:
    if loaded.kind == "midi":
        raise ExportError(f"{loaded.path}: this is a MIDI file already; expected a session, bytes from the wire or CSV")
    if loaded.kind == "csv":
        return _from_list(loaded.record)
    if loaded.kind == "wire":
        data = loaded.path.read_bytes()
        return _from_frames([(data, None)], "stream" if len(read_record(data).t_us) else "sysex")
    session = read_session(loaded.path)
    if session.carrier == "plain":
        return _from_plain(session)
    return _from_frames(session.reads(), session.carrier)


def _from_frames(reads: Iterable[tuple[bytes, int | None]], framing: Framing) -> list[Event]:
    """Every sound frame as System Exclusive, at the time at which the analysis has it."""
    link = HostLink("sysex", patience_us=None)
    holes: list[Event] = []
    skipped, damaged, last_timed = 0, -1, -1
    for item, host_us in _items(reads, framing):
        if isinstance(item, Damaged):
            skipped += item.size
            if item.delimited:
                skipped -= len(DAMAGED)
                damaged = len(holes)
                holes.append((link.end_us, False, DAMAGED))
            continue
        frame = to_sysex(item)
        exact = timed = False
        for event in link.receive(frame, host_us):
            timed |= isinstance(event, (State, RawState, TroubleSeen))
            exact |= isinstance(event, Doubted) and event.doubt.cause == "restart"
        if exact and last_timed >= 0:
            # Only the times of the two frames around it say how long a restart took.
            t_us, _, before = holes[last_timed]
            holes[last_timed] = (t_us, True, before)
        if timed:
            last_timed = len(holes)
        holes.append((link.end_us, exact, frame))
    _fill_up(holes, skipped, damaged, link.end_us)
    return holes


def _items(
    reads: Iterable[tuple[bytes, int | None]], framing: Framing
) -> Iterator[tuple[Payload | Damaged, int | None]]:
    """Every frame, sound or damaged, and when the read came that brought its end."""
    reader = new_reader(framing)
    for data, host_us in reads:
        for item in reader.feed(data):
            read = read_message(item, framing)
            yield read if isinstance(read, Damaged) else item, host_us
    for item in reader.close():
        yield item, None


def _fill_up(holes: list[Event], skipped: int, damaged: int, end_us: int) -> None:
    """Put as many bytes in place of what was skipped; `damaged` is where the last damaged frame is, or -1.

    Where damaged frames were shorter than MIDI can have them, some are left over; `_differences` finds them.
    """
    while skipped >= LONGEST_FILLER + len(FILLER):
        holes.append((end_us, False, _filled(FILLER, LONGEST_FILLER)))
        skipped -= LONGEST_FILLER
    if damaged >= 0 and skipped > 0:
        t_us, exact, _ = holes[damaged]
        holes[damaged] = (t_us, exact, _filled(DAMAGED, len(DAMAGED) + skipped))
    elif skipped >= len(FILLER):
        holes.append((end_us, False, _filled(FILLER, skipped)))


def _filled(message: bytes, size: int) -> bytes:
    return message[:-1] + bytes(size - len(message)) + END


class _Noted(PlainNotes):
    """Remembers the notes themselves: when (as the analysis has it), which hole, and whether it was covered."""

    def __init__(self, plays: NoteNumbers) -> None:
        super().__init__(*plays)
        self.noted: list[tuple[int, int, bool]] = []

    def receive(self, status: int, data1: int, data2: int, host_us: int) -> list[State]:
        before = self.intake.frames
        states = super().receive(status, data1, data2, host_us)
        if self.intake.frames > before:
            self.noted.append((self.end_us, data1 - self.base_note, status & 0xF0 == 0x90 and data2 > 0))
        return states


def _from_plain(session: StoredSession) -> list[Event]:
    """The chanter's notes, on the usual numbers; a MIDI file remembers no others."""
    notes = _Noted(note_numbers(session))
    for data, host_us in session.reads():
        notes.receive_bytes(data, host_us)
    return [
        (0, True, SILENT),
        *(
            (t_us, True, bytes([(0x90 if covered else 0x80) | CHANNEL, BASE_NOTE + hole, int(covered)]))
            for t_us, hole, covered in notes.noted
        ),
    ]


def _from_list(record: Record) -> list[Event]:
    """A frame for each row, and as many more between them as a chanter that is there sends."""
    return [(at_us, False, to_sysex(payload)) for at_us, payload in frames_of_list(record)]


def _notes(record: Record, voice: NoteVoice) -> tuple[list[Event], int]:
    """What sounded, as the voice plays it, and how many notes that is. Where the holes are unknown, nothing sounds."""
    states: list[tuple[int, int, int | None]] = [
        (t_us, 0, mask) for t_us, mask in zip(record.t_us.tolist(), record.covered.tolist(), strict=True)
    ]
    states += [(doubt.start_us, 1, None) for doubt in record.doubts if doubt.cause != "lost"]
    states.sort(key=itemgetter(0, 1))
    events: list[Event] = [(0, False, message) for message in voice.opening()]
    for t_us, _, mask in states:
        events += [(t_us, False, message) for message in voice.cover(mask)]
    events += [(record.end_us, False, message) for message in voice.ending()]
    return events, sum(message[0] & 0xF0 == 0x90 for _, _, message in events)


def _differences(record: Record, again: Record) -> tuple[str, ...]:
    """What is not the same when the file is read back, in sentences."""
    found = []
    same = np.array_equal(record.t_us, again.t_us) and np.array_equal(record.covered, again.covered)
    if not same or (record.end_us, record.scan_us, record.clock) != (again.end_us, again.scan_us, again.clock):
        found.append("Read back, some of its times differ from the source.")
    if record.doubts != again.doubts:
        found.append(
            "Plain notes cannot say that the chanter was away: read back, what was uncertain for that counts as played."
            if record.clock == "host"
            else "Read back, other stretches are uncertain."
        )
    ours, theirs = asdict(record.intake), asdict(again.intake)
    others = [
        f"{name.replace('_', ' ')} ({theirs[name]}, not {ours[name]})" for name in ours if ours[name] != theirs[name]
    ]
    if others:
        found.append(f"Read back, these counts differ, for MIDI packs bytes another way: {', '.join(others)}.")
    return tuple(found)


def _write(out: Path, data: bytes) -> None:
    try:
        if out.exists() and (not out.is_file() or not _is_midi(out)):
            raise ExportError(
                f"{out}: expected a new file or a MIDI file to write anew, but something else is there; name another"
            )
        write_output(out, data)
    except OSError as error:
        raise ExportError(f"{out}: it cannot be written: {error.strerror or error}; name another file") from None


def _is_midi(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(MAGIC)) == MAGIC
