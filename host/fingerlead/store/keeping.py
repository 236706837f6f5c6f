"""Any file of playing kept as a session: the same states, and music for playing that has none.

`keep` writes a new session, whole or not at all: it is written beside its place, read back, and put there when what is
read is what was played. Wire bytes and frames of a MIDI file go in as they are; rows of CSV become frames, with
heartbeats between. Where arrivals are unknown, they are the chanter's own times, so that a restart lasts as long.
"""

import json
import os
import secrets
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import numpy as np

from fingering.movements import Repertoire
from fingerlead.reading.asked import SessionMusic
from fingerlead.reading.between import STANDARD
from fingerlead.store import midi_reading
from fingerlead.store.intake import Loaded, load
from fingerlead.store.listed import LONGEST_US, frames_of_list
from fingerlead.store.session_file import SessionError, SessionWriter, remove_session
from fingerlead.store.session_music import MusicAt
from fingerlead.store.session_reading import (
    LISTED,
    MEASURED_SKEW,
    MUSIC_PROBLEM,
    PortMark,
    StoredSession,
    movements_meta,
    read_session,
    seal_meta,
    settings_of,
    started_utc,
    stated_movements,
    stated_seal,
    stated_skew,
)
from fingerlead.timing.timeline import edges
from fingerlead.wire.carriers import Carrier, Framing, to_stream
from fingerlead.wire.columns import read_record
from fingerlead.wire.events import Record
from fingerlead.wire.link import HostLink
from fingerlead.wire.plain_midi import NoteNumbers

ENDINGS: dict[Framing, bytes] = {"stream": b"\0", "sysex": b"\xf7"}


class KeepError(ValueError):
    """Playing that cannot be kept as a session; one plain sentence."""


@dataclass(frozen=True, slots=True)
class Kept:
    """What was kept; `begun` is when it was played, None where nothing says. `remarks` are sentences."""

    loaded: Loaded
    begun: datetime | None
    asked: tuple[MusicAt, ...]
    remarks: tuple[str, ...]


def keep(
    path: Path,
    out: Path,
    when: datetime | None = None,
    music: SessionMusic | None = None,
    plays: NoteNumbers = NoteNumbers(),
    known: Repertoire = STANDARD,
) -> Kept:
    """Keep a file of playing as a new session; raises KeepError, SessionError, and IntakeError.

    `when` is when it was played, in place of what the file says. `music` is for playing that has none. A teacher's own
    movements in `known` take the place of those that the file carries.
    """
    loaded = load(path, plays)
    if out.exists():
        raise KeepError(f"{out}: expected the name of a new file, but this one exists; name another")
    if not len(loaded.record.t_us):
        raise KeepError(f"{path}: expected hole states, but no frame of it has any; record again")
    if music is not None and loaded.asked:
        raise KeepError(f"{path}: it carries its own music already, which counts; leave --music and --stage-us out")
    asked = loaded.asked if music is None else (MusicAt(0, music),)
    session = read_session(path) if loaded.kind == "session" else _as_session(loaded, plays)
    told = started_utc(session)
    begun = when or (datetime.fromisoformat(told) if told else None)
    beside = out.with_name(f".{secrets.token_hex(8)}.part")
    try:
        copy_session(beside, session, settings_of(session), begun, asked, known)
        again = load(beside)
        if not _same(loaded.record, again.record) or again.asked != asked:
            raise KeepError(f"{path}: as a session it would not read the same, so none was kept; keep the file itself")
        os.replace(beside, out)
    except SessionError as error:
        raise KeepError(f"{out}: {error}") from None
    except OSError as error:
        raise KeepError(f"{out}: it cannot be written: {error.strerror or error}; name another place") from None
    finally:
        remove_session(beside)
    remarks = (loaded.music_problem,) if loaded.music_problem and music is None else ()
    return Kept(loaded, begun, asked, remarks)


