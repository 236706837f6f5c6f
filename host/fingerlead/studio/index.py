"""The index of a studio: what each session says, in one SQLite file that can be made anew from the sessions.

It holds keys, numbers and the names of movements, no name of a person and no word that one wrote of another. `session`
has one row for each session file, `result` one for each directed change in it, `movement` one for each movement that it
asks for on one note, `written` one for each step of its music, `pairs` one for its pairs of each kind: see
`index_rows`.

A session is named by a digest of what was played. As a studio keeps it, it was written anew by this program: nothing
else of the file that was taken in comes along.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from fingering.table import standard_table
from fingerlead.store.keeping import copy_session
from fingerlead.store.session_file import SessionError
from fingerlead.store.session_music import musics_of
from fingerlead.store.session_reading import (
    StoredSession,
    begin_utc,
    day_here,
    read_session,
    session_record,
    settings_of,
    started_utc,
    stated_movements,
    stated_seal,
    stated_skew,
    timed_as,
    too_long,
)
from fingerlead.studio.index_file import TABLES, IndexFile
from fingerlead.studio.index_rows import (
    COUNTS,
    VERDICT_COLUMNS,
    change_in,
    change_row,
    movement_in,
    movement_name,
    movement_row,
    pairs_in,
    pairs_row,
    whole,
    written_in,
    written_row,
)
from fingerlead.studio.practised import keys_of, passed_in, practised_in
from fingerlead.studio.tried import Tried, counts_of, tried_in
from fingerlead.timing.analysis import Analysis, analyse
from fingerlead.timing.movement_sums import MovementOn, MovementSummary
from fingerlead.timing.progress import SessionSums, Tally, sums_of
from fingerlead.timing.results import Settings
from fingerlead.timing.summary import playing_us
from fingerlead.timing.timeline import timing_of
from fingerlead.timing.worth import PairsSummary, WrittenSummary

DIGEST_LETTERS = 32
# After every day.
ENDLESS = "~"
T = TypeVar("T")


class DaySpan(NamedTuple):
    """Days to compare, ISO: from `since` on, divided at `divide`, before `until`."""

    since: str
    divide: str
    until: str = ENDLESS


@dataclass(frozen=True, slots=True)
class IndexedSession:
    """One session in a studio. `rungs` are the keys of rungs and tunes that were practised, `passed` those that became
    clean, as the session says and its playing shows. `problem` tells why a file in the pupil's folder cannot be read.
    """

    digest: str
    pupil: str
    started_utc: str
    playing_us: int = 0
    uncertainty_us: int = 0
    rungs: tuple[str, ...] = ()
    passed: tuple[str, ...] = ()
    problem: str = ""

    @property
    def day(self) -> str:
        """The day it began, ISO, by this machine's calendar; empty where it does not say."""
        return day_here(self.started_utc)


