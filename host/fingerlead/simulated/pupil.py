"""The simulated pupil: how steady each finger is, and its habits. Times in µs, chances from 0 to 1."""

from dataclasses import dataclass

from fingering.holes import HOLES, fingers_of
from fingering.notes import NOTES, SOUNDING
from fingering.table import standard_table
from fingerlead.simulated.motion import QUICKEST_US, SLOWEST_US, TRAVEL_US
from fingerlead.simulated.performance import Motion

# The masks of the nine notes by the chart, low G first.
STANDARD: tuple[int, ...] = standard_table().standard

# Human scatter: the bottom ring and little fingers are the least steady (from memory: fingers of one hand move
# the less independently the further they are from the index).
HUMAN_SCATTER_US = (7_000, 6_000, 7_000, 9_000, 7_000, 8_000, 11_000, 12_000)


@dataclass(frozen=True, slots=True)
class Habit:
    """A finger that comes early (`by_us` < 0) or late in some changes, most of the time.

    None for a note or for the motion means any. `favour` is how many times as often a random script takes this change.
    """

    finger: int
    by_us: int
    from_note: int | None = None
    to_note: int | None = None
    motion: Motion | None = None
    chance: float = 1.0
    favour: float = 1.0

    def fits(self, finger: int, from_note: int, to_note: int, motion: Motion) -> bool:
        """Whether this finger's move in this change is one that the habit bends."""
        return (
            finger == self.finger
            and self.from_note in (None, from_note)
            and self.to_note in (None, to_note)
            and self.motion in (None, motion)
        )


@dataclass(frozen=True, slots=True)
class WrongFinger:
    """A finger left down, or up, on a note: a false fingering that still sounds it."""

    note: int
    finger: int
    chance: float


@dataclass(frozen=True, slots=True)
class SimulatedPupil:
    """A player.

    Each finger of a change moves at a normally distributed time (`scatter_us`, standard deviation, clipped at three)
    about the change. `care_us` is how long the pupil opens the note to come before closing the note that is left
    (common practice, no source): the topmost finger that lifts goes that much before the rest on the way up, the
    topmost one that lowers that much after the rest on the way down. A finger takes
    `travel_us` for its whole way.
    """

    name: str = "pupil"
    scatter_us: tuple[int, ...] = HUMAN_SCATTER_US
    care_us: int = 0
    travel_us: int = TRAVEL_US
    hold_us: tuple[int, int] = (250_000, 900_000)
    weights: tuple[float, ...] = (1.0,) * len(NOTES)
    tune: tuple[int, ...] = ()
    habits: tuple[Habit, ...] = ()
    wrong_fingers: tuple[WrongFinger, ...] = ()
    graces: float = 0.0
    slips: float = 0.0
    trembles: float = 0.0
    slow: float = 0.0
    slow_us: tuple[int, int] = (60_000, 150_000)


def troublesome(from_mask: int, to_mask: int) -> list[tuple[int, Motion, int]]:
    """The (finger, motion, ±1) of a change that, first (−1) or last (+1) of all, sound a third note meanwhile."""
    ends = (SOUNDING[from_mask], SOUNDING[to_mask])
    out: list[tuple[int, Motion, int]] = []
    moving = from_mask ^ to_mask
    for finger in fingers_of(moving):
        bit = 1 << finger
        motion: Motion = "lift" if from_mask & bit else "lower"
        if moving == bit:
            continue
        if SOUNDING[from_mask ^ bit] not in ends:
            out.append((finger, motion, -1))
        if SOUNDING[to_mask ^ bit] not in ends:
            out.append((finger, motion, 1))
    return out


def check(pupil: SimulatedPupil) -> None:
    """Raise ValueError where a pupil cannot be played."""
    if len(pupil.scatter_us) != HOLES or len(pupil.weights) != len(NOTES):
        raise ValueError(f"expected {HOLES} scatters and {len(NOTES)} weights")
    if not 0 < pupil.hold_us[0] <= pupil.hold_us[1]:
        raise ValueError(f"expected hold times above 0, the shorter first; got {pupil.hold_us}")
    if not QUICKEST_US <= pupil.travel_us <= SLOWEST_US:
        raise ValueError(f"expected a travel from {QUICKEST_US} to {SLOWEST_US} µs; got {pupil.travel_us}")
    if sum(weight > 0 for weight in pupil.weights) < 2:
        raise ValueError("expected at least two notes with a weight above 0")
