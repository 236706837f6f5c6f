"""Three things a maker measures with a chanter on the bench: its levels, its skew, and whether fingers seal."""

from __future__ import annotations

import numpy as np

from fingering.holes import HOLES
from fingerlead.wire import messages as wire
from fingerlead.wire.events import Doubted, Event, RawState
from fingerlead.wire.link import Carrier
from fingerlead.wire.messages import Levels
from fingerlead.workbench.guidance import Guidance
from fingerlead.workbench.levels import HoleReport, holes_of
from fingerlead.workbench.seal import Leak, leaks
from fingerlead.workbench.skew import WANTED, BarEvents, bar_events
from fingerlead.workbench.talk import SILENT_US, Refused, Talk, WorkbenchTalk, raw_of, states_of

LEAST_RAW_HZ = 125  # below this the mains and quick edges cannot be seen
PACE_US = 5_000_000
SLOWEST = 20  # times slower than the host's clock: an emulated chanter's stands still at times
BAR_LOOK_US = 200_000
MOST_CHANGES = 20_000  # forty lifts and lays make some six hundred
SEAL_US = 30_000_000
SEALED_US = 500_000
COVERED, OPEN = 0.7, 0.3  # shares of the swing
NO_RAW = "expected a chanter that streams raw samples, but this one says that it cannot; its maker sets its thresholds"
BAR_WORDS = (
    f"Lay a straight stiff bar on the seven front holes and lift it off again, {WANTED} times, about once a second."
)
SEAL_WORDS = "Play low G and hold it. Then lift each finger and put it back, one after the other."
STARTED_ANEW = "expected the chanter to stay on, but it started anew in the middle; begin again"


class Calibrating(WorkbenchTalk):
    """Leads through all steps, and judges. `steps` is None until the chanter streams; `reports` empty until the end."""

    def __init__(self, carrier: Carrier) -> None:
        super().__init__(carrier)
        self.steps: Guidance | None = None
        self.before: Levels = ()
        self.reports: list[HoleReport] = []

    def talk(self) -> Talk:
        """Meet, stream, steps, judgement, and back to streaming holes."""
        yield from self.meet(wire.CAN_RAW, NO_RAW)
        self.before = yield from self.levels()
        yield from stream_raw(self)
        self.steps, pace = Guidance(self.full_scale), Pace(self.now_us)
        while not self.steps.done:
            events = yield b""
            expect_same_start(events)
            pace.hear(raw_of(events), self.now_us)
            for raw in raw_of(events):
                self.steps.hear(raw.t_us, raw.samples)
        self.reports = holes_of(self.steps.taken())
        yield from self.ask("stream its holes", lambda: self.link.stream(wire.STREAM_HOLES))


class BarTest(WorkbenchTalk):
    """Counts lifts and lays of a bar: `events` so far. Ends at forty of each, or when whoever runs it has enough."""

    def __init__(self, carrier: Carrier) -> None:
        super().__init__(carrier)
        self.events: BarEvents = bar_events([])
        # Where the mask changed; heartbeats tell nothing here.
        self._states: list[tuple[int, int]] = []
        self._looked_us = 0

    @property
    def counts(self) -> tuple[int, int]:
        """Lifts and lays seen so far."""
        lifts = int(self.events.lift.sum())
        return lifts, len(self.events.lift) - lifts

    def talk(self) -> Talk:
        """Meet, and listen to the holes."""
        yield from self.meet()
        yield from self.ask("stream its holes", lambda: self.link.stream(wire.STREAM_HOLES))
        while min(self.counts) < WANTED:
            events = yield b""
            expect_same_start(events)
            for state in states_of(events):
                if not self._states or state[1] != self._states[-1][1]:
                    self._states.append(state)
            if len(self._states) > MOST_CHANGES:
                raise Refused(
                    f"expected a bar on the holes, but they changed {MOST_CHANGES} times and it was seen "
                    f"{sum(self.counts)} times; look for a hole that flickers: fingerlead check PORT --holes"
                )
            if self.now_us - self._looked_us > BAR_LOOK_US:
                self._looked_us = self.now_us
                self.events = bar_events(self._states)