def copy_session(
    path: Path,
    session: StoredSession,
    settings: Mapping[str, object],
    begun: datetime | None,
    asked: Iterable[MusicAt],
    known: Repertoire = STANDARD,
) -> None:
    """Write a session's playing as a new file of this program's own, with its marks and with this music.

    A teacher's own movements go with it: those in `known`, or where that has none, the session's.
    """
    known = known if known.own else stated_movements(session)[0]
    marks = sorted(session.marks, key=lambda mark: mark.host_us)
    port = session.meta.get("port", "")
    started = begun or datetime.fromtimestamp(0, UTC)
    with SessionWriter(path, session.carrier, port, settings, started) as writer, writer.at_once():
        if begun is None:
            writer.tell(started_utc="")
        skew = stated_skew(session)
        if skew is not None and skew.how == "measured":
            writer.tell(**{MEASURED_SKEW: str(skew.us)})
        if (seal := stated_seal(session)) is not None:
            writer.tell(**seal_meta(seal))
        if known.own:
            writer.tell(**movements_meta(known))
        for data, host_us in session.reads():
            while marks and marks[0].host_us <= host_us:
                writer.mark(*_mark(marks.pop(0)))
            writer.append(data, host_us)
        for mark in marks:
            writer.mark(*_mark(mark))
        for host_us, clicks in session.clicked:
            writer.click(host_us, clicks)
        told = False
        for at_us, music in asked:
            writer.begin_music(at_us, music)
            told = True
        if session.music_problem and not told:
            writer.tell(**{MUSIC_PROBLEM: session.music_problem})


def _mark(mark: PortMark) -> tuple[Literal["lost", "back"], int, str]:
    return ("lost" if mark.kind == "lost" else "back"), mark.host_us, mark.cause


def _as_session(loaded: Loaded, plays: NoteNumbers) -> StoredSession:
    """What a file holds as if it had been recorded."""
    settings: dict[str, object] = {}
    carrier: Carrier = "stream"
    reads: Iterable[tuple[bytes, int]]
    if loaded.kind == "csv":
        if loaded.record.end_us > LONGEST_US:
            hours = loaded.record.end_us // 3_600_000_000
            raise KeepError(f"{loaded.path}: expected at most a day of playing; this list has {hours} h. Split it")
        settings = {LISTED: True}
        reads = [(to_stream(payload), t_us) for t_us, payload in frames_of_list(loaded.record)]
    elif loaded.kind == "midi":
        carrier, reads = midi_reading.reads_in(loaded.path.read_bytes())
        settings = plays._asdict()
    else:
        data = loaded.path.read_bytes()
        framing: Framing = "stream" if len(read_record(data).t_us) else "sysex"
        carrier, reads = framing, _reads(data, framing)
    return _session_of(list(reads), carrier, settings)


def _reads(data: bytes, framing: Framing) -> Iterator[tuple[bytes, int]]:
    """Each frame of some bytes, at the time that the chanter's clock has reached with it."""
    link, end = HostLink(framing, patience_us=None), ENDINGS[framing]
    for piece in data.split(end)[:-1]:
        link.receive(piece + end, None)
        yield piece + end, link.end_us
    rest = data.rpartition(end)[2]
    if rest:
        yield rest, link.end_us


def _session_of(reads: list[tuple[bytes, int]], carrier: Carrier, settings: dict[str, object]) -> StoredSession:
    ends = np.cumsum([len(data) for data, _ in reads], dtype=np.int64)
    arrivals = np.array(
        [[end - len(data), host_us] for end, (data, host_us) in zip(ends.tolist(), reads, strict=True)], dtype=np.int64
    ).reshape(-1, 2)
    return StoredSession(b"".join(data for data, _ in reads), arrivals, carrier, {"settings": json.dumps(settings)}, [])


def _same(one: Record, other: Record) -> bool:
    """Whether fingers move at the same times in both, and the same is uncertain."""
    edge_us, covered = edges(one.t_us, one.covered, one.end_us)
    other_us, other_covered = edges(other.t_us, other.covered, other.end_us)
    known = one.clock == other.clock and one.doubts == other.doubts
    return known and np.array_equal(edge_us, other_us) and np.array_equal(covered, other_covered)
