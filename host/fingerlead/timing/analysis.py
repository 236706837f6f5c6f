"""A whole session analysed: arrays within, plain objects for those who ask, and the published JSON.

`analyse` is the batch entrance; `Analysis` holds the parts that `kernel.measure` gave, in batch or live.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields
from functools import cached_property
from itertools import chain
from typing import Any, SupportsIndex, TypeVar, overload

import numpy as np
from numpy.typing import NDArray

from fingering.holes import fingers_of
from fingering.table import Table
from fingerlead.timing import timeline
from fingerlead.timing.kernel import Part, Rules, measure_in_pieces, nothing
from fingerlead.timing.results import (
    Change,
    FingeringKind,
    FingerTime,
    Held,
    Ornament,
    Settings,
    Slip,
    Stray,
    Timing,
    Verdict,
    Way,
)
from fingerlead.timing.timeline import POPCOUNT, geometry_of
from fingerlead.wire.events import Doubt, Record

# --- Changes as plain objects, read from the arrays of a part.

VERDICTS: tuple[Verdict, ...] = ("clean", "stray", "ornamented", "perhaps", "uncertain")
REASONS: dict[Verdict, str] = {
    "uncertain": "frames were lost or the chanter was away meanwhile",
    "perhaps": "a note beside it was so short that it may be a slow stray, or may be meant",
}
ORNAMENT = "an ornament or a grace note was played in it"
TOOK_NO_PART = "a finger that takes no part in it sounded"
TOO_CLOSE = "too close to call: the first two fingers came nearer together than the timing uncertainty"


def way_of(from_mask: int, to_mask: int) -> Way:
    """`one-way` where every finger that differs lifts, or every one lowers; else `crossing`."""
    lifts, lowers = from_mask & ~to_mask, to_mask & ~from_mask
    return "crossing" if lifts and lowers else "one-way"


def finger_offsets(part: Part) -> NDArray[np.int64]:
    """Where each change's fingers begin in `finger_us`, and their end: int64[changes + 1]."""
    return np.concatenate(([0], np.cumsum(POPCOUNT[part.from_mask ^ part.to_mask], dtype=np.int64)))


def reasons(part: Part) -> list[str | None]:
    """For each change why its verdict, or its missing lead, is what it is; None where it speaks for itself."""
    moved = POPCOUNT[part.from_mask ^ part.to_mask].tolist()
    slipped = set(part.slip_change.tolist())
    rows = zip(part.verdict.tolist(), part.plain.tolist(), part.lead.tolist(), moved, strict=True)
    return [
        _reason(VERDICTS[verdict], plain, lead, fingers, number in slipped)
        for number, (verdict, plain, lead, fingers) in enumerate(rows)
    ]


def _reason(verdict: Verdict, plain: bool, lead: int, fingers: int, slipped: bool) -> str | None:
    if verdict == "ornamented":
        return TOOK_NO_PART if slipped else ORNAMENT
    if verdict in REASONS:
        return REASONS[verdict]
    return TOO_CLOSE if plain and lead < 0 and fingers > 1 else None


class PartReader:
    """The changes of one part. `edge_us` and `covered` are the timeline's from edge number `edges_before` on.

    `changes_before` is the number of the part's first change.
    """

    def __init__(
        self,
        part: Part,
        settings: Settings,
        edge_us: NDArray[np.int64],
        covered: NDArray[np.uint8],
        changes_before: int = 0,
        edges_before: int = 0,
    ) -> None:
        self.part, self.settings, self.edge_us, self.covered = part, settings, edge_us, covered
        self.changes_before, self.edges_before = changes_before, edges_before
        self._offsets = finger_offsets(part)

    def __len__(self) -> int:
        return len(self.part.change_us)

    def change(self, index: int) -> Change:
        """The change at a place of the part."""
        p, number = self.part, self.changes_before + index
        start_us, spread_us = int(p.change_us[index]), int(p.spread_us[index])
        from_mask, to_mask = int(p.from_mask[index]), int(p.to_mask[index])
        moved = fingers_of(from_mask ^ to_mask)
        after = p.finger_us[self._offsets[index] : self._offsets[index + 1]].tolist()
        begin, stop = np.searchsorted(p.stray_change, (number, number + 1))
        strays = tuple(
            Stray(note, mask, at_us, us, us >= self.settings.heard_us)
            for note, mask, at_us, us in zip(
                p.stray_note[begin:stop].tolist(),
                p.stray_mask[begin:stop].tolist(),
                p.stray_start_us[begin:stop].tolist(),
                p.stray_us[begin:stop].tolist(),
                strict=True,
            )
        )
        begin, stop = np.searchsorted(p.slip_change, (number, number + 1))
        slips = tuple(
            map(
                Slip,
                p.slip_finger[begin:stop].tolist(),
                p.slip_start_us[begin:stop].tolist(),
                p.slip_us[begin:stop].tolist(),
            )
        )
        window = slice(int(p.first[index]) - self.edges_before, int(p.last[index]) - self.edges_before + 1)
        lead, verdict, plain = int(p.lead[index]), VERDICTS[p.verdict[index]], bool(p.plain[index])
        return Change(
            number=number,
            from_note=int(p.from_note[index]),
            to_note=int(p.to_note[index]),
            from_mask=from_mask,
            to_mask=to_mask,
            start_us=start_us,
            end_us=start_us + spread_us,
            way=way_of(from_mask, to_mask),
            lead=None if lead < 0 else lead,
            spread_us=spread_us,
            fingers=tuple(
                FingerTime(finger, "lift" if from_mask >> finger & 1 else "lower", after_us)
                for after_us, finger in sorted(zip(after, moved, strict=True))
            ),
            strays=strays,
            slips=slips,
            loose=bool(p.loose[index]) if plain else None,
            verdict=verdict,
            because=_reason(verdict, plain, lead, len(moved), bool(slips)),
            edges=tuple(zip(self.edge_us[window].tolist(), self.covered[window].tolist(), strict=True)),
        )


