"""Notes that sounded one after the other, as a tree, each with what explains those between the first and the last.

Question: another note sounded before some others; what may all of them be now? Reading goes back from a melody note to
each that may have come before it, one sound after the other, and mostly the same few notes come again and again. So a
row of notes is one step from the row without its first, and whatever hangs on notes alone is worked out once.
"""

from functools import lru_cache

from fingering.movements import Repertoire
from fingerlead.reading.between import Explanation, explanations
from fingerlead.reading.costs import Tariff
from fingerlead.reading.music import NO_NOTE

# How many rows are kept.
MOST_SOUNDED = 1 << 14


class SoundedNotes(dict[int, "SoundedNotes"]):
    """Notes that sounded one after the other, from a melody note to another; under each note, it and these after it.

    `ways` explain the `sounds` between the two `ends` where some finger moves more often than it need; `bounces` are
    the places among them where one of the two itself sounds. `extra` is the price of them as notes too many; they never
    cost less than `least`. `is_off`: hands off is at one of the ends, and they are priced otherwise.
    """

    __slots__ = ("_shelf", "bounces", "ends", "extra", "is_off", "least", "notes", "sounds", "ways")

    def __init__(self, shelf: "_Shelf", notes: tuple[int, ...]) -> None:
        super().__init__()
        self._shelf, self.notes = shelf, notes
        self.ends, self.sounds = (notes[0], notes[-1]), notes[1:-1]
        self.is_off = NO_NOTE in self.ends
        self.ways: tuple[Explanation, ...] = ()
        if self.sounds and not self.is_off:
            self.ways = explanations(*self.ends, self.sounds, True, shelf.costs, shelf.known)
        self.bounces = [place for place, note in enumerate(self.sounds) if note in self.ends]
        self.extra = shelf.costs.extra * len(self.sounds)
        self.least = 0 if self.is_off else min([self.extra, *[one.cost for one in self.ways[:1]]])

    def __missing__(self, note: int) -> "SoundedNotes":
        self._shelf.make_room()
        longer = self[note] = SoundedNotes(self._shelf, (note, *self.notes))
        return longer


class _Shelf:
    """All notes that sounded one after the other, by the last: as many as there is room for."""

    def __init__(self, costs: Tariff, known: Repertoire) -> None:
        self.costs, self.known, self._count = costs, known, 0
        self.last = tuple(SoundedNotes(self, (note,)) for note in range(NO_NOTE + 1))

    def make_room(self) -> None:
        """Another will be put on it."""
        self._count += 1
        if self._count > MOST_SOUNDED:
            self._count = 0
            for one in self.last:
                one.clear()


@lru_cache(maxsize=8)
def single_notes(costs: Tariff, known: Repertoire) -> tuple[SoundedNotes, ...]:
    """Each note with nothing before it yet, and hands off: where the trees begin."""
    return _Shelf(costs, known).last
