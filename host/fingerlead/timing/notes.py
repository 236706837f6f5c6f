"""What the reading says of the notes of a tail, in columns: between the arrays around it and the lists that it reads.

The walks to stretches that stand as they are, whatever comes next, are kept from one look at the tail to the next.
"""

from dataclasses import dataclass, field
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from fingering.movements import Repertoire
from fingerlead.reading.between import STANDARD, Kind
from fingerlead.reading.music import ANY, Music
from fingerlead.reading.pricing import DoubtKind, Gap, Stretches
from fingerlead.reading.reading import NoteReader
from fingerlead.reading.walks import Row, let_go
from fingerlead.timing.edge_errors import EdgeErrors
from fingerlead.timing.results import Settings
from fingerlead.timing.segment import HeldNotes, Indices
from fingerlead.timing.timeline import Geometry, by_finger

KINDS: tuple[Kind, ...] = ("direct", "strays", "movement", "extra")
DIRECT, STRAYS, MOVEMENT, EXTRA = range(len(KINDS))
DOUBTS: tuple[DoubtKind | None, ...] = (None, "perhaps", "unclear")
_, PERHAPS, UNCLEAR = range(len(DOUBTS))
_KIND_CODES = {kind: code for code, kind in enumerate(KINDS)}
_DOUBT_CODES = {doubt: code for code, doubt in enumerate(DOUBTS)}


@dataclass(frozen=True, slots=True)
class Rules:
    """All that decides besides the edges; `errors` are those of their times, `known` the movements that there are.

    `doubts` is int64[k, 2]: the uncertain spans, ends included.
    """

    settings: Settings
    geometry: Geometry
    errors: EdgeErrors
    doubts: NDArray[np.int64]
    musics: tuple[Music, ...] = ()
    known: Repertoire = STANDARD


@dataclass(slots=True)
class Progression:
    """Where the measuring stands: the next part's first edge, and how many stretches and changes lie before it.

    Where stretches lie before it, the next part begins with the last note of the one before. `rows` is what was read of
    the tail so far; measuring it again adds to that.
    """

    edge: int = 0
    stretches: int = 0
    changes: int = 0
    rows: list[Row] = field(default_factory=list)
    doubt: DoubtKind | None = None  # about the change after it


@dataclass(slots=True)
class ReadNotes:
    """The melody notes of a tail and what lies between neighbours that no hands off part, each in order.

    Per melody note: `at`, which of the stretches it is, `music`, the number of the one that it stands in, and `place`
    int32[notes, 3] as in a part. Per gap: `kind` and `doubt`; `embellished` are those in which a movement sounds or
    grace notes are written. `gaps` are these, and whatever may hold a note too many, by number. `count` stretches were
    read. `settled` is the last melody note where the reading is not final.
    """

    at: Indices
    music: NDArray[np.int64]
    place: NDArray[np.int32]
    kind: NDArray[np.uint8]
    doubt: NDArray[np.uint8]
    gaps: dict[int, Gap]
    embellished: Indices
    count: int
    settled: int | None
    doubt_after: DoubtKind | None


