"""What was asked for, as it was named: what a session keeps of its music, before that is read as notes."""

from dataclasses import dataclass
from typing import Literal, NamedTuple

MusicKind = Literal["rung", "tune", "none"]


@dataclass(frozen=True, slots=True)
class SessionMusic:
    """The music from some time of a session on: a rung or a tune with its ABC; "none" where any note may follow any.

    `pass_number` counts from 1. `beat_us` is from beat to beat of a metronome, None without one. `stage_us` is how far
    apart fingers may move and be together; None leaves it to the settings. Where not `judged`, nothing counts, and
    `why` says why, in a few words: hands asked off, a pause, between two tries.

    `begins_us`: the music goes by in time, and begins then, on the chanter's unwrapped clock; None where it waits for
    the player. A note comes with the beat where it begins no further than `within_us` from it.
    """

    kind: MusicKind = "none"
    name: str = ""
    abc: str = ""
    pass_number: int = 1
    beat_us: int | None = None
    stage_us: int | None = None
    judged: bool = True
    why: str = ""
    begins_us: int | None = None
    within_us: int | None = None


NOTHING_ASKED = SessionMusic()


class Clicks(NamedTuple):
    """When a metronome's beats sounded, rising, on the chanter's unwrapped clock; `beat_us` is the tempo it was set."""

    beat_us: int
    at_us: tuple[int, ...]
