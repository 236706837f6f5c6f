"""The music of a session: its rows, and the music that the reading makes of them.

A row: `number` from 1 on; `at_us`, from when it counts, on the chanter's unwrapped clock, on which the first timed
frame is 0; `format`; `body`, a `SessionMusic` as JSON; `crc`, a CRC-32 over the four of them, as the file's own
structure would not show a flipped bit. A row counts until the next one begins. Format 1 has no `begins_us` and
`within_us`; format 2, of music that goes by in time, has both.
"""

import json
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import asdict, fields
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple, get_args

from fingerlead.reading.asked import MusicKind, SessionMusic
from fingerlead.reading.music import Music, WrittenNote

if TYPE_CHECKING:
    from fingerlead.music.tune import Tune

FORMAT, IN_TIME = 1, 2
_IN_TIME_ONLY = ("begins_us", "within_us")
MOST_ROWS = 10_000
LONGEST_ABC = 60_000
LONGEST_NAME = 200
GREATEST_AT_US = 1 << 62
GREATEST_PASS = 1_000_000
GREATEST_BEAT_US = 60_000_000
GREATEST_STAGE_US = 10_000_000
# Of all the ABC of a session; a hostile one must not cost minutes.
MOST_ABC = 1 << 22
KINDS: tuple[MusicKind, ...] = get_args(MusicKind)
_ENDLESS_US = Music().end_us

Row = tuple[int, int, int, str, int]
ROW_CELLS = 5


class MusicError(ValueError):
    """Music that cannot be kept or read; one part of a sentence: what was expected, and what came."""


class MusicAt(NamedTuple):
    """What is asked for from a time on, in µs on the chanter's unwrapped clock."""

    at_us: int
    music: SessionMusic


def row_of(number: int, at_us: int, music: SessionMusic) -> Row:
    """The row that keeps a music; raises MusicError."""
    _check(music)
    _expect(0 <= at_us <= GREATEST_AT_US, "a time within a session", at_us)
    stated = asdict(music)
    if music.begins_us is None:
        stated = {name: value for name, value in stated.items() if name not in _IN_TIME_ONLY}
    version = FORMAT if music.begins_us is None else IN_TIME
    body = json.dumps(stated, ensure_ascii=False, separators=(",", ":"))
    return number, at_us, version, body, _crc(number, at_us, version, body)


def read_rows(rows: Iterable[tuple[object, ...]]) -> tuple[MusicAt, ...]:
    """The musics in rows, in order of time; of two that overlap, the later row counts. Raises MusicError."""
    found: list[MusicAt] = []
    letters = 0
    for place, row in enumerate(rows, 1):
        number, at_us, version, body, crc = row
        _expect(place <= MOST_ROWS, f"at most {MOST_ROWS} rows", "more")
        # Of a newer format, nothing else is known.
        if type(version) is int and version > IN_TIME:
            raise MusicError(f"expected music of format {IN_TIME}, got format {version}; use a newer fingerlead")
        whole = type(number) is type(at_us) is type(version) is type(crc) is int and isinstance(body, str)
        _expect(whole, "numbers and text in each row", "something else")
        assert isinstance(number, int)
        assert isinstance(at_us, int)
        assert isinstance(version, int)
        assert isinstance(body, str)
        _expect(number == place, f"row {place}", f"row {number}")
        _expect(crc == _crc(number, at_us, version, body), f"row {place} as it was written", "a damaged one")
        music = _music_in(body)
        letters += len(music.abc)
        _expect(letters <= MOST_ABC, f"at most {MOST_ABC} letters of ABC in all", "more")
        _expect(0 <= at_us <= GREATEST_AT_US, "a time within a session", at_us)
        while found and found[-1].at_us >= at_us:
            found.pop()
        found.append(MusicAt(at_us, music))
    musics_of(found)  # whether its ABC can be read
    return tuple(found)


def unreadable(error: Exception) -> str:
    """What is said of music that cannot be read."""
    return f"Its music cannot be read, so any note may follow any: {error}."