def read_notes(
    stretches: HeldNotes,
    edge_us: NDArray[np.int64],
    covered: NDArray[np.uint8],
    rules: Rules,
    place: Progression,
    *,
    final: bool,
    sure_us: int | None = None,
) -> ReadNotes | None:
    """Read the stretches of a tail as far as that is settled (all of them, where `final`); None where nothing is."""
    settings = rules.settings
    # What the last solid stretch of the tail will have been is known when the next one has come.
    closed = max(_closed(stretches, settings, sure_us), len(place.rows))
    if len(stretches) <= closed and not final:
        return None  # less than was read of it before
    count = len(stretches) if final else closed
    lists = _as_lists(stretches, edge_us, covered, count, settings.bounce_us, rules.geometry)
    read = NoteReader(
        lists,
        settings.heard_us,
        rules.musics,
        place.rows,
        closed=closed,
        number=place.stretches,
        final=final,
        known=rules.known,
    ).read()
    melody, gaps, settled = read.melody, read.gaps, None
    if not final:
        if read.settled is None:
            return None
        melody = melody[: read.settled + 1]
        settled = melody[-1].at
        if stretches.begin[settled] == 0:
            return None
        gaps = [gap for gap in gaps if gap.last <= settled]
        let_go(place.rows, settled)
    if gaps and place.doubt:
        gaps[0].doubt = "unclear" if "unclear" in (place.doubt, gaps[0].doubt) else place.doubt
    rows = np.fromiter(chain.from_iterable(melody), dtype=np.int64, count=4 * len(melody)).reshape(-1, 4)
    at, music, _, _ = rows.T
    known = np.array([one.is_known for one in (*rules.musics, ANY)], dtype=np.bool_)[music]
    kind = np.fromiter((_KIND_CODES[gap.why.kind] for gap in gaps), dtype=np.uint8, count=len(gaps))
    graced = np.fromiter((bool(gap.graces) for gap in gaps), dtype=np.bool_, count=len(gaps))
    worth_keeping = (kind > (DIRECT if rules.musics else STRAYS)) | graced
    return ReadNotes(
        at=at.astype(np.intp),
        music=music,
        place=np.column_stack((np.where(known, music, -1), rows[:, 2:])).astype(np.int32),
        kind=kind,
        doubt=np.fromiter((_DOUBT_CODES[gap.doubt] for gap in gaps), dtype=np.uint8, count=len(gaps)),
        gaps={number: gaps[number] for number in worth_keeping.nonzero()[0].tolist()},
        embellished=((kind == MOVEMENT) | graced).nonzero()[0],
        count=count,
        settled=settled,
        doubt_after=read.doubt_after,
    )


def _closed(stretches: HeldNotes, settings: Settings, sure_us: int | None) -> int:
    """How many of the stretches stand as they are, whatever comes next: those before the last solid one but one.

    Of those that end by `sure_us`.
    """
    ended = stretches.end_us[:-1] if sure_us is None else stretches.end_us[:-1][stretches.end_us[:-1] <= sure_us]
    solid = (ended - stretches.start_us[: len(ended)] >= settings.bounce_us).nonzero()[0]
    return int(solid[-1]) if solid.size else 0


def _lasting_moves(
    edge_us: NDArray[np.int64], covered: NDArray[np.uint8], bounce_us: int
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """How many fingers move at each edge, and how many of them close, those left out that come back in `bounce_us`."""
    toggled = covered ^ np.concatenate((covered[:1], covered[:-1]))
    finger, at = by_finger(toggled)
    if not at.size:
        return np.zeros(len(covered), dtype=np.intp), np.zeros(len(covered), dtype=np.intp)
    # Of moves that follow one another so closely only the last counts, and none where they cancel out.
    is_last = (finger[1:] != finger[:-1]) | (edge_us[at[1:]] - edge_us[at[:-1]] >= bounce_us)
    ends = np.append(is_last.nonzero()[0], len(at) - 1)
    counts = ends[np.diff(ends, prepend=-1) % 2 == 1]
    closes = covered[at[counts]] >> finger[counts] & 1 != 0
    return np.bincount(at[counts], minlength=len(covered)), np.bincount(at[counts[closes]], minlength=len(covered))


def _as_lists(
    stretches: HeldNotes,
    edge_us: NDArray[np.int64],
    covered: NDArray[np.uint8],
    count: int,
    bounce_us: int,
    geometry: Geometry,
) -> Stretches:
    """The first `count` stretches as the reader takes them."""
    moves, closings = (np.cumsum(each, dtype=np.int32) for each in _lasting_moves(edge_us, covered, bounce_us))
    still_us = np.maximum.reduceat(edge_us[1:] - edge_us[:-1], stretches.begin)[:count]
    s = stretches
    note, mask, start_us, first, last, begin = (
        column[:count] for column in (s.note, s.mask, s.start_us, s.first, s.last, s.begin)
    )
    return Stretches(
        note=note.tolist(),
        start_us=start_us.tolist(),
        length_us=(s.end_us[:count] - start_us).tolist(),
        mask=mask.tolist(),
        reached=moves.take(first).tolist(),
        left=moves.take(last).tolist(),
        closings=closings.take(begin).tolist(),
        openings=(moves - closings).take(begin).tolist(),
        standard=(mask == geometry.standard.take(note)).tolist(),
        still_us=still_us.tolist(),
    )
