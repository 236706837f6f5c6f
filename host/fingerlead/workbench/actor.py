"""The workbench's actor: it opens, reads and closes the port of one chanter, and does what a page asks.

It says what is going on as a `Stage`, the whole of it each time it changes, and as `Samples` while raw samples come, at
most thirty times a second.
"""

from collections.abc import Callable, Collection
from concurrent.futures import Future
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, Self, TypeVar, get_args

import numpy as np

from fingering.holes import HOLES
from fingerlead.actor import Actor
from fingerlead.listening.sources import describe
from fingerlead.ports.base import Port, PortEnded, PortLost
from fingerlead.store.skews import Skew
from fingerlead.wire.events import RawState
from fingerlead.wire.messages import Levels
from fingerlead.workbench.levels import HoleReport
from fingerlead.workbench.measurement import BAR_WORDS, SEAL_WORDS, BarTest, Calibrating
from fingerlead.workbench.samples import PLAN, RawNoise
from fingerlead.workbench.skew import skew_words
from fingerlead.workbench.talk import WorkbenchTalk
from fingerlead.workbench.workbench import (
    AWAY_WORDS,
    FAILURES,
    READ_S,
    BrokenOff,
    Workbench,
    WorkbenchError,
    words_of,
)

MOST_REQUESTS = 16
SAMPLES_EVERY_US = 33_000
STOP_S = 5.0
BROKEN_OFF = "Stopped; nothing was changed."
BEFORE = "The levels from before are back."
STALE = "expected the levels that were found last, but the page showed others; look at them once more"

Job = Literal["calibrate", "bar", "seal", "give", "undo"]
Other = Literal["enough", "stop", "clear"]
JOBS: tuple[Job, ...] = get_args(Job)
REQUESTS: tuple[Job | Other, ...] = (*JOBS, *get_args(Other))


Shown = TypeVar("Shown", bound=WorkbenchTalk)


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
    `trouble` whether it went wrong. `run` counts calibrations; `kept` are holes that would keep their old levels of
    this one, and `given` is whether the chanter has the others.
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
    kept: tuple[int, ...] = ()
    skew: Skew | None = None
    sentences: tuple[str, ...] = ()
    trouble: bool = False
    given: bool = False


