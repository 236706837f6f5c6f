"""How fast a movement is played as a whole, and which of its notes are too short or too long for that.

A tempo is one number: 0 is skilled playing, 1 a learner's; each role's range moves between the two with it, by the
same factor for each step. Each note says at which tempo it is in the middle of its range; the movement's is the middle
one of these, so that one note that is out of place does not decide it.

Beside a movement's own notes the playing before it says so: its pace, the middle tempo of the notes of the last
movements. A movement as a whole may be slower or quicker than that; a note on its own is not quicker than skilled
playing where the playing around it is not.
"""

import math
from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

from fingering.movements import Role
from fingerlead.timing.results import PlayedMovement

# A master's grace note lasts 20 ms, a learner's that stands alone 200 ms (from memory).
FASTEST, SLOWEST = -0.25, 1.5
# The ranges are to start from: what is shorter is so by more than fingers scatter, and no master plays it; what is
# longer is so by a fifth.
SCATTER_US = 3_000
LONGER = 1.2
# Two notes that are so far apart have no one tempo. The one that is so much nearer to the pace has it, or the other,
# where one is so much quicker than a master's.
CONTRADICTING = 0.75
CLEARLY = 0.25
# A range that is so many times as wide says nothing of the tempo.
WIDE = 4.0
# The pace is that of so many movements before, begun no longer ago; of so many notes of theirs at least.
AROUND = 8
AROUND_US = 60_000_000
FEWEST_AROUND = 8
# By so much more than fingers scatter a note alone is quicker than the pace.
QUICKER_US = 1_000


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

    def outside(self, tempo: float, pace: float | None = None) -> int:
        """Whether it lies outside its range at a tempo: -1 too short, 1 too long, 0 neither."""
        shortest_us, longest_us = range_us(self.role, tempo, pace)
        if self.length_us + self.unsure_us < shortest_us:
            return -1
        return int(self.length_us - self.unsure_us > longest_us)


def range_us(role: Role, tempo: float, pace: float | None = None) -> tuple[float, float]:
    """The shortest and the longest that a note of a role sounds at a tempo; what may be held is held at any.

    Quicker than skilled playing is right only where the pace around it is.
    """
    (shortest, longest), (least, _) = (_ends_us(role, one) for one in (tempo, FASTEST))
    if _is_wide(role):
        longest = max(longest, 1_000 * role.learner[1])
    if pace is not None:
        least = max(least, min(_ends_us(role, pace)[0] - QUICKER_US, 1_000 * role.skilled[0]))
    return max(shortest - SCATTER_US, least), longest * LONGER


def _ends_us(role: Role, tempo: float) -> tuple[float, float]:
    """The ends of the range of a role, moved to a tempo."""
    shortest, longest = (1_000 * a * (b / a) ** tempo for a, b in zip(role.skilled, role.learner, strict=True))
    return shortest, longest


def usual_length_us(role: Role, pace: float | None = None) -> float:
    """The length of a note in the middle of its role's range, at a pace or between skilled playing and a learner's."""
    skilled, learner = _middle_us(role.skilled), _middle_us(role.learner)
    return skilled * math.pow(learner / skilled, _BETWEEN if pace is None else pace)


def tempo_around(notes: Sequence[MeasuredNote], pace: float) -> float:
    """The tempo of a movement, from its notes and the pace around it, which counts as one note of two, as two of more.

    So the others outvote it where they agree.
    """
    tempos = [note.tempo for note in notes if not _is_wide(note.role)]
    return _within(median([*tempos, *[pace] * max(min(len(tempos) - 1, 2), not tempos)]))


def tempos_of(notes: Sequence[MeasuredNote], pace: float | None = None) -> list[float]:
    """The tempo of a movement, from its notes; both where two contradict each other and nothing says which is right."""
    tempos = sorted(note.tempo for note in notes if not _is_wide(note.role))
    if len(tempos) == 2 and tempos[1] - tempos[0] > CONTRADICTING:
        if tempos[0] < FASTEST - CLEARLY:
            del tempos[0]
        elif pace is not None:
            near, far = sorted(tempos, key=lambda tempo: abs(tempo - pace))
            tempos = [near] if abs(far - pace) - abs(near - pace) >= CLEARLY else tempos
    else:
        tempos = [median(tempos) if tempos else _BETWEEN if pace is None else pace]
    return [_within(tempo) for tempo in tempos]


def pace_before(movement: PlayedMovement, before: Sequence[PlayedMovement]) -> float | None:
    """The pace before a movement; None where the last of those before it do not tell one. `before` is in order."""
    tempos = [
        tempo for one in before[-AROUND:] if movement.start_us - one.start_us <= AROUND_US for tempo in one.tempos
    ]
    return _within(median(tempos)) if len(tempos) >= FEWEST_AROUND else None


def note_tempos(notes: Sequence[MeasuredNote]) -> tuple[float, ...]:
    """The tempo that each note says by itself; none of what may be held, or is out of place whatever the pace."""
    tempos = [note.tempo for note in notes if not _is_wide(note.role)]
    middle = median(tempos) if len(tempos) > 2 else None
    return tuple(
        round(tempo, 2)
        for tempo in tempos
        if FASTEST - CLEARLY <= tempo <= SLOWEST + CONTRADICTING
        and (middle is None or abs(tempo - middle) <= CONTRADICTING)
    )


def tempo_ratio(notes: Sequence[MeasuredNote]) -> float | None:
    """How the lengths stand to those in the middle of the skilled ranges, as a factor; None where nothing says it."""
    ratios = [note.length_us / _middle_us(note.role.skilled) for note in notes if not _is_wide(note.role)]
    return round(median(ratios), 2) if ratios else None


_BETWEEN = 0.5


def _within(tempo: float) -> float:
    return min(max(tempo, FASTEST), SLOWEST)


def _middle_us(ends_ms: tuple[float, float]) -> float:
    return 1_000 * math.sqrt(ends_ms[0] * ends_ms[1])


def _is_wide(role: Role) -> bool:
    return role.skilled[1] >= WIDE * role.skilled[0]
