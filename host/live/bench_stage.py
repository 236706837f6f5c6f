"""What a page may wish of the bench, and what it is told: what is going on, and the raw samples."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

from fingering.holes import HOLES

if TYPE_CHECKING:
    from host.bench.skew import Skew
    from host.bench.thresholds import HoleReport
    from host.wire.messages import Levels

Job = Literal["calibrate", "bar", "seal", "give", "undo"]
Other = Literal["enough", "stop", "clear"]
JOBS: tuple[Job, ...] = get_args(Job)
WISHES: tuple[Job | Other, ...] = (*JOBS, *get_args(Other))


@dataclass(frozen=True, slots=True)
class Wish:
    """What a page asks for: a job; `enough` of the one that runs, or `stop` it; `clear` what came of the last.

    `run` is the calibration that the page shows: levels are only given of that one. `anyway`: although a hole is bad.
    """

    what: Job | Other
    run: int = 0
    anyway: bool = False


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a calibration, or what else the player is to do. `number` counts from 1; 0 of 0 is no count."""

    number: int
    of: int
    kind: str
    hole: int | None
    words: str
    holding: bool = False


@dataclass(frozen=True, slots=True)
class Samples:
    """Raw samples of the eight holes: the latest, the least and greatest since the last told, and the noise.

    Noise is the range within the last quarter of a second.
    """

    latest: tuple[int, ...]
    least: tuple[int, ...]
    greatest: tuple[int, ...]
    noise: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Stage:
    """What is going on, and what came of it.

    `job` is what is being done, None while nothing is; `last` what was done last. `sentences` is what there is to say,
    `trouble` whether it went wrong. `run` counts calibrations; `given` is whether the chanter has the levels of
    this one.
    """

    chanter: str = ""
    job: Job | None = None
    last: Job | None = None
    run: int = 0
    step: Step | None = None
    levels: Levels = ()
    full_scale: int = 0
    counts: tuple[int, int] = (0, 0)
    moved: tuple[bool, ...] = (False,) * HOLES
    reports: tuple[HoleReport, ...] = ()
    skew: Skew | None = None
    sentences: tuple[str, ...] = ()
    trouble: bool = False
    given: bool = False
