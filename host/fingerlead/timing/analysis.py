"""A whole session analysed: arrays within, plain objects outside.

`analyse` is the batch entrance. `Analysis` holds the parts that `kernel.measure` gave, in batch or live, and
`changes_of` makes plain objects of a part.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import cached_property, lru_cache
from itertools import chain, groupby
from operator import itemgetter
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from fingering.movements import Repertoire
from fingering.table import Table
from fingerlead.reading.asked import Clicks
from fingerlead.reading.between import STANDARD
from fingerlead.reading.music import Music
from fingerlead.timing import collector, timeline
from fingerlead.timing.correction import corrected, doubts_in_reach, reach_us
from fingerlead.timing.edge_errors import errors_for
from fingerlead.timing.kernel import LISTS, Part, measure_in_pieces, nothing
from fingerlead.timing.movement_tempo import AROUND
from fingerlead.timing.movement_verdicts import judge_movements
from fingerlead.timing.notes import Rules
from fingerlead.timing.results import (
    PLAIN,
    UNPLAIN,
    Change,
    ExtraNote,
    FingerTime,
    Held,
    Motion,
    Moved,
    PlayedMovement,
    Settings,
    Slip,
    Stray,
    Timing,
    Verdict,
    Way,
    WrittenAt,
)
from fingerlead.timing.timeline import POPCOUNT, geometry_of
from fingerlead.wire.events import NO_SLOPES, Doubt, Record, Slopes

_Thing = TypeVar("_Thing")
# In the order of the codes of `measure`.
VERDICTS: tuple[Verdict, ...] = (*PLAIN, *UNPLAIN)
TOO_CLOSE = "too close to call: the first two fingers came nearer together than the timing uncertainty"
REASONS: dict[Verdict, str] = {
    "uncertain": "frames were lost, the chanter was away or reported a bad sensor meanwhile",
    "unclear": "what sounded about it can be read in two ways",
    "perhaps": "a note beside it was so short that it may be a slow stray, or may be meant",
    "extra": "a note sounded in it that its fingers do not sound by moving apart",
    "embellished": "an embellishment or a grace note was played in it",
}
# By those codes, and at the end of a plain change whose lead is too close to call.
_BECAUSE = (*map(REASONS.get, VERDICTS), TOO_CLOSE)
WAYS: tuple[Way, Way] = ("one-way", "crossing")
MOTIONS: tuple[Motion, Motion] = ("lower", "lift")


def finger_offsets(part: Part) -> NDArray[np.int64]:
    """Where each change's fingers begin in `finger_us`, and their end: int64[changes + 1]."""
    return np.concatenate(([0], np.cumsum(POPCOUNT[part.from_mask ^ part.to_mask], dtype=np.int64)))


def changes_of(
    part: Part,
    settings: Settings,
    edge_us: NDArray[np.int64],
    covered: NDArray[np.uint8],
    changes_before: int = 0,
    edges_before: int = 0,
) -> Iterator[Change]:
    """The changes of a part as plain objects, counted on from `changes_before`.

    `edge_us` and `covered` are the timeline's from edge number `edges_before` on.
    """
    p = part
    numbers = range(changes_before, changes_before + len(p.change_us))
    stray_rows = (p.stray_note, p.stray_mask, p.stray_start_us, p.stray_us, p.stray_heard)
    strays = _by_change(p.stray_change, map(Stray._make, _rows(*stray_rows)))
    slips = _by_change(p.slip_change, map(Slip._make, _rows(p.slip_finger, p.slip_start_us, p.slip_us)))
    crosses = (p.from_mask & ~p.to_mask != 0) & (p.to_mask & ~p.from_mask != 0)
    offsets = finger_offsets(p)
    too_close = p.plain & (p.lead < 0) & (offsets[1:] - offsets[:-1] > 1) & (p.verdict < len(PLAIN))
    edges = list(zip(edge_us.tolist(), covered.tolist(), strict=False))
    yield from map(
        Change._make,
        zip(
            numbers,
            *(column.tolist() for column in (p.from_note, p.to_note, p.from_mask, p.to_mask)),
            p.change_us.tolist(),
            (p.change_us + p.spread_us).tolist(),
            map(WAYS.__getitem__, crosses.tolist()),
            (None if lead < 0 else lead for lead in p.lead.tolist()),
            p.spread_us.tolist(),
            _groups(_fingers(p), offsets[:-1], offsets[1:]),
            (strays.get(number, ()) for number in numbers),
            (slips.get(number, ()) for number in numbers),
            map(VERDICTS.__getitem__, p.verdict.tolist()),
            map(_BECAUSE.__getitem__, np.where(too_close, len(VERDICTS), p.verdict).tolist()),
            _groups(edges, p.first - edges_before, p.last - edges_before + 1),
            p.stage_us.tolist(),
            p.judged.tolist(),
            strict=True,
        ),
    )


def _by_change(change: NDArray[np.int32], things: Iterable[_Thing]) -> dict[int, tuple[_Thing, ...]]:
    """Things in order by the number of the change that each is in."""
    groups = groupby(zip(change.tolist(), things, strict=True), key=itemgetter(0))
    return {number: tuple([thing for _, thing in group]) for number, group in groups}


def _groups(things: list[_Thing], begin: NDArray[Any], stop: NDArray[Any]) -> Iterator[tuple[_Thing, ...]]:
    """The things of each half-open range."""
    return (tuple(things[a:b]) for a, b in _rows(begin, stop))


