"""A self-test of any chanter that claims to speak the wire: each request asked, bad ones too, then a time of watching.

Sans-IO: bytes and the host's time in, bytes to send out. The talk is one generator, which reads as the test is told:
it yields what to send and how long to wait for what, and gets the events that came.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, cast

from fingering.holes import HOLES
from fingerlead.wire import messages as wire
from fingerlead.wire.clock import WRAP, ClockFit, Fit
from fingerlead.wire.events import Answered, Event, RawState, Seen, State
from fingerlead.wire.link import Carrier, HostLink, carry

# --- One thing that was tried on a chanter, and how it went.

Verdict = Literal["good", "bad", "not able", "not seen"]


@dataclass(frozen=True, slots=True)
class Trial:
    """One thing tried, and how it went."""

    what: str
    verdict: Verdict
    sentence: str


# --- What the stamps and round trips of a chanter say: how even its scans are, how late its link, how fast its clock.
#
# Question: can the finger times of this chanter be believed? Conventions: integer µs; percentiles by nearest rank.


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


MOST_BINS = 12


def scans(stamps_us: Sequence[int], told_us: int) -> Scans | None:
    """How even the stamps of raw frames are; `told_us` is the step that was asked for. None where there are too few.

    A step is off where it lies further than a tenth from the usual one.
    """
    steps = [after - before for before, after in pairwise(stamps_us)]
    if not steps:
        return None
    ordered = sorted(steps)
    usual = ordered[len(ordered) // 2]
    off = sum(abs(step - usual) * 10 > usual for step in steps)
    width = max(1, told_us // 20)
    bins = Counter((step + width // 2) // width * width for step in steps)
    shown = sorted(step for step, _ in bins.most_common(MOST_BINS))
    histogram = tuple((step, bins[step]) for step in shown)
    return Scans(len(steps), usual, ordered[0], ordered[-1], off / len(steps), histogram)


def trips(round_us: Sequence[int]) -> Trips | None:
    """What round trips take; None where none was answered."""
    if not round_us:
        return None
    ordered = sorted(round_us)
    return Trips(len(ordered), ordered[0], _rank(ordered, 0.5), _rank(ordered, 0.99), ordered[-1])


def longest_gap_us(stamps_us: Sequence[int]) -> int:
    """The longest time between two stamps; 0 where there are fewer than two."""
    return max((after - before for before, after in pairwise(stamps_us)), default=0)


def _rank(ordered: list[int], share: float) -> int:
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)]


# ---

ANSWER_US = 1_000_000
QUIET_US = 350_000
HEARTBEAT_US = 100_000
CLOCK_EVERY_US = 200_000
GARBAGE = bytes(range(1, 256)) * 4
UNHEARD_OF = 0x9F
# Of requests that the link itself would not send.
OWN_NUMBER = 251
# A frame that is lost now and then is the link's; more is a fault. Our own choice.
LOSS_IS_BAD = 0.001


@dataclass(frozen=True, slots=True)
class TestStep:
    """Send, then gather events until `enough` of them came or `wait_us` is over."""

    send: bytes
    wait_us: int
    enough: Callable[[list[Event]], bool] = lambda events: False


Talk = Generator[TestStep, list[Event], None]


class SelfTest:
    """Feed it what the port gives; send what it returns. `watch_us` is how long it watches at the end."""

    def __init__(self, carrier: Carrier, watch_us: int, restart: bool = False) -> None:
        self.link = HostLink(carrier)
        self.findings: list[Trial] = []
        self.scans: Scans | None = None
        self.trips: Trips | None = None
        self.fit: Fit | None = None
        self.done = False
        self._watch_us, self._restart = watch_us, restart
        self._talk = self._whole()
        self._step: TestStep | None = None
        self._events: list[Event] = []
        self._until_us = self._now_us = 0

    def begin(self, now_us: int) -> bytes:
        """The first bytes to send."""
        self._now_us = now_us
        self._step = next(self._talk)
        self._until_us = now_us + self._step.wait_us
        return self._step.send

    def hear(self, data: bytes, now_us: int) -> bytes:
        """Take in what came (or nothing, as time goes by); what to send next. Raises NotAChanter."""
        self._now_us = now_us
        self._events += self.link.receive(data, now_us)
        send = b""
        while not self.done and self._step is not None:
            if not self._step.enough(self._events) and now_us < self._until_us:
                break
            events, self._events = self._events, []
            try:
                self._step = self._talk.send(events)
            except StopIteration:
                self.done = True
                break
            self._until_us = now_us + self._step.wait_us
            send += self._step.send
        return send

    @property
    def good(self) -> bool:
        """Whether nothing was found bad."""
        return all(finding.verdict != "bad" for finding in self.findings)

    def _say(self, what: str, fine: bool, sentence: str, otherwise: Verdict = "bad") -> bool:
        self.findings.append(Trial(what, "good" if fine else otherwise, sentence))
        return fine

    def _whole(self) -> Talk:
        link = self.link
        events = yield TestStep(link.who(), ANSWER_US, lambda found: _answer(found) is not None and _seen(found))
        hello = link.hello
        if not self._say("hello", hello is not None, _hello_words(hello)):
            return
        assert hello is not None
        answer = _answer(events)
        self._say("who", answer is not None and answer.answer.status == 0, _status("who", answer))
        self._say("version", hello.protocol == wire.PROTOCOL, f"protocol {hello.protocol}; version 1 is expected")
        self._say("holes", hello.holes == HOLES, f"{hello.holes} holes; eight are expected")
        yield from self._thresholds(hello)
        yield from self._streams(hello)
        yield from self._bad_requests()
        if self._restart:
            yield from self._restarted(hello)
        yield from self._watched(hello)

    def _ask(self, data: bytes) -> Generator[TestStep, list[Event], Answered | None]:
        events = yield TestStep(data, ANSWER_US, lambda found: _answer(found) is not None)
        return _answer(events)

    def _thresholds(self, hello: wire.Hello) -> Talk:
        link = self.link
        told = yield from self._ask(link.get_thresholds())
        levels = cast("wire.Levels | None", told.value if told is not None and told.answer.status == 0 else None)
        if levels is None:
            able = told is not None and told.answer.status == wire.NOT_ABLE
            self._say("thresholds", False, _status("get thresholds", told), "not able" if able else "bad")
            return
        apart = [hole for hole, (cover_at, uncover_at) in enumerate(levels) if cover_at <= uncover_at]
        told_words = f"crossed over for holes {apart}" if apart else "eight pairs were told"
        if not self._say("thresholds", not apart, told_words):
            return
        crossed = wire.encode(wire.SetThresholds(OWN_NUMBER, tuple((1_000, 2_000) for _ in range(HOLES))))
        refused = yield from self._ask(carry(crossed, link.carrier))
        fine = refused is not None and refused.answer.status == wire.BAD_VALUE
        self._say("thresholds crossed over", fine, _status("set thresholds, crossed over", refused, wire.BAD_VALUE))
        again = yield from self._ask(link.get_thresholds())
        same = again is not None and again.value == levels
        self._say("thresholds stay", same, "as they were" if same else "not as they were after a refusal")
        given = yield from self._ask(link.set_thresholds(levels))
        self._say("set thresholds", given is not None and given.answer.status == 0, _status("set thresholds", given))
        kept = yield from self._ask(link.keep())
        stores = bool(hello.abilities & wire.CAN_STORE_THRESHOLDS)
        status = wire.DONE if stores else wire.NOT_ABLE
        fine = kept is not None and kept.answer.status == status
        self._say("keep", fine, _status("keep", kept, status), "bad")

    def _streams(self, hello: wire.Hello) -> Talk:
        link = self.link
        yield from self._ask(link.stream(wire.STREAM_NOTHING))
        # What was on its way is let pass.
        yield TestStep(b"", QUIET_US)
        events = yield TestStep(b"", QUIET_US)
        silent = not any(isinstance(event, State | RawState) for event in events)
        self._say("silence", silent, "nothing streams when asked" if silent else "it streams on when asked for nothing")
        holes = yield from self._ask(link.stream(wire.STREAM_HOLES))
        self._say("stream holes", holes is not None and holes.answer.status == 0, _status("stream holes", holes))
        events = yield TestStep(b"", 3 * HEARTBEAT_US, lambda found: any(isinstance(each, State) for each in found))
        came = any(isinstance(event, State) for event in events)
        self._say("holes come", came, "they come" if came else "no holes frame came within 300 ms")
        if hello.abilities & wire.CAN_RAW:
            raw = yield from self._ask(link.stream(wire.STREAM_BOTH))
            self._say("stream raw", raw is not None and raw.answer.status == 0, _status("stream raw", raw))
            events = yield TestStep(b"", ANSWER_US, lambda found: any(isinstance(each, RawState) for each in found))
            came = any(isinstance(event, RawState) for event in events)
            self._say("raw samples come", came, "they come" if came else "none came within a second")
        else:
            self._say("stream raw", False, "this chanter says that it streams no raw samples", "not able")

    def _bad_requests(self) -> Talk:
        link = self.link
        unknown = bytes([UNHEARD_OF, OWN_NUMBER])
        events = yield TestStep(carry(unknown, link.carrier), ANSWER_US, lambda found: _answer(found) is not None)
        answer = _answer(events)
        fine = answer is not None and answer.answer.status == wire.UNKNOWN_REQUEST
        self._say("unknown request", fine, _status("a request nobody knows", answer, wire.UNKNOWN_REQUEST))
        short = carry(bytes([0x83, OWN_NUMBER, 1]), link.carrier)
        for what, data in (("request cut short", short), ("garbage", GARBAGE)):
            yield TestStep(data, QUIET_US)
            answer = yield from self._ask(link.who())
            fine = answer is not None and answer.answer.status == 0
            self._say(what, fine, "it still answers" if fine else "it no longer answers after it")

    def _restarted(self, before: wire.Hello) -> Talk:
        # Its answer and its new hello may come in one read.
        events = yield TestStep(self.link.restart(), 3 * ANSWER_US, lambda found: _started_anew(found, before))
        boots = [event.hello.boot for event in events if isinstance(event, Seen)]
        fine = bool(boots) and boots[-1] is not None and boots[-1] != before.boot
        told = f"boot number {before.boot}, then {boots[-1]}" if boots else "no hello came within three seconds"
        self._say("restart", fine, told)

    def _watched(self, hello: wire.Hello) -> Talk:
        """Clock requests every 200 ms, and everything that streams meanwhile."""
        link, fit = self.link, ClockFit()
        raw = bool(hello.abilities & wire.CAN_RAW)
        yield from self._ask(link.stream(wire.STREAM_BOTH if raw else wire.STREAM_HOLES))
        before = self._counts()
        ticks: list[int] = []
        holes_us: list[int] = []
        raw_us: list[int] = []
        round_us: list[int] = []
        asked = 0
        for _ in range(max(1, self._watch_us // CLOCK_EVERY_US)):
            asked += 1
            events = yield TestStep(link.clock(self._now_us), CLOCK_EVERY_US)
            for event in events:
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
        self._told_of(hello, holes_us, raw_us, round_us, asked, before)
        self._wrap(ticks, link.intake.restarts - before[3])
        self.fit = fit.fit()
        if raw:
            yield from self._ask(link.stream(wire.STREAM_HOLES))

    def _told_of(
        self,
        hello: wire.Hello,
        holes_us: list[int],
        raw_us: list[int],
        round_us: list[int],
        asked: int,
        before: tuple[int, ...],
    ) -> None:
        scan_us = 1_000_000 // hello.scan_rate_hz if hello.scan_rate_hz else 0
        gap_us = longest_gap_us(holes_us)
        lost, frames, bad, _ = (now - then for now, then in zip(self._counts(), before, strict=True))
        fine = bool(holes_us) and gap_us <= HEARTBEAT_US + 2 * max(scan_us, 1)
        told = f"the longest silence was {gap_us / 1_000:.1f} ms on its clock; 100 is the most"
        if lost and holes_us and not fine:
            self._say("heartbeats", False, f"{told}, but frames were lost, and may have been heartbeats", "not seen")
        else:
            self._say("heartbeats", fine, told)
        share = lost / max(1, lost + frames)
        self._say("loss", share <= LOSS_IS_BAD, f"{lost} of {lost + frames} frames lost, {bad} damaged")
        self.trips = trips(round_us)
        self._say("clock", len(round_us) == asked, f"{len(round_us)} of {asked} clock requests were answered")
        self.scans = scans(raw_us, scan_us) if raw_us else None
        if self.scans is None:
            self.findings.append(Trial("scans", "not seen", "without raw samples the scans cannot be watched"))
        else:
            even = self.scans.off_share <= LOSS_IS_BAD
            self._say("scans", even, f"{self.scans.off_share:.1%} of {self.scans.count} steps are off the usual one")

    def _wrap(self, ticks: list[int], restarts: int) -> None:
        """Whether it stayed on, and what became of its clock at the greatest time."""
        times = "once" if restarts == 1 else f"{restarts} times"
        self._say("stays on", not restarts, f"it started anew {times} while watched" if restarts else "it stayed on")
        if any(earlier - later > WRAP // 2 for earlier, later in pairwise(ticks)) and not restarts:
            self._say("time wrap", True, "its clock began anew from 0, and its times went on")
        elif ticks:
            wait_s = (WRAP - ticks[-1]) // 1_000_000 + 1
            told = f"its clock begins anew in {wait_s / 60:.1f} minutes: --for {wait_s + 10} would see it"
            self._say("time wrap", False, told, "not seen")

    def _counts(self) -> tuple[int, int, int, int]:
        intake = self.link.intake
        return intake.lost_frames, intake.frames, intake.bad_frames, intake.restarts


def _answer(events: list[Event]) -> Answered | None:
    return next((event for event in events if isinstance(event, Answered)), None)


def _seen(events: list[Event]) -> bool:
    return any(isinstance(event, Seen) for event in events)


def _started_anew(events: list[Event], before: wire.Hello) -> bool:
    return any(isinstance(event, Seen) and event.hello.boot != before.boot for event in events)


def _status(what: str, answered: Answered | None, wanted: int = 0) -> str:
    if answered is None:
        return f"{what}: no answer came within a second"
    got = f"{what}: {answered.words}"
    return got if answered.answer.status == wanted else f"{got}; {wire.STATUS_WORDS[wanted]} is expected"


def _hello_words(hello: wire.Hello | None) -> str:
    if hello is None:
        return "no hello came within a second of being asked"
    version, name = ".".join(map(str, hello.firmware)), hello.name or "no name"
    return f"{name}, {hello.device_id.hex()}, firmware {version}, {hello.scan_rate_hz} scans a second"
