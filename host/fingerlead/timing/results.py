"""What the analysis says: settings, timing, melody notes, changes, strays, slips and movements.

Notes are indices into `fingering.notes.NOTES`, fingers are holes 0 to 7, times are integer microseconds on the clock on
which the first frame is 0. These are the plain objects that faces read; the analysis itself works on arrays.
"""

from dataclasses import dataclass
from typing import Literal, NamedTuple

from fingering.movements import FaultKind
from fingering.rungs import STAGE_US
from fingerlead.timing.budget import Budget

Verdict = Literal["clean", "apart", "stray", "embellished", "extra", "perhaps", "unclear", "uncertain"]
# A change counts in statistics where it has one of the former, and is counted beside them where it has another.
PLAIN: tuple[Verdict, ...] = ("clean", "apart", "stray")
UNPLAIN: tuple[Verdict, ...] = ("embellished", "extra", "perhaps", "unclear", "uncertain")
MovementVerdict = Literal["as written", "faulty", "left out", "another", "unwritten", "unclear", "uncertain"]
Way = Literal["one-way", "crossing"]
Motion = Literal["lift", "lower"]
HeightsOf = Literal["none", "front holes", "all holes"]
FingeringKind = Literal["standard", "alternate", "grace", "false"]


@dataclass(frozen=True, slots=True)
class Settings:
    """The lengths that decide what counts as what, in microseconds."""

    steady_us: int = 40_000  # shorter is not held
    heard_us: int = 10_000  # shorter strays are not heard
    bounce_us: int = 5_000  # shorter departures of a finger are ignored
    stage_us: int = STAGE_US  # a change is together if its spread is within
    correction_us: int = 250_000  # the standard fingering settles a note if it comes within this


class KnownSkew(NamedTuple):
    """How far apart the sensors may fire, and whether that was measured, or given by the caller."""

    us: int
    how: Literal["measured", "given"] = "given"


class KnownSeal(NamedTuple):
    """That a calibration has put a chanter's levels near the seal, and how far beyond it, by hole, in raw counts.

    Empty where it is not known how far. `made` is when that calibration was, in ISO, empty where it is not known.
    `heights`: of which holes a rigid bar showed at what height they see, so that this is in it; where of all, it leaves
    `apart_mm` of what the budget assumes from rim to rim.
    """

    lift_raw: tuple[int, ...] = ()
    cover_raw: tuple[int, ...] = ()
    made: str = ""
    heights: HeightsOf = "none"
    apart_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Timing:
    """How far the finger times can be trusted.

    By `budget`, each edge has an uncertainty of its own, and `uncertainty_us` is the largest; before there are edges,
    that at the assumed pace. Without one it is that of any two fingers. `raw_bits` is what a chanter says of its
    samples, 0 where nothing. `seal` is what is known of its levels, None where nothing.
    """

    clock: Literal["chanter", "host"]
    uncertainty_us: int
    scan_us: int
    skew_us: int
    skew: Literal["measured", "assumed", "given"]
    budget: Budget | None = None
    raw_bits: int = 0
    seal: KnownSeal | None = None


class Moved(NamedTuple):
    """How many of all moves of fingers were moved to the seal by a slope of their own."""

    moves: int
    of: int

    @property
    def which(self) -> Literal["all", "with slopes", "none"]:
        """Which of them those are."""
        return "none" if not self.moves else "all" if self.moves == self.of else "with slopes"


class WrittenAt(NamedTuple):
    """Where a note is written: in which of the musics asked for, and as which of its notes, both counted from 0."""

    music: int
    number: int


class ExtraNote(NamedTuple):
    """A note that sounded between two melody notes and is neither written there nor a stray of their change."""

    note: int
    start_us: int
    duration_us: int


class Held(NamedTuple):
    """A melody note. `covered_mask` is its settled mask; `written` is None where nothing is written for it."""

    note: int
    covered_mask: int
    start_us: int
    end_us: int
    fingering: FingeringKind
    wrong_fingers: tuple[int, ...]
    written: WrittenAt | None = None


class FingerTime(NamedTuple):
    """One finger's time within a change, counted from the change's start.

    `uncertainty_us` is expanded; `common_us` is the standard uncertainty that it shares with all edges of the chanter,
    above 0 in a lift and below in a covering.
    """

    finger: int
    motion: Motion
    after_start_us: int
    uncertainty_us: int = 0
    common_us: int = 0


class Stray(NamedTuple):
    """A third note sounding inside a change."""

    note: int
    covered_mask: int
    start_us: int
    duration_us: int
    heard: bool


class Slip(NamedTuple):
    """A finger that takes no part in a change and moved all the same."""

    finger: int
    start_us: int
    duration_us: int


class Change(NamedTuple):
    """One change between two neighbouring melody notes that differ.

    It is together where `spread_us` is within `stage_us`; where not `judged`, nothing is asked for and nothing counts.
    `edges` are (time, covered mask after it) for every change of mask from the moment the first note's settled mask is
    left to the moment the second's is reached; before them `from_mask` stood. `fingers` are in order of time.
    """

    number: int
    from_note: int
    to_note: int
    from_mask: int
    to_mask: int
    start_us: int
    end_us: int
    way: Way
    lead: int | None
    spread_us: int
    fingers: tuple[FingerTime, ...]
    strays: tuple[Stray, ...]
    slips: tuple[Slip, ...]
    verdict: Verdict
    because: str | None
    edges: tuple[tuple[int, int], ...]
    stage_us: int
    judged: bool = True

    @property
    def is_plain(self) -> bool:
        """Whether it counts in statistics: read without doubt, with nothing between its notes but strays."""
        return self.judged and self.verdict in PLAIN


class MovementNote(NamedTuple):
    """One note of a movement; `written` is the note that stands there, None where it is not written."""

    note: int
    start_us: int
    duration_us: int
    written: int | None = None


class MovementFault(NamedTuple):
    """What a teacher hears in a movement, on one of its notes.

    `note` counts the notes of the movement's form (`PlayedMovement.variant`) from 0; of a note that is in none ("extra
    catch", "stray inside") it is that of the note to come, as many as there are after the last. `finger` is the one
    whose edge, put right, is proven to mend it, None where that is not proven. `size_us` is how long the note sounded,
    0 where it did not; of "early" and "late" how far it was off. `sounded` is the note that sounded where that is not
    the form's own, else None.
    """

    kind: FaultKind
    note: int
    finger: int | None
    size_us: int
    sounded: int | None = None


@dataclass(frozen=True, slots=True)
class PlayedMovement:
    """An embellishment or grace note, as played or as left out, between two melody notes.

    `written` is the name of what is written there, None where nothing is. `change` is the number of the change it
    stands in, None where its two melody notes are one and the same. `variant` is the form that it is taken for, its
    notes as ABC letters, and `tempo_ratio` how its lengths stand to those of skilled playing, as a factor; None where
    it was not played. `tempos` are those of its notes, each by itself, as `movement_tempo` has them.
    """

    name: str
    written: str | None
    from_note: int
    to_note: int
    start_us: int
    end_us: int
    notes: tuple[MovementNote, ...]
    verdict: MovementVerdict
    change: int | None
    variant: str | None = None
    tempo_ratio: float | None = None
    tempos: tuple[float, ...] = ()
    faults: tuple[MovementFault, ...] = ()
