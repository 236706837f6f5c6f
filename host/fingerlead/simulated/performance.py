"""One session of the simulated pupil, as it was played: what the fingers did, before any sensor saw it.

Times are integer µs on the true clock: 0 is the instant at which the chanter's power came on. Notes are indices into
`fingering.notes.NOTES`, fingers are holes 0 to 7, `covered_mask` bit i is 1 while hole i is covered. An edge's time is
its seal: the instant at which the sound of the hole changes (`motion`).
"""

from dataclasses import dataclass
from typing import Literal

from fingering.movements import FaultKind as MovementFaultKind
from fingering.notes import HIGH_G
from fingerlead.simulated.motion import TRAVEL_US

Motion = Literal["lift", "lower"]
MovementKind = Literal[MovementFaultKind, "left out", "another"]
FaultKind = Literal["early", "late", "slow", "slip", "false", "tremble", "wrong", "restart", MovementKind]


@dataclass(frozen=True, slots=True, order=True)
class Edge:
    """One finger's move. `change` is the number of the note that it leads to."""

    t_us: int
    finger: int
    motion: Motion
    change: int


@dataclass(frozen=True, slots=True)
class PerformedNote:
    """A note as it was played, from the instant at which the pupil wanted it, and the mask it settles on.

    `place` counts the notes of the tune that it belongs to from 0; None where the pupil plays no tune.
    """

    number: int
    note: int
    covered_mask: int
    t_us: int
    place: int | None = None


@dataclass(frozen=True, slots=True)
class PlantedFault:
    """Something planted. `change` is the number of the note it leads to, or in which it happens.

    `by_us`, never negative: how early or late (early, late, slow), or how long (slip, false, tremble, the wrong note,
    the pause before a restart). `finger` is None for a wrong note and a restart. In a tune, `place` is where that note
    is written, `written` the note that stands there where another was played, and `stopped_at` the place of the last
    note before a restart, which goes on from `place`. A fault in a movement has its number in the tune from 1,
    `movement`, and the written note of it that goes wrong, `index`, from 0, None where it is no single one.
    """

    kind: FaultKind
    finger: int | None
    from_note: int
    to_note: int
    t_us: int
    by_us: int
    change: int
    place: int | None = None
    written: int | None = None
    stopped_at: int | None = None
    movement: int | None = None
    index: int | None = None


@dataclass(frozen=True, slots=True)
class PlayedGrace:
    """A grace note on the note `on`."""

    t_us: int
    duration_us: int
    on: int
    change: int
    note: int = HIGH_G


@dataclass(frozen=True, slots=True)
class Tremble:
    """A finger that rests at the edge of its sensor's threshold from `start_us` to `end_us`."""

    finger: int
    start_us: int
    end_us: int


@dataclass(frozen=True, slots=True)
class Performance:
    """A whole session; `edges` in order of time, `start_mask` stands before the first of them.

    `travel_us` is how long a finger takes for its whole way.
    """

    pupil: str
    seed: int
    start_mask: int
    edges: tuple[Edge, ...]
    notes: tuple[PerformedNote, ...]
    faults: tuple[PlantedFault, ...]
    graces: tuple[PlayedGrace, ...]
    trembles: tuple[Tremble, ...]
    end_us: int
    travel_us: int = TRAVEL_US