class WorkbenchActor(Actor[WorkbenchRequest]):
    """Runs from `start`, which raises what opening the port does, to `stop`, which breaks off what runs."""

    def __init__(
        self,
        open_port: Callable[[], tuple[Port, Callable[[], int]]],
        folder: Path,
        pupil: str,
        tell: Callable[[Stage | Samples], None],
        way_back: Callable[[], Port | None] | None = None,
    ) -> None:
        super().__init__("workbench", self._serve, MOST_REQUESTS)
        self._open_port, self._folder, self._pupil, self._tell = open_port, folder, pupil, tell
        self._way_back = way_back
        self._next: WorkbenchRequest | None = None
        self._opened: Future[None] = Future()
        self.stage = Stage()
        self._workbench: Workbench | None = None
        self._calibrated: Calibrating | None = None

    def start(self) -> Self:
        """Open the port, and begin."""
        super().start()
        self._opened.result()
        return self

    def stop(self, timeout_s: float | None = STOP_S) -> bool:
        """Break off what runs, and wait until the port is closed."""
        return super().stop(timeout_s)

    def _serve(self) -> None:
        try:
            self._opened_workbench()
        except BaseException as error:
            self._opened.set_exception(error)
            return
        self._opened.set_result(None)
        try:
            self._tell(self.stage)
            while not self.stopping:
                self.work_once()
        finally:
            self._close()

    def work_once(self) -> None:
        """Carry out the next request, or else read, as what a chanter says must not pile up."""
        request, self._next = self._next or self.receive(0), None
        if request is not None:
            if request.what in JOBS:
                self._do(request)
            elif request.what == "clear":
                self._forget(last=None, sentences=(), trouble=False)
        elif self._workbench is None:
            self.wait(READ_S)
        else:
            try:
                self._workbench.port.read(READ_S)
            except FAILURES as error:
                self._close()
                self._change(sentences=(words_of(error),), trouble=True)

    def _is_over(self) -> bool:
        """Whether a job is to end: there is another request, `_next`, or the actor is to stop."""
        self._next = self._next or self.receive(0)
        return self.stopping or self._next is not None

    def _do(self, request: WorkbenchRequest) -> None:
        self._change(job=request.what, last=request.what, step=None, sentences=(), trouble=False)
        try:
            came: dict[str, Any] = getattr(self, f"_{request.what}")(self._opened_workbench(), request)
        except FAILURES as error:
            if isinstance(error, PortLost | PortEnded):
                self._close()
            came = {"sentences": (words_of(error),), "trouble": not isinstance(error, BrokenOff)}
        self._change(job=None, step=None, **came)

    # -- jobs: each gives what came of it, as parts of the stage -------------------------------------------------------

    def _calibrate(self, workbench: Workbench, request: WorkbenchRequest) -> dict[str, Any]:
        def parts(talk: Calibrating) -> dict[str, Any] | None:
            steps = talk.steps
            if steps is None or steps.done:
                return None
            kind, hole = PLAN[steps.number]
            step = StageStep(steps.number + 1, len(PLAN), kind, hole, steps.words, steps.holding)
            return {"step": step, "levels": talk.before, "full_scale": talk.full_scale}

        def away() -> None:
            if self.stage.step is not None:
                self._change(step=replace(self.stage.step, words=AWAY_WORDS, holding=False))

        self._forget(run=self.stage.run + 1)
        talk = workbench.lead(self._showing(parts), away)
        if not talk.done:
            raise BrokenOff(BROKEN_OFF)
        self._calibrated = talk
        return {"reports": tuple(talk.reports), "kept": talk.kept, "sentences": tuple(talk.missing)}

    def _bar(self, workbench: Workbench, request: WorkbenchRequest) -> dict[str, Any]:
        talk, step = BarTest(workbench.carrier), StageStep(0, 0, "bar", None, BAR_WORDS)
        self._carry_out(workbench, talk, lambda: {"step": step, "counts": talk.counts})
        skew, path = workbench.skew_of(talk)
        return {"skew": skew, "sentences": (skew_words(skew), f"Written down in {path}.")}

    def _seal(self, workbench: Workbench, request: WorkbenchRequest) -> dict[str, Any]:
        talk, step = workbench.seal_check(), StageStep(0, 0, "seal", None, SEAL_WORDS)

        def parts() -> dict[str, Any]:
            return {"step": step, "moved": tuple(talk.moved), "levels": (), "full_scale": talk.full_scale}

        self._carry_out(workbench, talk, parts)
        return {"sentences": tuple(talk.words)}

    def _give(self, workbench: Workbench, request: WorkbenchRequest) -> dict[str, Any]:
        if self._calibrated is None or request.run != self.stage.run:
            raise WorkbenchError(STALE)
        made = workbench.made(self._calibrated, request.anyway)
        return {"sentences": (workbench.give(made).words,), "given": True}

    def _undo(self, workbench: Workbench, request: WorkbenchRequest) -> dict[str, Any]:
        return {"sentences": (BEFORE, workbench.undo().words), "given": False}

    def _carry_out(self, workbench: Workbench, talk: WorkbenchTalk, parts: Callable[[], dict[str, Any] | None]) -> None:
        """Run a talk; after each read its `parts` of the stage are shown, if it has any, and its raw samples.

        Raises BrokenOff where it did not come to its end, unless it was a bar and there is enough.
        """
        self._forget()
        show = self._showing(lambda _: parts())
        workbench.run(talk, lambda: show(talk))
        enough = isinstance(talk, BarTest) and self._next is not None and self._next.what == "enough"
        if not talk.done and not enough:
            raise BrokenOff(BROKEN_OFF)

    def _showing(self, parts: Callable[[Shown], dict[str, Any] | None]) -> Callable[[Shown], None]:
        """What shows a talk after each read: its parts of the stage, if it has any, and its raw samples."""
        noise, shown_us = RawNoise(), 0

        def show(talk: Shown) -> None:
            nonlocal shown_us
            if talk.link.hello is not None:
                self._change(chanter=describe(talk.link.hello))
            changed = parts(talk)
            if changed is None:
                return
            self._change(**changed)
            if talk.raws and talk.now_us - shown_us >= SAMPLES_EVERY_US:
                shown_us = talk.now_us
                self._tell(_samples(talk.raws, noise))
                talk.raws.clear()

        return show

    # -- the port ------------------------------------------------------------------------------------------------------

    def _opened_workbench(self) -> Workbench:
        """The workbench, its port opened anew where it was lost."""
        if self._workbench is None:
            port, clock = self._open_port()
            self._workbench = Workbench(
                port, clock, self._folder, self._pupil, self._is_over, self._way_back, self.wait
            )
        return self._workbench

    def _close(self) -> None:
        if self._workbench is not None:
            self._workbench.close()
            self._workbench = None

    # -- publishing ----------------------------------------------------------------------------------------------------

    def _forget(self, **also: Any) -> None:
        """What came of the job before is no longer shown."""
        self._calibrated = None
        self._change(reports=(), kept=(), skew=None, counts=(0, 0), moved=(False,) * HOLES, given=False, **also)

    def _change(self, **parts: Any) -> None:
        """Publish the stage if it has changed."""
        stage = replace(self.stage, **parts)
        if stage != self.stage:
            self.stage = stage
            self._tell(stage)


def _samples(raws: Collection[RawState], noise: RawNoise) -> Samples:
    rows = np.array([raw.samples for raw in raws])
    return Samples(
        latest=tuple(rows[-1].tolist()),
        least=tuple(rows.min(axis=0).tolist()),
        greatest=tuple(rows.max(axis=0).tolist()),
        noise=noise.after(raws),
    )