class Index(IndexFile):
    """What a studio's index says of pupils and sessions, and how that is written."""

    def has(self, digest: str) -> str | None:
        """Whose session this is; None where it is in no row."""
        row = self.db.execute("SELECT pupil FROM session WHERE digest = ?", (digest,)).fetchone()
        return row[0] if row else None

    def known(self) -> set[tuple[str, str]]:
        """All (pupil, digest)."""
        return set(self.db.execute("SELECT pupil, digest FROM session"))

    def damaged(self) -> set[tuple[str, str]]:
        """All (pupil, digest) of files that cannot be read."""
        return set(
            self.db.execute("SELECT pupil, digest FROM session WHERE problem != '' AND typeof(problem) = 'text'")
        )

    def problems(self) -> dict[str, int]:
        """How many files of each pupil cannot be read; pupils without any are left out."""
        return dict(self.db.execute("SELECT pupil, count(*) FROM session WHERE problem != '' GROUP BY pupil"))

    def played_days(self, until: str = ENDLESS) -> dict[str, tuple[str, str]]:
        """The ISO days on which each pupil first and last played before the day `until`; empty where no file says."""
        rows = self.db.execute(
            "SELECT pupil, min(started_utc), max(started_utc) FROM session WHERE started_utc < ? GROUP BY pupil",
            (begin_utc(until),),
        )
        return {who: (day_here(self._day(first)), day_here(self._day(last))) for who, first, last in rows}

    def put(
        self,
        session: IndexedSession,
        tallies: Iterable[Tally],
        movements: Iterable[MovementSummary] = (),
        written: Iterable[WrittenSummary] = (),
        pairs: Iterable[PairsSummary] = (),
    ) -> None:
        """Write a session's rows, in place of what was there."""
        self.drop(session.digest)
        of = SessionSums(list(tallies), list(movements), list(written), list(pairs))
        row = {**asdict(session), "rungs": json.dumps(session.rungs), "passed": json.dumps(session.passed)}
        self._insert("session", "", [(*row.values(), counts_of(of, self._number))])
        self._insert("result", session.digest, map(change_row, of.tallies))
        self._insert("movement", session.digest, map(movement_row, of.movements))
        self._insert("written", session.digest, map(written_row, of.written))
        self._insert("pairs", session.digest, map(pairs_row, of.pairs))

    def drop(self, digest: str) -> None:
        """Forget a session."""
        for table in TABLES:
            self.db.execute(f"DELETE FROM {table} WHERE digest = ?", (digest,))

    def drop_pupil(self, pupil: str) -> None:
        """Forget all of a pupil's sessions, and leave no byte of them."""
        with self.writing():
            for table in TABLES:
                self.db.execute(
                    f"DELETE FROM {table} WHERE digest IN (SELECT digest FROM session WHERE pupil = ?)", (pupil,)
                )
            self.db.execute("DELETE FROM chance WHERE pupil = ?", (pupil,))
            # A teacher's own movement may be named after a pupil.
            self.db.execute("DELETE FROM name WHERE name NOT IN (SELECT name FROM movement)")
        self.db.execute("VACUUM")
        self.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def sessions(self, pupil: str | None = None, since: str = "", until: str = ENDLESS) -> list[IndexedSession]:
        """Sessions in order of time, begun from the day `since` on and before the day `until`."""
        where, values = _chosen(since, until, {"pupil": pupil})
        rows = self.db.execute(
            "SELECT digest, pupil, started_utc, playing_us, uncertainty_us, rungs, passed, problem FROM session s "
            f"WHERE {where} ORDER BY started_utc, digest",
            values,
        )
        found = []
        for digest, who, begun, *numbers, rungs, passed, problem in rows:
            if not all(isinstance(text, str) for text in (digest, who, problem)):
                raise self._foreign()
            playing_us, uncertainty_us = self._own(whole, numbers)
            day = self._day(begun)
            keys = self._texts(rungs), self._texts(passed)
            found.append(IndexedSession(digest, who, day, playing_us, uncertainty_us, *keys, problem))
        return found

    def tallies(
        self, pupil: str | None = None, since: str = "", until: str = ENDLESS, of: tuple[int, int] | None = None
    ) -> Iterator[tuple[str, str, Tally]]:
        """(pupil, digest, tally) of the sessions as `sessions` chooses them, in order of time; `of` one change."""
        from_note, to_note = of or (None, None)
        where, values = _chosen(since, until, {"pupil": pupil, "from_note": from_note, "to_note": to_note})
        rows = self.db.execute(
            f"SELECT s.pupil, r.digest, r.strays, r.spreads, r.faults, r.from_note, r.to_note, {', '.join(COUNTS)} "
            f"FROM session s JOIN result r ON r.digest = s.digest WHERE {where} "
            "ORDER BY s.started_utc, s.digest, r.from_note, r.to_note",
            values,
        )
        for who, digest, *cells in rows:
            yield who, digest, self._own(change_in, *cells)

    def movements(
        self, pupil: str | None = None, since: str = "", until: str = ENDLESS, of: MovementOn | None = None
    ) -> Iterator[tuple[str, str, MovementSummary]]:
        """(pupil, digest, how a movement went) of the same sessions; `of` one movement on one note."""
        name, to_note = of or (None, None)
        where, values = _chosen(since, until, {"pupil": pupil, "name": name, "to_note": to_note})
        rows = self.db.execute(
            f"SELECT s.pupil, m.digest, m.name, m.to_note, {', '.join(VERDICT_COLUMNS)}, m.faults "
            f"FROM session s JOIN movement m ON m.digest = s.digest WHERE {where} "
            "ORDER BY s.started_utc, s.digest, m.name, m.to_note",
            values,
        )
        for who, digest, *cells in rows:
            yield who, digest, self._own(movement_in, *cells)

    def written(
        self, pupil: str, since: str = "", until: str = ENDLESS, of: tuple[int, int] | None = None
    ) -> Iterator[WrittenSummary]:
        """How the steps of the music went in the same sessions; `of` one step."""
        from_note, to_note = of or (None, None)
        chosen = {"pupil": pupil, "from_note": from_note, "to_note": to_note}
        return self._beside(written_in, "written", "m.from_note, m.to_note, m.count, m.wrong", since, until, chosen)

    def pairs(self, pupil: str, since: str = "", until: str = ENDLESS) -> Iterator[PairsSummary]:
        """How pairs were pointed in the same sessions."""
        cells = "m.dotted, m.ratio, m.count, m.unpointed"
        return self._beside(pairs_in, "pairs", cells, since, until, {"pupil": pupil})

    def _beside(
        self, read: Callable[..., T], table: str, cells: str, since: str, until: str, of: Mapping[str, str | int | None]
    ) -> Iterator[T]:
        where, values = _chosen(since, until, of)
        order = f"ORDER BY s.started_utc, s.digest, {', '.join(cells.split(', ')[:2])}"
        rows = f"SELECT {cells} FROM session s JOIN {table} m ON m.digest = s.digest WHERE {where} {order}"
        for row in self.db.execute(rows, values):
            yield self._own(read, *row)

    def tried(self, spans: Mapping[str, DaySpan]) -> dict[str, Tried]:
        """What pupils tried in their spans of days, session by session; who played nothing is left out."""
        self._ask_of(spans)
        rows = self.db.execute(
            "SELECT s.pupil, s.started_utc >= p.divide, s.started_utc, s.playing_us, s.counts FROM span p "
            "JOIN session s ON s.pupil = p.pupil AND s.started_utc >= p.since AND s.started_utc < p.until "
            "WHERE s.problem = '' ORDER BY s.pupil, s.started_utc, s.digest"
        )
        names = {number: self._own(movement_name, name) for number, name in self.db.execute("SELECT * FROM name")}
        return self._own(tried_in, rows, names)

    def chances(self) -> dict[str, tuple[str, bytes]]:
        """What `kept_chances` keeps of each pupil: a digest of the playing it comes from, and numbers."""
        rows = list(self.db.execute("SELECT pupil, of, chances FROM chance"))
        if not all(type(chances) is bytes and len(chances) % 8 == 0 for *_, chances in rows):
            raise self._foreign()
        return {who: (of, chances) for who, of, chances in rows}

    def keep_chances(self, rows: Iterable[tuple[str, str, bytes]]) -> None:
        """Keep chances, with their pupils and digests, in place of what was there."""
        with self.writing():
            self.db.executemany("INSERT OR REPLACE INTO chance VALUES (?, ?, ?)", rows)

    def _ask_of(self, spans: Mapping[str, DaySpan]) -> None:
        """Put the spans of days where they are asked for."""
        self.db.execute(
            "CREATE TEMP TABLE IF NOT EXISTS span (pupil TEXT PRIMARY KEY, since TEXT, divide TEXT, until TEXT)"
        )
        with self.writing():
            self.db.execute("DELETE FROM span")
            rows = ((key, *map(begin_utc, days)) for key, days in spans.items())
            self.db.executemany("INSERT INTO span VALUES (?, ?, ?, ?)", rows)

    def _number(self, name: str) -> int:
        """The number of a movement's name, given it now where it has none."""
        self.db.execute("INSERT OR IGNORE INTO name (name) VALUES (?)", (name,))
        (number,) = self.db.execute("SELECT number FROM name WHERE name = ?", (name,)).fetchone()
        return int(number)

    def _insert(self, table: str, digest: str, rows: Iterable[tuple[object, ...]]) -> None:
        """Rows of a session, each with its digest before it where that is given."""
        for row in rows:
            cells = (digest, *row) if digest else row
            self.db.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(cells))})", cells)

    def _texts(self, text: Any) -> tuple[str, ...]:
        try:
            texts = json.loads(text)
        except (ValueError, TypeError):
            raise self._foreign() from None
        if not (isinstance(texts, list) and all(isinstance(one, str) for one in texts)):
            raise self._foreign()
        return tuple(texts)

    def _day(self, begun: Any) -> str:
        try:
            assert begun == "" or datetime.fromisoformat(begun)
        except (ValueError, TypeError):
            raise self._foreign() from None
        return str(begun)


