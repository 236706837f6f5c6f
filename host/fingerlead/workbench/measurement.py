"""Three things a maker measures with a chanter: its levels, the skew of its sensors, and whether fingers seal."""

from collections.abc import Generator

import numpy as np

from fingering.holes import HOLES
from fingerlead.phrases import capital
from fingerlead.wire import messages as wire
from fingerlead.wire.carriers import Framing
from fingerlead.wire.events import Event, RawState, SlopeSeen, State
from fingerlead.workbench.evidence import named
from fingerlead.workbench.guidance import Guidance
from fingerlead.workbench.levels import HoleReport, holes_of
from fingerlead.workbench.samples import PLAN
from fingerlead.workbench.seal import Leak, leaks
from fingerlead.workbench.skew import WANTED, BarEvents, bar_events
from fingerlead.workbench.talk import SILENT_US, Dialogue, Refused, WorkbenchTalk, raws_of

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
    f"Lay a straight stiff bar on the seven front holes and lift it off again, {WANTED} times, about once a second. "
    "For the thumb's hole too, tie a second bar behind to the one in front, as a clamp; turn it round halfway."
)
SEAL_WORDS = "Play low G and hold it. Then lift each finger and put it back, one after the other."


class RawTalk(WorkbenchTalk):
    """A talk in which raw samples stream; they have to go on as time does."""

    _last_raw_us: int | None = None
    _counted_us = _count = _went_us = 0

    def stream_raw(self) -> Dialogue:
        """Have raw samples stream; Refused where the chanter cannot send enough of them."""
        answer = yield from self.ask("stream raw samples", lambda: self.link.stream(wire.STREAM_RAW))
        if isinstance(answer.value, int) and 0 < answer.value < LEAST_RAW_HZ:
            raise Refused(
                f"expected at least {LEAST_RAW_HZ} raw samples a second, but the chanter sends only {answer.value}; "
                "use a quicker link"
            )
        self._last_raw_us = None
        self._count_from_now()

    def next_raws(self) -> Generator[bytes, list[Event], list[RawState]]:
        """The raw samples of one read; Refused where they stay away, stand still, jump, or are far too few."""
        raws = raws_of((yield from self.next_events()))
        for raw in raws:
            step_us = 0 if self._last_raw_us is None else raw.t_us - self._last_raw_us
            if step_us > SILENT_US:
                # It would end steps that the player was given no time for.
                raise Refused(
                    f"expected one raw sample after the other, but the chanter's time jumped by {step_us / 1e6:.0f} s; "
                    "begin again"
                )
            self._count, self._went_us = self._count + (step_us != 0), self._went_us + step_us
            self._last_raw_us = raw.t_us
        elapsed_us = self.now_us - self._counted_us
        if elapsed_us >= PACE_US:
            # On the chanter's own clock, which is an emulated chanter's too; half of them may be lost on the way.
            if self._went_us < elapsed_us / SLOWEST or self._count < LEAST_RAW_HZ * self._went_us / 2_000_000:
                raise Refused(
                    f"expected at least {LEAST_RAW_HZ} raw samples a second, with times that go on, but in "
                    f"{elapsed_us / 1_000_000:.0f} s only {self._count} came, and their times went on by "
                    f"{self._went_us / 1_000_000:.1f} s; check its cable, or use a quicker link"
                )
            self._count_from_now()
        return raws

    def _count_from_now(self) -> None:
        self._counted_us, self._count, self._went_us = self.now_us, 0, 0


class Calibrating(RawTalk):
    """Leads through all steps, and judges. `steps` is None until the chanter streams; `reports` empty until the end.

    `earlier` is the talk with this chanter before it went away: the steps that were done in it stay done.
    """

    def __init__(self, carrier: Framing, earlier: "Calibrating | None" = None) -> None:
        super().__init__(carrier)
        self.steps: Guidance | None = None
        self.before: wire.Levels = ()
        self.reports: list[HoleReport] = []
        self.unseen: tuple[int, ...] = ()  # holes that were never seen covered
        if earlier is not None:
            self._met, self.steps, self.before = earlier.device, earlier.steps, earlier.before
            if self.steps is not None:
                self.steps.resume()

    @property
    def device(self) -> str:
        """The chanter's id in hexadecimal digits, empty before it said it."""
        return super().device or self._met

    @property
    def kept(self) -> tuple[int, ...]:
        """Holes that keep their old levels: bad ones, and those of which there is nothing to make levels from."""
        return tuple(one.hole for one in self.reports if one.verdict == "bad" or one.hole in self.unseen)

    @property
    def missing(self) -> list[str]:
        """What was not seen, and what is not known for that, in sentences."""
        told = [] if self.steps is None else self.steps.missing
        unseen = [hole for hole in self.unseen if self.reports[hole].verdict != "bad"]
        if unseen:
            told.append(f"{capital(named(unseen))} {'keeps its' if len(unseen) == 1 else 'keep their'} old levels.")
        return told

    def talk(self) -> Dialogue:
        """Meet, stream, steps, judgement, and back to streaming holes."""
        yield from self.meet(wire.CAN_RAW, NO_RAW)
        self.before = self.before or (yield from self.levels())
        yield from self.stream_raw()
        self.steps = self.steps or Guidance(self.full_scale)
        while not self.steps.done:
            self.asks = PLAN[self.steps.number]
            for raw in (yield from self.next_raws()):
                self.steps.hear(raw.t_us, raw.samples)
        taken = self.steps.taken()
        self.reports = holes_of(taken)
        self.unseen = tuple(hole for hole in range(HOLES) if not taken.shows_covered(hole))
        yield from self.stream_holes()