def musics_of(asked: Sequence[MusicAt]) -> tuple[Music, ...]:
    """What the reading takes a session's music as; raises MusicError where there is ABC in it that cannot be read."""
    ends_us = [after.at_us for after in asked[1:]] + [_ENDLESS_US]
    return tuple(
        Music(written_notes(music), at_us, end_us, music)
        for (at_us, music), end_us in zip(asked, ends_us, strict=False)
    )


def written_notes(music: SessionMusic) -> tuple[WrittenNote, ...]:
    """The notes that a music asks for, with their grace notes; raises MusicError where its ABC cannot be read."""
    return _notes_of(music.abc) if music.kind != "none" else ()


def tune_in(abc: str) -> "Tune":
    """The tune that a music's ABC asks for: the first in it; raises MusicError where it cannot be read."""
    # The grammar of ABC takes a while to come in, and most commands do without.
    from fingerlead.music.abc import parse_abc
    from fingerlead.music.abc_text import AbcError

    try:
        tunes, _ = parse_abc(abc)
    except AbcError as error:
        raise MusicError(str(error)) from None
    if not tunes:
        raise MusicError("no tune is in its ABC")
    return tunes[0]


@lru_cache(maxsize=256)  # all that is practised in a sitting
def _notes_of(abc: str) -> tuple[WrittenNote, ...]:
    from fingerlead.music.tune import ExpectationError, expect

    try:
        expected = expect(tune_in(abc))
    except ExpectationError as error:
        raise MusicError(str(error)) from None
    return tuple(WrittenNote(note.note, note.graces, note.begins_bar, note.bar, note.rhythm) for note in expected.notes)


def _music_in(body: str) -> SessionMusic:
    try:
        found = json.loads(body)
        music = SessionMusic(**found)
    except (ValueError, TypeError, RecursionError):
        raise MusicError(f"expected {', '.join(field.name for field in fields(SessionMusic))}; got others") from None
    _check(music)
    return music


def _check(music: SessionMusic) -> None:
    m = music
    texts = all(isinstance(text, str) for text in (m.kind, m.name, m.abc, m.why))
    _expect(texts and m.kind in KINDS, f"one of {', '.join(KINDS)}", m.kind)
    _expect(bool(m.abc) == (m.kind != "none"), "ABC for a rung or a tune, and none for none", f"kind {m.kind}")
    _expect(len(m.abc) <= LONGEST_ABC, f"at most {LONGEST_ABC} letters of ABC", f"{len(m.abc)}")
    _expect(max(len(m.name), len(m.why)) <= LONGEST_NAME, f"names of at most {LONGEST_NAME} letters", "a longer one")
    _expect(all(text.isprintable() for text in (m.name, m.why)), "names on one line", "another")
    _expect(type(m.judged) is bool, "true or false for judged", m.judged)
    _expect(_within(m.pass_number, GREATEST_PASS), "passes counted from 1 on", m.pass_number)
    for what, us, most_us in (("beat", m.beat_us, GREATEST_BEAT_US), ("stage", m.stage_us, GREATEST_STAGE_US)):
        _expect(us is None or _within(us, most_us), f"a {what} from 1 to {most_us} µs", us)
    if m.begins_us is not None or m.within_us is not None:
        _expect(_within(m.begins_us, GREATEST_AT_US), "a beginning within a session", m.begins_us)
        _expect(_within(m.within_us, GREATEST_BEAT_US), "how near to the beat, in µs", m.within_us)
        _expect(m.beat_us is not None and m.kind == "tune", "a tune and its beat, to go by in time", m.kind)


def _within(number: object, most: int) -> bool:
    return type(number) is int and 1 <= number <= most


def _crc(*row: object) -> int:
    return zlib.crc32(json.dumps(row, ensure_ascii=False).encode("utf-8", "surrogatepass"))


def _expect(holds: bool, expected: str, got: object) -> None:
    if not holds:
        shown = str(got)
        raise MusicError(f"expected {expected}, got {shown if len(shown) <= 40 else shown[:39] + '…'}")