def _chosen(since: str, until: str, given: Mapping[str, str | int | None]) -> tuple[str, list[str | int]]:
    """What of SQL chooses sessions of some days, and rows with the values given; None is any.

    A condition that may be any would keep SQLite from its indexes.
    """
    equal = {column: value for column, value in given.items() if value is not None}
    conditions = ["s.started_utc >= ?", "s.started_utc < ?", *(f"{column} = ?" for column in equal)]
    return " AND ".join(conditions), [begin_utc(since), begin_utc(until), *equal.values()]


def reading(key: str, digest: str, path: Path) -> tuple[IndexedSession, SessionSums]:
    """What a session file of a pupil says: its row, and what is kept of it. A file that cannot be read says why."""
    try:
        session, analysis = analysed(path)
    except SessionError as error:
        return IndexedSession(digest, key, "", problem=error.reason), SessionSums([], [], [], [])
    times = playing_us(analysis), analysis.timing.uncertainty_us
    keys = practised_in(session, analysis), passed_in(session, analysis)
    row = IndexedSession(digest, key, started_utc(session), *times, *keys)
    return row, sums_of(analysis)


def analysed(path: Path) -> tuple[StoredSession, Analysis]:
    """A session and its analysis; raises SessionError."""
    session = read_session(path)
    record = session_record(session)
    if why := too_long(record):
        raise SessionError(path, why)
    timing = timing_of(record, timed_as(session), stated_skew(session), seal=stated_seal(session))
    musics = musics_of(session.asked)
    known, problem = stated_movements(session)
    problem = " ".join(filter(None, (session.music_problem, problem)))
    return session, analyse(record, standard_table(), timing, Settings(), musics, problem, known, session.clicks)


def digest_of(session: StoredSession) -> str:
    """What names a session: a SHA-256 over its bytes, when they came, and where the port was lost."""
    sha = hashlib.sha256(session.carrier.encode())
    sha.update(len(session.data).to_bytes(8, "little") + session.data + session.arrivals.astype("<i8").tobytes())
    sha.update(repr([(mark.host_us, mark.kind) for mark in session.marks]).encode())
    return sha.hexdigest()[:DIGEST_LETTERS]


def write_anew(path: Path, session: StoredSession) -> None:
    """Write a session's playing as a file of this program's own."""
    settings = settings_of(session)
    if rungs := keys_of(session, "rungs"):
        settings = {**settings, "rungs": list(rungs)}
    begun = started_utc(session)
    copy_session(path, session, settings, datetime.fromisoformat(begun) if begun else None, session.asked)