class SealCheck(WorkbenchTalk):
    """Low G, then each finger up and down: `found` is what loosened, `moved` which fingers were seen to move.

    Ends when all have moved and are back, or after half a minute. ValueError where a covered level is not above its
    open one.
    """

    def __init__(self, carrier: Carrier, open_raw: tuple[float, ...], covered_raw: tuple[float, ...]) -> None:
        super().__init__(carrier)
        self.found: list[Leak] = []
        self.moved = [False] * HOLES
        self._open, self._swing = np.array(open_raw), np.array(covered_raw) - np.array(open_raw)
        if (self._swing <= 0).any():
            raise ValueError("expected covered levels above open ones; calibrate again")

    def talk(self) -> Talk:
        """Meet, stream, wait for low G, watch."""
        yield from self.meet(wire.CAN_RAW, NO_RAW)
        yield from stream_raw(self)
        pace = Pace(self.now_us)
        times: list[int] = []
        rows: list[tuple[int, ...]] = []
        began_us, back_us = self.now_us, 0
        covered_since_us: int | None = None
        while self.now_us - began_us < SEAL_US:
            events = yield b""
            expect_same_start(events)
            pace.hear(raw_of(events), self.now_us)
            for raw in raw_of(events):
                share = (np.array(raw.samples) - self._open) / self._swing
                down = bool((share > COVERED).all())
                if not times:
                    # Fingers that are still on their way have not loosened.
                    if not down:
                        covered_since_us = None
                    elif covered_since_us is None:
                        covered_since_us = raw.t_us
                    if covered_since_us is None or raw.t_us - covered_since_us < SEALED_US:
                        continue
                times.append(raw.t_us)
                rows.append(raw.samples)
                for hole in np.flatnonzero(share < OPEN):
                    self.moved[int(hole)] = True
                if not down:
                    back_us = raw.t_us
            if times and all(self.moved) and times[-1] - back_us > SEALED_US:
                break
        if not times:
            raise Refused("expected low G with all holes covered, but it was not seen; play it, or calibrate again")
        if not any(self.moved):
            raise Refused("expected each finger to be lifted and put back, but none moved; begin again")
        open_raw, covered_raw = self._open.tolist(), (self._open + self._swing).tolist()
        self.found = leaks(np.array(times, dtype=np.int64), np.array(rows, dtype=np.uint16), open_raw, covered_raw)
        yield from self.ask("stream its holes", lambda: self.link.stream(wire.STREAM_HOLES))


class Pace:
    """Raw samples have to go on as time does: Refused where they stay away, stand still, jump, or are far too few."""

    def __init__(self, now_us: int) -> None:
        self._began_us = now_us
        self._last_us: int | None = None
        self._count = self._went_us = 0

    def hear(self, raws: list[RawState], now_us: int) -> None:
        """Take in what came; every few seconds it is counted."""
        for raw in raws:
            step_us = 0 if self._last_us is None else raw.t_us - self._last_us
            if step_us > SILENT_US:
                # Steps would end by it that nobody was given the time for.
                raise Refused(
                    f"expected one raw sample after the other, but the chanter's time jumped by {step_us / 1e6:.0f} s; "
                    "begin again"
                )
            self._count, self._went_us = self._count + (step_us != 0), self._went_us + step_us
            self._last_us = raw.t_us
        if now_us - self._began_us < PACE_US:
            return
        elapsed_us = now_us - self._began_us
        # On the chanter's own clock, which is an emulated chanter's too; half of them may be lost on the way.
        if self._went_us < elapsed_us / SLOWEST or self._count < LEAST_RAW_HZ * self._went_us / 2_000_000:
            raise Refused(
                f"expected at least {LEAST_RAW_HZ} raw samples a second, with times that go on, but in "
                f"{elapsed_us / 1_000_000:.0f} s only {self._count} came, and their times went on by "
                f"{self._went_us / 1_000_000:.1f} s; check its cable, or use a quicker link"
            )
        self._began_us, self._count, self._went_us = now_us, 0, 0


def stream_raw(talk: WorkbenchTalk) -> Talk:
    """Have raw samples stream; Refused where the chanter cannot send enough of them."""
    answer = yield from talk.ask("stream raw samples", lambda: talk.link.stream(wire.STREAM_RAW))
    if isinstance(answer.value, int) and 0 < answer.value < LEAST_RAW_HZ:
        raise Refused(
            f"expected at least {LEAST_RAW_HZ} raw samples a second, but the chanter sends only {answer.value}; "
            "use a quicker link"
        )


def expect_same_start(events: list[Event]) -> None:
    """Refused where the chanter started anew."""
    if any(isinstance(event, Doubted) and event.doubt.cause == "restart" for event in events):
        raise Refused(STARTED_ANEW)
