"""What pupils tried, session by session, as arrays: a whole studio is compared at once without a row for each change.

Of each session the index keeps `counts`: a little-endian record for each change and movement that was tried, with what
it is, how often it was tried, how often it went astray or was not as written, and for how long that was heard, in µs.
A change is its two notes as one number; a movement the number of its name and its melody note, after all changes.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray

from fingering.notes import NOTES
from fingerlead.store.session_reading import day_here
from fingerlead.studio.index_rows import whole
from fingerlead.timing.evenings import What
from fingerlead.timing.movement_sums import MovementSummary
from fingerlead.timing.progress import Tally
from fingerlead.timing.summary import MOVEMENT_WEIGHT_US

RECORD = np.dtype([("what", "<u4"), ("tried", "<u4"), ("astray", "<u4"), ("heard_us", "<u8")])
CHANGES = len(NOTES) ** 2
MOST = 0xFFFFFFFF
# A session of a pupil: whose, whether since the day that divides, when it began, how long was played, and its counts.
Row = tuple[str, bool, str, int, bytes]


@dataclass(frozen=True, slots=True)
class Tried:
    """What one pupil tried in a span of days, in order of time; the sessions of one day are one evening.

    Of `whats` there are arrays (evening, what) of how often each was `tried` and went `astray`, and `heard_us` since
    the day that divides the span; the first `before` evenings came before it. Of each session since there is its ISO
    day, in `days`, and its `playing_us`.
    """

    whats: tuple[What, ...]
    tried: NDArray[np.int64]
    astray: NDArray[np.int64]
    heard_us: NDArray[np.int64]
    before: int
    days: tuple[str, ...]
    playing_us: tuple[int, ...]


def counts_of(tallies: Iterable[Tally], movements: Iterable[MovementSummary], number: Callable[[str], int]) -> bytes:
    """A session's counts; `number` gives that of a movement's name."""
    rows = [(t.from_note * len(NOTES) + t.to_note, t.plain, t.astray, t.heard_us) for t in tallies if t.plain]
    rows += (
        (CHANGES + number(one.name) * len(NOTES) + one.to_note, one.count, one.wrong, one.wrong * MOVEMENT_WEIGHT_US)
        for one in movements
        if one.count
    )
    return np.array([(*(min(cell, MOST) for cell in row[:3]), row[3]) for row in rows], RECORD).tobytes()


def tried_in(rows: Iterable[Row], names: Mapping[int, str]) -> dict[str, Tried]:
    """What each pupil tried, of sessions in order of pupil and time; ValueError where this program did not write it."""
    return {who: _tried(list(sessions), names) for who, sessions in groupby(rows, itemgetter(0))}


def _tried(rows: list[Row], names: Mapping[int, str]) -> Tried:
    _, since, begun, playing_us, counts = zip(*rows, strict=True)
    if not all(type(cell) is bytes for cell in counts) or not all(type(text) is str for text in begun):
        raise ValueError("no counts")
    days = tuple(map(day_here, begun))
    found = np.frombuffer(b"".join(counts), RECORD)
    if (found["astray"] > found["tried"]).any():
        raise ValueError("no counts")
    numbers, column = np.unique(found["what"], return_inverse=True)
    played_on = list(zip(since, days, strict=True))
    place = {evening: number for number, evening in enumerate(dict.fromkeys(played_on))}
    row = np.repeat([place[evening] for evening in played_on], [len(cell) // RECORD.itemsize for cell in counts])
    before = sum(not after for after, _ in place)
    tried, astray = np.zeros((2, len(place), len(numbers)), np.int64)
    np.add.at(tried, (row, column), found["tried"])
    np.add.at(astray, (row, column), found["astray"])
    heard_us = np.zeros(len(numbers), np.int64)
    np.add.at(heard_us, column, np.where(row >= before, found["heard_us"], 0).astype(np.int64))
    whats = tuple(_what(number, names) for number in numbers.tolist())
    first = since.count(0)
    return Tried(whats, tried, astray, heard_us, before, days[first:], tuple(whole(playing_us))[first:])


def _what(number: int, names: Mapping[int, str]) -> What:
    name, to_note = divmod(number - CHANGES, len(NOTES))
    if number < CHANGES:
        return divmod(number, len(NOTES))
    if name not in names:
        raise ValueError("no name")
    return names[name], to_note