def _fingers(part: Part) -> list[FingerTime]:
    """The fingers of all changes, one change after the other, those of a change in order of time."""
    change, finger = np.unpackbits((part.from_mask ^ part.to_mask)[:, None], axis=1, bitorder="little").nonzero()
    order = np.lexsort((finger, part.finger_us, change))
    lifts = part.from_mask[change] >> finger & 1
    motions = map(MOTIONS.__getitem__, lifts[order].tolist())
    times = (column[order].tolist() for column in (part.finger_us, part.unsure_us, part.common_us))
    return list(map(FingerTime._make, zip(finger[order].tolist(), motions, *times, strict=True)))


def _rows(*columns: NDArray[Any]) -> Iterator[tuple[Any, ...]]:
    return zip(*(column.tolist() for column in columns), strict=True)


@dataclass
class Analysis:
    """The melody notes, how each change went, and which movements were played; see `results` for the objects.

    `edge_us`, `covered` and `slopes` are the record's, each edge at its seal where that can be told.
    """

    record: Record
    settings: Settings
    timing: Timing
    table: Table
    edge_us: NDArray[np.int64]
    covered: NDArray[np.uint8]
    parts: list[Part]
    musics: tuple[Music, ...] = ()
    slopes: Slopes = NO_SLOPES
    music_problem: str = ""  # one sentence, where music was there and cannot be read
    known: Repertoire = STANDARD  # the movements that it was read with
    clicks: tuple[Clicks, ...] = ()  # of a metronome that was heard meanwhile
    # What need not be worked out twice.
    worked_out: dict[Any, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    @cached_property
    def arrays(self) -> Part:
        """All parts as one."""
        if not self.parts:
            return nothing()
        if len(self.parts) == 1:
            return self.parts[0]
        columns: dict[str, Any] = {}
        for column in fields(Part):
            pieces = [getattr(part, column.name) for part in self.parts]
            columns[column.name] = list(chain.from_iterable(pieces)) if column.name in LISTS else np.concatenate(pieces)
        return Part(**columns)

    @cached_property
    def held(self) -> list[Held]:
        """The held notes, in order."""
        a, judge = self.arrays, lru_cache(maxsize=None)(self.table.verdict)
        masks = a.mask.tolist()
        verdicts = [judge(mask, tuple(masks[max(i - 1, 0) : i + 2])) for i, mask in enumerate(masks)]
        return [
            Held(
                note,
                mask,
                start_us,
                end_us,
                verdict.fingering,
                verdict.wrong_fingers,
                WrittenAt(music, done - 1) if is_written else None,
            )
            for (note, mask, start_us, end_us, (music, done, is_written)), verdict in zip(
                _rows(a.note, a.mask, a.start_us, a.end_us, a.place), verdicts, strict=True
            )
        ]

    @cached_property
    def changes(self) -> list[Change]:
        """The changes between neighbouring held notes that differ, in order."""
        return list(changes_of(self.arrays, self.settings, self.edge_us, self.covered))

    @property
    def movements(self) -> list[PlayedMovement]:
        """The movements played, in order."""
        return self.arrays.movements

    @property
    def extras(self) -> list[ExtraNote]:
        """The notes too many between melody notes, where the music is known, in order."""
        return self.arrays.extras

    @property
    def off(self) -> list[tuple[int, int]]:
        """When the hands were off, in order."""
        return self.arrays.off

    @property
    def moved(self) -> Moved:
        """Which moves of fingers were moved to the seal."""
        moves = int(POPCOUNT[self.covered[1:] ^ self.covered[:-1]].sum())
        told = int((self.slopes.rise_raw > 0).sum()) if reach_us(self.timing) else 0
        return Moved(min(told, moves), moves)

    @property
    def doubts(self) -> list[Doubt]:
        """The spans in which frames were lost, the chanter was away or reported a bad sensor."""
        return doubts_in_reach(self.record.doubts, self.timing)


@collector.put_off()
def analyse(
    record: Record,
    table: Table,
    timing: Timing,
    settings: Settings = Settings(),
    musics: Sequence[Music] = (),
    music_problem: str = "",
    known: Repertoire = STANDARD,
    clicks: tuple[Clicks, ...] = (),
) -> Analysis:
    """Analyse everything a record holds, against the musics that were asked for, in order of time.

    `known` are the movements that there are, `clicks` those of a metronome.
    """
    edge_us, covered, slopes = corrected(
        *timeline.edges(record.t_us, record.covered, record.end_us), record.slopes, timing
    )
    doubts = doubt_spans(doubts_in_reach(record.doubts, timing))
    rules = Rules(settings, geometry_of(table), errors_for(timing, slopes), doubts, tuple(musics), known)
    parts = list(measure_in_pieces(edge_us, covered, rules))
    before: list[PlayedMovement] = []
    for part in parts:
        judge_movements(part, edge_us, covered, rules, before=before)
        before = [*before, *part.movements][-AROUND:]
    timing = with_largest(timing, max((part.largest_us for part in parts), default=0))
    return Analysis(
        record, settings, timing, table, edge_us, covered, parts, tuple(musics), slopes, music_problem, known, clicks
    )


def with_largest(timing: Timing, largest_us: int) -> Timing:
    """The timing with the uncertainty of the least certain finger so far (0 before any), where each has its own."""
    return replace(timing, uncertainty_us=largest_us) if timing.budget is not None and largest_us else timing


def doubt_spans(doubts: list[Doubt]) -> NDArray[np.int64]:
    """The uncertain spans as int64[k, 2]."""
    return np.array([(doubt.start_us, doubt.end_us) for doubt in doubts], dtype=np.int64).reshape(-1, 2)
