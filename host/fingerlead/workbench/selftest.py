"""A self-test of any chanter that claims to speak the wire: each request asked, bad ones too, then a time of watching.

Question: does it do what the wire asks, and can its finger times be believed? Sans-IO. What is measured of its stamps
and round trips is integer µs; percentiles are by nearest rank.
"""

import math
from collections import Counter
from collections.abc import Generator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, TypeVar, cast

from fingering.holes import HOLES
from fingerlead.wire import messages as wire
from fingerlead.wire.carriers import Framing, carry
from fingerlead.wire.clock import WRAP, ClockFit, Fit
from fingerlead.wire.events import Answered, Event, RawState, Seen, State
from fingerlead.workbench.talk import ANSWER_US, Dialogue, Talk

QUIET_US = 350_000
HEARTBEAT_US = 100_000
CLOCK_EVERY_US = 200_000
GARBAGE = bytes(range(1, 256)) * 4
UNHEARD_OF = 0x9F
# Of requests that the link itself would not send.
OWN_NUMBER = 251
# A frame that is lost now and then is the link's; more is a fault. Our own choice.
LOSS_IS_BAD = 0.001
MOST_BINS = 12

TrialVerdict = Literal["good", "bad", "not able", "not seen"]


@dataclass(frozen=True, slots=True)
class Trial:
    """One thing tried, and how it went."""

    what: str
    verdict: TrialVerdict
    sentence: str


@dataclass(frozen=True, slots=True)
class Scans:
    """Steps between raw stamps: `histogram` is (step µs, how often), the commonest steps told apart to the µs."""

    count: int
    usual_us: int
    shortest_us: int
    longest_us: int
    off_share: float
    histogram: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Trips:
    """Round trips of clock requests."""

    count: int
    shortest_us: int
    median_us: int
    p99_us: int
    longest_us: int