# ---

T = TypeVar("T")
Fingering = tuple[FingeringKind, tuple[int, ...]]


class View(Sequence[T]):
    """A sequence whose items are made when asked for."""

    def __init__(self, length: int, make: Callable[[int], T]) -> None:
        self._length, self._make = length, make

    def __len__(self) -> int:
        return self._length

    @overload
    def __getitem__(self, index: SupportsIndex) -> T: ...

    @overload
    def __getitem__(self, index: slice) -> list[T]: ...

    def __getitem__(self, index: Any) -> Any:
        """One item, or a list for a slice."""
        if isinstance(index, slice):
            return [self._make(i) for i in range(*index.indices(self._length))]
        if not -self._length <= index < self._length:
            raise IndexError(index)
        return self._make(int(index) % self._length)

    def __iter__(self) -> Iterator[T]:
        return map(self._make, range(self._length))


@dataclass
class Analysis:
    """What was held, how each change went, and which ornaments were played; see `results` for the objects."""

    record: Record
    settings: Settings
    timing: Timing
    table: Table
    edge_us: NDArray[np.int64]
    covered: NDArray[np.uint8]
    parts: list[Part]

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
            columns[column.name] = (
                list(chain.from_iterable(pieces)) if column.name == "ornaments" else np.concatenate(pieces)
            )
        return Part(**columns)

    @property
    def held(self) -> View[Held]:
        """The held notes, in order."""
        return View(len(self.arrays.note), self._held)

    @cached_property
    def changes(self) -> View[Change]:
        """The changes between neighbouring held notes that differ, in order."""
        reader = PartReader(self.arrays, self.settings, self.edge_us, self.covered)
        return View(len(reader), reader.change)

    @property
    def ornaments(self) -> list[Ornament]:
        """The ornaments played, in order."""
        return self.arrays.ornaments

    @property
    def doubts(self) -> list[Doubt]:
        """The spans in which frames were lost or the chanter was away."""
        return self.record.doubts

    @cached_property
    def _judged(self) -> dict[tuple[int, ...], Fingering]:
        return {}

    def fingerings(self) -> list[Fingering]:
        """For each held note its kind of fingering and the wrong fingers."""
        masks: list[int] = self.arrays.mask.tolist()
        return [self._fingering(tuple(masks[max(i - 1, 0) : i + 2]), masks[i]) for i in range(len(masks))]

    def _fingering(self, with_neighbours: tuple[int, ...], mask: int) -> Fingering:
        key = (*with_neighbours, mask)
        known = self._judged.get(key)
        if known is None:
            verdict = self.table.verdict(mask, with_neighbours)
            known = self._judged[key] = (verdict.fingering, verdict.wrong_fingers)
        return known

    def _held(self, number: int) -> Held:
        a = self.arrays
        mask = int(a.mask[number])
        around = tuple(a.mask[max(number - 1, 0) : number + 2].tolist())
        fingering, wrong = self._fingering(around, mask)
        return Held(int(a.note[number]), mask, int(a.start_us[number]), int(a.end_us[number]), fingering, wrong)


def analyse(record: Record, table: Table, timing: Timing, settings: Settings = Settings()) -> Analysis:
    """Analyse everything a record holds."""
    edge_us, covered = timeline.edges(record.t_us, record.covered, record.end_us)
    rules = Rules(settings, geometry_of(table), timing.uncertainty_us, doubt_spans(record.doubts))
    parts = list(measure_in_pieces(edge_us, covered, rules))
    return Analysis(record, settings, timing, table, edge_us, covered, parts)


def doubt_spans(doubts: list[Doubt]) -> NDArray[np.int64]:
    """The uncertain spans as int64[k, 2]."""
    return np.array([(doubt.start_us, doubt.end_us) for doubt in doubts], dtype=np.int64).reshape(-1, 2)
