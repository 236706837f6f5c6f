"""The thread that has a chanter on the bench for a page: it opens, reads and closes the port, and does what is wished.

What is going on is told as a `Stage`, the whole of it each time it changes, and as `Samples` while raw samples come, at
most thirty times a second.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, Self, get_args

import numpy as np

from fingering.holes import HOLES
from fingerlead.actor import Actor
from fingerlead.listening.sources import describe
from fingerlead.ports.base import Port, PortEnded, PortLost
from fingerlead.store.chanters import Skew
from fingerlead.wire.messages import Levels
from fingerlead.workbench import flow
from fingerlead.workbench.flow import Workbench
from fingerlead.workbench.levels import HoleReport
from fingerlead.workbench.measurement import BAR_WORDS, SEAL_WORDS, BarTest, Calibrating
from fingerlead.workbench.samples import PLAN, RawNoise
from fingerlead.workbench.talk import WorkbenchTalk

# --- What a page may wish of the bench, and what it is told: what is going on, and the raw samples.

Job = Literal["calibrate", "bar", "seal", "give", "undo"]
Other = Literal["enough", "stop", "clear"]
JOBS: tuple[Job, ...] = get_args(Job)
REQUESTS: tuple[Job | Other, ...] = (*JOBS, *get_args(Other))


@dataclass(frozen=True, slots=True)
class WorkbenchRequest:
    """What a page asks for: a job; `enough` of the one that runs, or `stop` it; `clear` what came of the last.

    `run` is the calibration that the page shows: levels are only given of that one. `anyway`: although a hole is bad.
    """

    what: Job | Other
    run: int = 0
    anyway: bool = False


@dataclass(frozen=True, slots=True)
class StageStep:
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
    step: StageStep | None = None
    levels: Levels = ()
    full_scale: int = 0
    counts: tuple[int, int] = (0, 0)
    moved: tuple[bool, ...] = (False,) * HOLES
    reports: tuple[HoleReport, ...] = ()
    skew: Skew | None = None
    sentences: tuple[str, ...] = ()
    trouble: bool = False
    given: bool = False


# ---

MOST_REQUESTS = 16
SAMPLES_EVERY_US = 33_000
STOP_S = 5.0
BROKEN_OFF = "Stopped; nothing was changed."
BEFORE = "The levels from before are back."
STALE = "expected the levels that were found last, but the page showed others; look at them once more"


class WorkbenchActor(Actor[WorkbenchRequest]):
    """Runs from `start`, which raises what opening the port does, to `stop`, which breaks off what runs."""

    def __init__(
        self,
        open_port: Callable[[], tuple[Port, Callable[[], int]]],
        folder: Path,
        pupil: str,
        tell: Callable[[Stage | Samples], None],
    ) -> None:
        super().__init__("workbench", self._serve, MOST_REQUESTS)
        self._open_port, self._folder, self._pupil, self._tell = open_port, folder, pupil, tell
        self._next: WorkbenchRequest | None = None
        self._opened: Future[None] = Future()
        self.stage = Stage()
        self._bench: Workbench | None = None
        self._calibrated: Calibrating | None = None

    def start(self) -> Self:
        """Open the port, and begin."""
        super().start()
        self._opened.result()
        return self

    def _serve(self) -> None:
        try:
            self._on_bench()
        except BaseException as error:
            self._opened.set_exception(error)
            return
        self._opened.set_result(None)
        try:
            self._tell(self.stage)
            while not self.stopping:
                self.turn()
        finally:
            self._close()

    def turn(self) -> None:
        """For the thread: the next wish; where there is none a read, as what a chanter says must not pile up."""
        if self._look():
            wish, self._next = self._next, None
            if wish is not None and wish.what in JOBS:
                self._grant(wish)
            elif wish is not None and wish.what == "clear":
                self._forget(last=None, sentences=(), trouble=False)
        elif self._bench is None:
            self.wait(flow.READ_S)
        else:
            try:
                self._bench.port.read(flow.READ_S)
            except flow.FAILURES as error:
                self._close()
                self._change(sentences=(flow.words_of(error),), trouble=True)

    def _look(self) -> bool:
        """Whether there is a wish: `_next`."""
        if self._next is None:
            self._next = self.receive(0)
        return self._next is not None

    def _grant(self, wish: WorkbenchRequest) -> None:
        self._change(job=wish.what, last=wish.what, step=None, sentences=(), trouble=False)
        try:
            came: dict[str, Any] = getattr(self, f"_{wish.what}")(self._on_bench(), wish)
        except flow.FAILURES as error:
            if isinstance(error, PortLost | PortEnded):
                self._close()
            came = {"sentences": (flow.words_of(error),), "trouble": not isinstance(error, flow.BrokenOff)}
        self._change(job=None, step=None, **came)

    # -- jobs: each gives what came of it, as parts of the stage -------------------------------------------------------

    def _calibrate(self, bench: Workbench, wish: WorkbenchRequest) -> dict[str, Any]:
        talk = Calibrating(bench.carrier)
        self._forget(run=self.stage.run + 1)
        watch = _Watch(talk, self._tell)

        def show() -> None:
            self._meet(talk)
            steps = talk.steps
            if steps is None or steps.done:
                return
            kind, hole = PLAN[steps.number]
            step = StageStep(steps.number + 1, len(PLAN), kind, hole, steps.words, steps.holding)
            self._change(step=step, levels=talk.before, full_scale=talk.full_scale)
            watch.look()

        bench.run(talk, show)
        if not talk.done:
            raise flow.BrokenOff(BROKEN_OFF)
        self._calibrated = talk
        return {"reports": tuple(talk.reports)}

    def _bar(self, bench: Workbench, wish: WorkbenchRequest) -> dict[str, Any]:
        talk = BarTest(bench.carrier)
        self._forget()

        def show() -> None:
            self._meet(talk)
            self._change(step=StageStep(0, 0, "bar", None, BAR_WORDS), counts=talk.counts)

        bench.run(talk, show)
        if not talk.done and not (self._next is not None and self._next.what == "enough"):
            raise flow.BrokenOff(BROKEN_OFF)
        skew, path = bench.skew_of(talk)
        return {"skew": skew, "sentences": (flow.skew_words(skew), f"Written down in {path}.")}

    def _seal(self, bench: Workbench, wish: WorkbenchRequest) -> dict[str, Any]:
        talk = bench.seal_check()
        self._forget()
        watch = _Watch(talk, self._tell)

        def show() -> None:
            self._meet(talk)
            step = StageStep(0, 0, "seal", None, SEAL_WORDS)
            self._change(step=step, moved=tuple(talk.moved), levels=(), full_scale=talk.full_scale)
            watch.look()

        bench.run(talk, show)
        if not talk.done:
            raise flow.BrokenOff(BROKEN_OFF)
        return {"sentences": tuple(flow.seal_words(talk))}

    def _give(self, bench: Workbench, wish: WorkbenchRequest) -> dict[str, Any]:
        if self._calibrated is None or wish.run != self.stage.run:
            raise flow.BenchError(STALE)
        made = bench.made(self._calibrated, wish.anyway)
        return {"sentences": (bench.give(made).words,), "given": True}

    def _undo(self, bench: Workbench, wish: WorkbenchRequest) -> dict[str, Any]:
        return {"sentences": (BEFORE, bench.undo().words), "given": False}

    # -- the port ------------------------------------------------------------------------------------------------------

    def _on_bench(self) -> Workbench:
        """The chanter, opened anew where it was lost."""
        if self._bench is None:
            port, clock = self._open_port()
            self._bench = Workbench(port, clock, self._folder, self._pupil, self._told)
        return self._bench

    def _close(self) -> None:
        if self._bench is not None:
            self._bench.port.close()
            self._bench = None

    def _told(self) -> bool:
        return self.stopping or self._look()

    # -- telling -------------------------------------------------------------------------------------------------------

    def _forget(self, **also: Any) -> None:
        """What came of the job before is no longer shown."""
        self._calibrated = None
        self._change(reports=(), skew=None, counts=(0, 0), moved=(False,) * HOLES, given=False, **also)

    def _meet(self, talk: WorkbenchTalk) -> None:
        if talk.link.hello is not None:
            self._change(chanter=describe(talk.link.hello))

    def _change(self, **parts: Any) -> None:
        """Tell the stage where it is another now."""
        stage = replace(self.stage, **parts)
        if stage != self.stage:
            self.stage = stage
            self._tell(stage)


class _Watch:
    """The raw samples of a talk, on their way to who looks at them."""

    def __init__(self, talk: WorkbenchTalk, tell: Callable[[Samples], None]) -> None:
        self._talk, self._tell = talk, tell
        self._noise = RawNoise()
        self._told_us = 0

    def look(self) -> None:
        """Take what came, and tell of it where it is time."""
        raws = self._talk.raws
        if not raws or self._talk.now_us - self._told_us < SAMPLES_EVERY_US:
            return
        self._told_us = self._talk.now_us
        new = np.array([raw.samples for raw in raws])
        noise = self._noise.after(raws)
        raws.clear()
        rows = (new[-1], new.min(axis=0), new.max(axis=0))
        self._tell(Samples(*(tuple(row.tolist()) for row in rows), noise))