def scans(stamps_us: Sequence[int], told_us: int) -> Scans | None:
    """How even the stamps of raw frames are; `told_us` is the step that was asked for. None where there are too few.

    A step is off where it lies further than a tenth from the usual one.
    """
    steps = sorted(after - before for before, after in pairwise(stamps_us))
    if not steps:
        return None
    usual_us = steps[len(steps) // 2]
    off = sum(abs(step - usual_us) * 10 > usual_us for step in steps)
    width = max(1, told_us // 20)
    bins = Counter((step + width // 2) // width * width for step in steps)
    histogram = tuple(sorted(bins.most_common(MOST_BINS)))
    return Scans(len(steps), usual_us, steps[0], steps[-1], off / len(steps), histogram)


def trips(round_us: Sequence[int]) -> Trips | None:
    """What round trips take; None where none was answered."""
    if not round_us:
        return None
    ordered = sorted(round_us)
    median_us, p99_us = (ordered[math.ceil(share * len(ordered)) - 1] for share in (0.5, 0.99))
    return Trips(len(ordered), ordered[0], median_us, p99_us, ordered[-1])


def longest_gap_us(stamps_us: Sequence[int]) -> int:
    """The longest time between two stamps; 0 where there are fewer than two."""
    return max((after - before for before, after in pairwise(stamps_us)), default=0)


class SelfTest(Talk):
    """Every trial in turn: `trials`. `watch_us` is how long it watches at the end, after a `restart` if it may."""

    def __init__(self, carrier: Framing, watch_us: int, restart: bool = False) -> None:
        super().__init__(carrier)
        self.trials: list[Trial] = []
        self.scans: Scans | None = None
        self.trips: Trips | None = None
        self.fit: Fit | None = None
        self._watch_us, self._restart = watch_us, restart

    @property
    def good(self) -> bool:
        """Whether nothing was found bad."""
        return all(trial.verdict != "bad" for trial in self.trials)

    def talk(self) -> Dialogue:
        """All of it."""
        events = yield from self.gather(
            self.link.who(), ANSWER_US, lambda found: _first(Answered, found) and _first(Seen, found)
        )
        hello = self.link.hello
        if hello is None:
            self._note("hello", False, "no hello came within a second of being asked")
            return
        name, version = hello.name or "no name", ".".join(map(str, hello.firmware))
        told = f"{name}, {hello.device_id.hex()}, firmware {version}, {hello.scan_rate_hz} scans a second"
        self._note("hello", True, told)
        self._judge("who", "who", _first(Answered, events))
        self._note("version", hello.protocol == wire.PROTOCOL, f"protocol {hello.protocol}; version 1 is expected")
        self._note("holes", hello.holes == HOLES, f"{hello.holes} holes; eight are expected")
        yield from self._thresholds(hello)
        yield from self._streams(hello)
        yield from self._bad_requests()
        if self._restart:
            yield from self._restarted(hello)
        yield from self._watched(hello)

    # -- one trial -----------------------------------------------------------------------------------------------------

    def _note(self, what: str, fine: bool, sentence: str, otherwise: TrialVerdict = "bad") -> bool:
        self.trials.append(Trial(what, "good" if fine else otherwise, sentence))
        return fine

    def _judge(self, what: str, request: str, answered: Answered | None, wanted: int = wire.DONE) -> None:
        """Note whether a request was answered with the status that is wanted."""
        fine = answered is not None and answered.answer.status == wanted
        self._note(what, fine, _status(request, answered, wanted))

    def _ask(self, data: bytes) -> Generator[bytes, list[Event], Answered | None]:
        return _first(Answered, (yield from self.gather(data, ANSWER_US, lambda found: _first(Answered, found))))

    def _try(self, what: str, request: str, data: bytes, wanted: int = wire.DONE) -> Dialogue:
        self._judge(what, request, (yield from self._ask(data)), wanted)

    def _await(self, what: str, kind: type[State] | type[RawState], wait_us: int, missing: str) -> Dialogue:
        """Note whether events of a kind come by themselves."""
        came = _first(kind, (yield from self.gather(b"", wait_us, lambda found: _first(kind, found)))) is not None
        self._note(what, came, "they come" if came else missing)

    # -- what is tried -------------------------------------------------------------------------------------------------

    def _thresholds(self, hello: wire.Hello) -> Dialogue:
        link = self.link
        answered = yield from self._ask(link.get_thresholds())
        if answered is None or answered.answer.status != wire.DONE or answered.value is None:
            able = answered is not None and answered.answer.status == wire.NOT_ABLE
            told = _status("get thresholds", answered)
            self._note("thresholds", False, told, "not able" if able else "bad")
            return
        levels = cast("wire.Levels", answered.value)
        apart = [hole for hole, (cover_at, uncover_at) in enumerate(levels) if cover_at <= uncover_at]
        told = f"crossed over for holes {apart}" if apart else "eight pairs were told"
        if not self._note("thresholds", not apart, told):
            return
        crossed = carry(wire.encode(wire.SetThresholds(OWN_NUMBER, ((1_000, 2_000),) * HOLES)), link.carrier)
        yield from self._try("thresholds crossed over", "set thresholds, crossed over", crossed, wire.BAD_VALUE)
        again = yield from self._ask(link.get_thresholds())
        same = again is not None and again.value == levels
        self._note("thresholds stay", same, "as they were" if same else "not as they were after a refusal")
        yield from self._try("set thresholds", "set thresholds", link.set_thresholds(levels))
        stores = hello.abilities & wire.CAN_STORE_THRESHOLDS
        yield from self._try("keep", "keep", link.keep(), wire.DONE if stores else wire.NOT_ABLE)

    def _streams(self, hello: wire.Hello) -> Dialogue:
        link = self.link
        yield from self._ask(link.stream(wire.STREAM_NOTHING))
        # What was on its way is let pass.
        yield from self.gather(b"", QUIET_US)
        events = yield from self.gather(b"", QUIET_US)
        silent = not any(isinstance(event, State | RawState) for event in events)
        self._note(
            "silence", silent, "nothing streams when asked" if silent else "it streams on when asked for nothing"
        )
        yield from self._try("stream holes", "stream holes", link.stream(wire.STREAM_HOLES))
        yield from self._await("holes come", State, 3 * HEARTBEAT_US, "no holes frame came within 300 ms")
        if hello.abilities & wire.CAN_RAW:
            yield from self._try("stream raw", "stream raw", link.stream(wire.STREAM_BOTH))
            yield from self._await("raw samples come", RawState, ANSWER_US, "none came within a second")
        else:
            self._note("stream raw", False, "this chanter says that it streams no raw samples", "not able")

    def _bad_requests(self) -> Dialogue:
        link = self.link
        unknown = carry(bytes([UNHEARD_OF, OWN_NUMBER]), link.carrier)
        yield from self._try("unknown request", "a request of an unknown type", unknown, wire.UNKNOWN_REQUEST)
        short = carry(bytes([0x83, OWN_NUMBER, 1]), link.carrier)
        for what, data in (("request cut short", short), ("garbage", GARBAGE)):
            yield from self.gather(data, QUIET_US)
            answer = yield from self._ask(link.who())
            fine = answer is not None and answer.answer.status == wire.DONE
            self._note(what, fine, "it still answers" if fine else "it no longer answers after it")

    def _restarted(self, before: wire.Hello) -> Dialogue:
        # Its answer and its new hello may come in one read.
        def booted(found: list[Event]) -> bool:
            return any(isinstance(event, Seen) and event.hello.boot != before.boot for event in found)

        events = yield from self.gather(self.link.restart(), 3 * ANSWER_US, booted)
        boots = [event.hello.boot for event in events if isinstance(event, Seen)]
        fine = bool(boots) and boots[-1] is not None and boots[-1] != before.boot
        told = f"boot number {before.boot}, then {boots[-1]}" if boots else "no hello came within three seconds"
        self._note("restart", fine, told)

    def _watched(self, hello: wire.Hello) -> Dialogue:
        """Clock requests every 200 ms, and everything that streams meanwhile."""
        link, fit = self.link, ClockFit()
        raw = hello.abilities & wire.CAN_RAW
        yield from self._ask(link.stream(wire.STREAM_BOTH if raw else wire.STREAM_HOLES))
        before = self._counts()
        ticks: list[int] = []
        holes_us: list[int] = []
        raw_us: list[int] = []
        round_us: list[int] = []
        requests = max(1, self._watch_us // CLOCK_EVERY_US)
        for _ in range(requests):
            for event in (yield from self.gather(link.clock(self.now_us), CLOCK_EVERY_US)):
                if isinstance(event, State):
                    holes_us.append(event.t_us)
                elif isinstance(event, RawState):
                    raw_us.append(event.t_us)
                elif isinstance(event, Answered) and isinstance(event.asked, wire.Clock):
                    sent_us, back_us = event.asked.host_us, event.host_us
                    if isinstance(event.value, tuple):
                        ticks.append(cast("int", event.value[1]))
                    if event.t_us is not None and back_us is not None:
                        round_us.append(back_us - sent_us)
                        fit.add_exchange(sent_us, event.t_us, back_us)
        lost, frames, bad, restarts = (now - then for now, then in zip(self._counts(), before, strict=True))
        self._heartbeats(hello, holes_us, lost)
        told = f"{lost} of {lost + frames} frames lost, {bad} damaged"
        self._note("loss", lost / max(1, lost + frames) <= LOSS_IS_BAD, told)
        self.trips = trips(round_us)
        told = f"{len(round_us)} of {requests} clock requests were answered"
        self._note("clock", len(round_us) == requests, told)
        self.scans = scans(raw_us, _scan_us(hello))
        if self.scans is None:
            self._note("scans", False, "without raw samples the scans cannot be watched", "not seen")
        else:
            told = f"{self.scans.off_share:.1%} of {self.scans.count} steps are off the usual one"
            self._note("scans", self.scans.off_share <= LOSS_IS_BAD, told)
        self._wrap(ticks, restarts)
        self.fit = fit.fit()
        if raw:
            yield from self._ask(link.stream(wire.STREAM_HOLES))

    def _heartbeats(self, hello: wire.Hello, holes_us: list[int], lost: int) -> None:
        gap_us = longest_gap_us(holes_us)
        fine = bool(holes_us) and gap_us <= HEARTBEAT_US + 2 * max(_scan_us(hello), 1)
        told = f"the longest silence was {gap_us / 1_000:.1f} ms on its clock; 100 is the most"
        if lost and holes_us and not fine:
            self._note("heartbeats", False, f"{told}, but frames were lost, and may have been heartbeats", "not seen")
        else:
            self._note("heartbeats", fine, told)

    def _wrap(self, ticks: list[int], restarts: int) -> None:
        """Whether it stayed on, and what became of its clock at the greatest time."""
        times = "once" if restarts == 1 else f"{restarts} times"
        self._note("stays on", not restarts, f"it started anew {times} while watched" if restarts else "it stayed on")
        if any(earlier - later > WRAP // 2 for earlier, later in pairwise(ticks)) and not restarts:
            self._note("time wrap", True, "its clock began anew from 0, and its times went on")
        elif ticks:
            wait_s = (WRAP - ticks[-1]) // 1_000_000 + 1
            told = f"its clock begins anew in {wait_s / 60:.1f} minutes: --for {wait_s + 10} would see it"
            self._note("time wrap", False, told, "not seen")

    def _counts(self) -> tuple[int, int, int, int]:
        intake = self.link.intake
        return intake.lost_frames, intake.frames, intake.bad_frames, intake.restarts


Kind = TypeVar("Kind")


def _first(kind: type[Kind], events: list[Event]) -> Kind | None:
    return next((event for event in events if isinstance(event, kind)), None)


def _scan_us(hello: wire.Hello) -> int:
    return 1_000_000 // hello.scan_rate_hz if hello.scan_rate_hz else 0


def _status(request: str, answered: Answered | None, wanted: int = wire.DONE) -> str:
    if answered is None:
        return f"{request}: no answer came within a second"
    got = f"{request}: {answered.words}"
    return got if answered.answer.status == wanted else f"{got}; {wire.STATUS_WORDS[wanted]} is expected"