class BarTest(WorkbenchTalk):
    """Counts lifts and lays of a bar: `events` so far. Ends at forty of each; a caller may have enough before."""

    asks = ("bar", None)

    def __init__(self, carrier: Framing) -> None:
        super().__init__(carrier)
        self.events: BarEvents = bar_events([])

    @property
    def counts(self) -> tuple[int, int]:
        """Lifts and lays seen so far."""
        lifts = int(self.events.lift.sum())
        return lifts, len(self.events.lift) - lifts

    def talk(self) -> Dialogue:
        """Meet, and listen to the holes."""
        yield from self.meet()
        yield from self.stream_holes()
        changes: list[tuple[int, int]] = []  # heartbeats carry no change
        slopes: dict[tuple[int, int], int] = {}
        looked_us = 0
        while min(self.counts) < WANTED:
            for event in (yield from self.next_events()):
                if isinstance(event, State) and (not changes or event.covered_mask != changes[-1][1]):
                    changes.append((event.t_us, event.covered_mask))
                elif isinstance(event, SlopeSeen) and len(slopes) < MOST_CHANGES:
                    # It comes some ms after its edge, and other holes have changed meanwhile.
                    slopes[event.t_us, event.slope.hole] = event.slope.rise_raw
            if len(changes) > MOST_CHANGES:
                raise Refused(
                    f"expected a bar on the holes, but they changed {MOST_CHANGES} times and it was seen "
                    f"{sum(self.counts)} times; look for a hole that flickers: fingerlead check PORT --holes"
                )
            if self.now_us - looked_us > BAR_LOOK_US:
                looked_us = self.now_us
                self.events = bar_events(changes, slopes)


class SealCheck(RawTalk):
    """Low G, then each finger up and down: `found` is what loosened, `moved` which fingers were seen to move.

    Ends when all have moved and are back, or after half a minute. Refused at once where a covered level is not above
    its open one.
    """

    asks = ("seal", None)

    def __init__(self, carrier: Framing, open_raw: tuple[float, ...], covered_raw: tuple[float, ...]) -> None:
        super().__init__(carrier)
        self.found: list[Leak] = []
        self.moved = [False] * HOLES
        self._open_raw, self._covered_raw = np.array(open_raw), np.array(covered_raw)
        if (self._covered_raw <= self._open_raw).any():
            raise Refused("expected covered levels above open ones; calibrate again")

    @property
    def words(self) -> list[str]:
        """What it showed, in sentences."""
        if self.found:
            return [leak.words for leak in self.found]
        return [f"All holes stayed closed while {sum(self.moved)} of 8 fingers moved."]

    def talk(self) -> Dialogue:
        """Meet, stream, wait for low G, look on."""
        yield from self.meet(wire.CAN_RAW, NO_RAW)
        yield from self.stream_raw()
        times: list[int] = []
        rows: list[tuple[int, ...]] = []
        began_us = self.now_us
        open_us: int | None = None  # when last a hole was open
        while self.now_us - began_us < SEAL_US:
            for raw in (yield from self.next_raws()):
                share = (np.array(raw.samples) - self._open_raw) / (self._covered_raw - self._open_raw)
                if open_us is None or not (share > COVERED).all():
                    open_us = raw.t_us
                # Fingers that are still on their way to low G have not loosened.
                if times or raw.t_us - open_us >= SEALED_US:
                    times.append(raw.t_us)
                    rows.append(raw.samples)
                    self.moved = [
                        moved or bool(is_open) for moved, is_open in zip(self.moved, share < OPEN, strict=True)
                    ]
            if times and all(self.moved) and open_us is not None and times[-1] - open_us > SEALED_US:
                break
        if not times:
            raise Refused("expected low G with all holes covered, but it was not seen; play it, or calibrate again")
        if not any(self.moved):
            raise Refused("expected each finger to be lifted and put back, but none moved; begin again")
        samples = np.array(rows, dtype=np.uint16)
        self.found = leaks(np.array(times, dtype=np.int64), samples, self._open_raw, self._covered_raw)
        yield from self.stream_holes()
