"""How fast a movement is played as a whole, and which of its notes are too short or too long for that.

A tempo is one number: 0 is skilled playing, 1 a learner's; each role's range moves between the two with it, by the
same factor for each step. Each note says at which tempo it is in the middle of its range; the movement's is the middle
one of these, so that one note that is out of place does not decide it.
"""

import math
from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

from fingering.movements import Role

# A master's grace note lasts 20 ms, a learner's that stands alone 200 ms (from memory).
FASTEST, SLOWEST = -0.25, 1.5
# The ranges are to start from: what is shorter is so by more than fingers scatter, and no master plays it; what is
# longer is so by a fifth.
SCATTER_US = 3_000
LONGER = 1.2
# Two notes that are so far apart have no one tempo.
CONTRADICTING = 0.75
# A range that is so many times as wide says nothing of the tempo.
WIDE = 4.0


class MeasuredNote(NamedTuple):
    """A note of a movement: its place in the form, its role and how long it sounds, give or take `unsure_us`."""

    place: int
    role: Role
    length_us: int
    unsure_us: float = 0.0

    @property
    def tempo(self) -> float:
        """The tempo at which it lies in the middle of its range."""
        skilled, learner = _middle_us(self.role.skilled), _middle_us(self.role.learner)
        return math.log(max(self.length_us, 1) / skilled) / math.log(learner / skilled)

    def outside(self, tempo: float) -> int:
        """Whether it lies outside its range at a tempo: -1 too short, 1 too long, 0 neither."""
        shortest_us, longest_us = range_us(self.role, tempo)
        if self.length_us + self.unsure_us < shortest_us:
            return -1
        return int(self.length_us - self.unsure_us > longest_us)


def range_us(role: Role, tempo: float) -> tuple[float, float]:
    """The shortest and the longest that a note of a role sounds at a tempo; what may be held is held at any."""
    (shortest, longest), (least, _) = (_ends_us(role, one) for one in (tempo, FASTEST))
    if _is_wide(role):
        longest = max(longest, 1_000 * role.learner[1])
    return max(shortest - SCATTER_US, least), longest * LONGER


def _ends_us(role: Role, tempo: float) -> tuple[float, float]:
    """The ends of the range of a role, moved to a tempo."""
    shortest, longest = (1_000 * a * (b / a) ** tempo for a, b in zip(role.skilled, role.learner, strict=True))
    return shortest, longest


def usual_length_us(role: Role) -> float:
    """The length of a note of a role in the middle of its ranges, skilled and a learner's."""
    return math.sqrt(_middle_us(role.skilled) * _middle_us(role.learner))


def tempo_of(notes: Sequence[MeasuredNote]) -> float:
    """The tempo of a movement, from its notes."""
    tempos = sorted(note.tempo for note in notes if not _is_wide(note.role))
    if len(tempos) == 2:
        # They may contradict each other: then the one that is nearer to how people play.
        tempo = min(tempos, key=_unusual) if tempos[1] - tempos[0] > CONTRADICTING else sum(tempos) / 2
    else:
        tempo = median(tempos) if tempos else _BETWEEN
    return min(max(tempo, FASTEST), SLOWEST)


def tempo_ratio(notes: Sequence[MeasuredNote]) -> float | None:
    """How the lengths stand to those in the middle of the skilled ranges, as a factor; None where nothing says it."""
    ratios = [note.length_us / _middle_us(note.role.skilled) for note in notes if not _is_wide(note.role)]
    return round(median(ratios), 2) if ratios else None


_BETWEEN = 0.5


def _unusual(tempo: float) -> float:
    """How far a tempo lies from those between skilled playing and a learner's."""
    return max(-tempo, tempo - 1, 0.0)


def _middle_us(ends_ms: tuple[float, float]) -> float:
    return 1_000 * math.sqrt(ends_ms[0] * ends_ms[1])


def _is_wide(role: Role) -> bool:
    return role.skilled[1] >= WIDE * role.skilled[0]
