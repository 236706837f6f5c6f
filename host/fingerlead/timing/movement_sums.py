"""How written movements went: on each melody note how many were as written, and what was not, over some playing.

What can be read in two ways, or was lost, is in no count, and neither is what the session does not judge.
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from fingering.notes import NOTES
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.fault_words import NotAsWritten, not_as_written
from fingerlead.timing.movement_beats import placed_movements
from fingerlead.timing.results import MovementVerdict, PlayedMovement

# The name of a movement, and the melody note that it leads to.
MovementOn = tuple[str, int]
# What a written movement that counts comes to.
COUNTED: tuple[MovementVerdict, ...] = ("as written", "faulty", "left out", "another")


@dataclass(slots=True)
class MovementSummary:
    """One written movement on one melody note: how often each verdict was given, and how often each thing was wrong.

    One that is played may have several faults.
    """

    name: str
    to_note: int
    verdicts: Counter[MovementVerdict] = field(default_factory=Counter)
    faults: Counter[NotAsWritten] = field(default_factory=Counter)

    @property
    def title(self) -> str:
        """What it is called, without a capital: `taorluath on low A`."""
        return movement_title((self.name, self.to_note))

    @property
    def count(self) -> int:
        """How many were asked for."""
        return self.verdicts.total()

    @property
    def wrong(self) -> int:
        """How many of them were not as written."""
        return self.count - self.verdicts["as written"]

    def add(self, other: "MovementSummary") -> None:
        """Take in more playing of the same."""
        self.verdicts += other.verdicts
        self.faults += other.faults


def movement_title(on: MovementOn) -> str:
    """What a movement on a melody note is called, without a capital."""
    name, to_note = on
    return f"{name} on {NOTES[to_note]}"


def movement_sums(analysis: Analysis) -> list[MovementSummary]:
    """How each movement that a session asks for went, in order of name and note."""
    found: dict[MovementOn, MovementSummary] = {}
    for movement in counted_movements(analysis):
        key = movement.written or "", movement.to_note
        of = found.setdefault(key, MovementSummary(*key))
        of.verdicts[movement.verdict] += 1
        of.faults.update(dict.fromkeys(not_as_written(movement), 1))
    return [found[key] for key in sorted(found)]


def counted_movements(analysis: Analysis) -> Iterator[PlayedMovement]:
    """The movements of a session that count, in order: written, judged, and read without doubt."""
    starts_us = [music.start_us for music in analysis.musics]
    for movement in placed_movements(analysis):
        music = bisect_right(starts_us, movement.start_us) - 1
        judged = music < 0 or analysis.musics[music].asked.judged
        if judged and movement.written is not None and movement.verdict in COUNTED:
            yield movement


def movements_together(sums: Iterable[MovementSummary]) -> dict[MovementOn, MovementSummary]:
    """How movements went in several sessions, by name and note."""
    found: dict[MovementOn, MovementSummary] = {}
    for each in sums:
        key = each.name, each.to_note
        found.setdefault(key, MovementSummary(*key)).add(each)
    return found
