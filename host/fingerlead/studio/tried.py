"""What pupils tried, session by session, as arrays: a whole studio is compared at once without a row for each change.

Of each session the index keeps `counts`: a little-endian record for all that was tried, with what it is, how often it
was tried, how often it went astray or was not as written, and the sum of what was heard of that, in µs. What it is, is
one number. A change is its two notes; a movement the number of its name and its melody note, after all changes: these
are compared. Beside them, and never compared, are the same changes as those with fingers apart, written steps, and
pairs: each kind has a range of its own.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fingering.notes import NOTES
from fingerlead.store.session_reading import day_here
from fingerlead.studio.index_rows import whole
from fingerlead.timing.evenings import What
from fingerlead.timing.progress import SessionSums
from fingerlead.timing.worth import MOVEMENT_WEIGHT_US, PairsSummary, WorkKey, WorkKind, weight_us

RECORD = np.dtype([("what", "<u4"), ("tried", "<u4"), ("astray", "<u4"), ("sum_us", "<u8")])
CHANGES = len(NOTES) ** 2
MOST = 0xFFFFFFFF
# Where the numbers of a kind that is never compared begin.
RANGE = 1 << 28
RANGES: tuple[WorkKind, ...] = ("apart", "wrong", "pairs")
# The ratio of pairs as a whole number.
THOUSANDTHS = 1_000
# A session of a pupil: whose, whether since the day that divides, when it began, how long was played, and its counts.
Row = tuple[str, bool, str, int, bytes]


class Wrong(NamedTuple):
    """What went wrong since the day that divides a span: in `times` of `of_all`, with its weight; see `WorthWork`."""

    kind: WorkKind
    key: WorkKey
    times: int
    of_all: int
    weight_us: int


@dataclass(frozen=True, slots=True)
class Tried:
    """What one pupil tried in a span of days, in order of time; the sessions of one day are one evening.

    Of `whats` there are arrays (evening, what) of how often each was `tried` and went `astray`; the first `before`
    evenings came before the day that divides the span. Since then `wrong` is what went wrong, and of each session there
    is its ISO day, in `days`, and its `playing_us`.
    """

    whats: tuple[What, ...]
    tried: NDArray[np.int64]
    astray: NDArray[np.int64]
    before: int
    wrong: tuple[Wrong, ...]
    days: tuple[str, ...]
    playing_us: tuple[int, ...]


def counts_of(of: SessionSums, number: Callable[[str], int]) -> bytes:
    """A session's counts; `number` gives that of a movement's name."""
    rows = [
        (what, *(min(cell, MOST) for cell in pair), sum_us) for what, *pair, sum_us in _counts(of, number) if pair[0]
    ]
    return np.array(rows, RECORD).tobytes()


def _counts(of: SessionSums, number: Callable[[str], int]) -> Iterator[tuple[int, int, int, int]]:
    apart, wrong, pairs = ((1 + place) * RANGE for place in range(len(RANGES)))
    for t in of.tallies:
        change = t.from_note * len(NOTES) + t.to_note
        yield change, t.plain, t.astray, t.heard_us
        if t.apart:
            yield apart + change, t.plain, t.apart, sum(t.spreads_us)
    for one in of.movements:
        what = CHANGES + number(one.name) * len(NOTES) + one.to_note
        yield what, one.count, one.wrong, one.wrong * MOVEMENT_WEIGHT_US
    for step in of.written:
        what = step.from_note * len(NOTES) + step.to_note
        yield wrong + what, step.count, len(step.wrong), sum(us for _, us in step.wrong)
    for pair in of.pairs:
        dotted, ratio = pairs_key(pair)
        yield (
            pairs + 2 * round(THOUSANDTHS * ratio) + dotted,
            pair.count,
            len(pair.unpointed),
            sum(one.off_us for one in pair.unpointed),
        )


def pairs_key(pairs: PairsSummary) -> tuple[bool, float]:
    """Which pairs they are, as the counts name them."""
    return pairs.dotted, round(THOUSANDTHS * pairs.written_ratio) / THOUSANDTHS


def tried_in(rows: Iterable[Row], names: Mapping[int, str]) -> dict[str, Tried]:
    """What each pupil tried, of sessions in order of pupil and time; ValueError where this program did not write it."""
    return {who: _tried(list(sessions), names) for who, sessions in groupby(rows, itemgetter(0))}


def _tried(rows: list[Row], names: Mapping[int, str]) -> Tried:
    _, since, begun, playing_us, counts = zip(*rows, strict=True)
    if not all(type(cell) is bytes for cell in counts) or not all(type(text) is str for text in begun):
        raise ValueError("no counts")
    days = tuple(map(day_here, begun))
    found = np.frombuffer(b"".join(counts), RECORD)
    if (found["astray"] > found["tried"]).any() or (found["what"] >= (1 + len(RANGES)) * RANGE).any():
        raise ValueError("no counts")
    played_on = list(zip(since, days, strict=True))
    place = {evening: number for number, evening in enumerate(dict.fromkeys(played_on))}
    row = np.repeat([place[evening] for evening in played_on], [len(cell) // RECORD.itemsize for cell in counts])
    before = sum(not after for after, _ in place)
    compared = found["what"] < RANGE
    numbers, column = np.unique(found["what"][compared], return_inverse=True)
    tried, astray = np.zeros((2, len(place), len(numbers)), np.int64)
    np.add.at(tried, (row[compared], column), found["tried"][compared])
    np.add.at(astray, (row[compared], column), found["astray"][compared])
    whats = tuple(_what(number, names) for number in numbers.tolist())
    first = since.count(0)
    wrong = tuple(_wrong(found[row >= before], names))
    return Tried(whats, tried, astray, before, wrong, days[first:], tuple(whole(playing_us))[first:])


def _wrong(found: NDArray[np.void], names: Mapping[int, str]) -> Iterator[Wrong]:
    """What went wrong in some records, put together by what it is."""
    numbers, column = np.unique(found["what"], return_inverse=True)
    sums = np.zeros((3, len(numbers)), np.int64)
    for at, cell in enumerate(("astray", "tried", "sum_us")):
        np.add.at(sums[at], column, found[cell].astype(np.int64))
    of_all = dict(zip(numbers.tolist(), sums[1].tolist(), strict=True))
    for number, times, tried, sum_us in zip(numbers.tolist(), *sums.tolist(), strict=True):
        if not times:
            continue
        kind, key = _named(number, names)
        # Of a session in which no fingers were apart, nothing is kept of that.
        tried = of_all[number % RANGE] if kind == "apart" else tried
        yield Wrong(kind, key, times, tried, weight_us(kind, sum_us))


def _named(number: int, names: Mapping[int, str]) -> tuple[WorkKind, WorkKey]:
    """What a number says."""
    kind, what = divmod(number, RANGE)
    if not kind:
        return ("stray" if what < CHANGES else "movement"), _what(what, names)
    name = RANGES[kind - 1]
    if name == "pairs":
        return name, (bool(what % 2), what // 2 / THOUSANDTHS)
    if what >= CHANGES:
        raise ValueError("no change")
    return name, divmod(what, len(NOTES))


def _what(number: int, names: Mapping[int, str]) -> What:
    name, to_note = divmod(number - CHANGES, len(NOTES))
    if number < CHANGES:
        return divmod(number, len(NOTES))
    if name not in names:
        raise ValueError("no name")
    return names[name], to_note
