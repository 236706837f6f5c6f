"""A session as a studio keeps it: what names it, what it says, and how it is written anew."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from host.store.session_file import Mark, SessionError, SessionWriter, StoredSession, read_session, session_record
from host.store.session_reading import MEASURED_SKEW, settings_of, started_utc, told_skew
from host.store.studio import pupils as folders
from host.store.studio.index import Sitting

if TYPE_CHECKING:
    from host.timing.analysis import Analysis
    from host.timing.tally import Tally

MOST_RUNGS = 40
DIGEST_LETTERS = 32


def reading(key: str, digest: str, path: Path) -> tuple[Sitting, list[Tally]]:
    """What a session file of a pupil says: its row, and its tallies. A file that cannot be read says why."""
    from host.timing.summary import playing_us
    from host.timing.tally import tally

    try:
        session, analysis = analysed(path)
    except SessionError as error:
        return Sitting(digest, key, "", problem=error.reason), []
    length_us, unsure_us = playing_us(analysis), analysis.timing.uncertainty_us
    sitting = Sitting(digest, key, started_utc(session), length_us, unsure_us, rungs_of(session))
    return sitting, tally(analysis)


def analysed(path: Path) -> tuple[StoredSession, Analysis]:
    """A session and its analysis; raises SessionError."""
    from fingering.table import standard_table
    from host.timing.analysis import analyse
    from host.timing.timeline import timing_of

    session = read_session(path)
    record = session_record(session)
    return session, analyse(record, standard_table(), timing_of(record, "session", told_skew(session)))


def digest_of(session: StoredSession) -> str:
    """What names a session: a SHA-256 over its bytes, when they came, and where the port was lost."""
    sha = hashlib.sha256(session.carrier.encode())
    sha.update(len(session.data).to_bytes(8, "little") + session.data + session.arrivals.astype("<i8").tobytes())
    sha.update(repr([(mark.host_us, mark.kind) for mark in session.marks]).encode())
    return sha.hexdigest()[:DIGEST_LETTERS]


def rungs_of(session: StoredSession) -> tuple[str, ...]:
    """Keys of the rungs it was practised on, as its settings say."""
    return folders.keys(folders.texts(settings_of(session), "rungs"))[:MOST_RUNGS]


def write_anew(path: Path, session: StoredSession) -> None:
    """Write a session's playing as a file of this program's own: nothing else of a stranger's file comes along."""
    settings = settings_of(session)
    if rungs := rungs_of(session):
        settings = {**settings, "rungs": list(rungs)}
    begun = started_utc(session)
    marks = sorted(session.marks, key=lambda mark: mark.host_us)
    begun_at = datetime.fromisoformat(begun) if begun else datetime.fromtimestamp(0, UTC)
    port = session.meta.get("port", "")
    with SessionWriter(path, session.carrier, port, settings, begun_at) as writer, writer.at_once():
        if not begun:
            writer.tell(started_utc="")
        skew = told_skew(session)
        if skew is not None and skew.how == "measured":
            writer.tell(**{MEASURED_SKEW: str(skew.us)})
        starts = session.arrivals[:, 0].tolist()
        for start, stop, host_us in zip(
            starts, [*starts, len(session.data)][1:], session.arrivals[:, 1].tolist(), strict=True
        ):
            while marks and marks[0].host_us <= host_us:
                writer.mark(*_mark(marks.pop(0)))
            writer.append(session.data[start:stop], host_us)
        for mark in marks:
            writer.mark(*_mark(mark))


def _mark(mark: Mark) -> tuple[Literal["lost", "back"], int, str]:
    return ("lost" if mark.kind == "lost" else "back"), mark.host_us, mark.cause
