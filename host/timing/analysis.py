"""A whole session analysed: arrays within, plain objects for those who ask, and the published JSON.

`analyse` is the batch entrance; `Analysis` holds the parts that `kernel.measure` gave, in batch or live.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from functools import cached_property
from itertools import chain
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from host.timing import timeline
from host.timing.geometry import geometry_of
from host.timing.kernel import Part, Rules, measure_in_pieces, nothing
from host.timing.reading import PartReader
from host.timing.results import Change, FingeringKind, Held, Ornament, Settings, Timing

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from fingering.table import Table
    from host.wire.record import Doubt, Record

T = TypeVar("T")
Fingering = tuple[FingeringKind, tuple[int, ...]]


class View(Sequence[T]):
    """A sequence whose items are made when asked for."""

    def __init__(self, length: int, make: Callable[[int], T]) -> None:
        self._length, self._make = length, make

    def __len__(self) -> int:
        return self._length

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
