"""Talking with a chanter on the bench, sans-IO: what to send comes out, bytes and the host's time go in.

A talk is one generator that yields what to send and gets the events that came; it reads as it goes. Raises Refused, a
sentence, where the chanter does not do what it is asked, and NotAChanter where it is none.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator
from typing import cast

from fingering.holes import FINGERS, HOLES
from fingerlead.store.chanters import CalibrationError
from fingerlead.wire import messages as wire
from fingerlead.wire.errors import MessageError
from fingerlead.wire.events import Answered, Event, RawState, State
from fingerlead.wire.link import Carrier, HostLink
from fingerlead.wire.messages import Levels

ANSWER_US = 1_000_000
TRIES = 3
SILENT_US = 2_000_000
MOST_RAWS = 4_096

Talk = Generator[bytes, list[Event], None]


class Refused(ValueError):
    """The chanter does not do what it is asked; str() is one sentence."""


class WorkbenchTalk:
    """One talk. Call `begin` once, then `hear` with each read, b"" where one timed out; send what they return.

    `raws` are the last raw samples that came, for whoever shows them; who has shown them may clear it.
    """

    def __init__(self, carrier: Carrier) -> None:
        self.link = HostLink(carrier)
        self.done = False
        self.now_us = 0
        self.raws: deque[RawState] = deque(maxlen=MOST_RAWS)
        self._heard_us = 0
        self._met = ""
        self._talk = self.talk()

    @property
    def device(self) -> str:
        """The chanter's id in hexadecimal digits, empty before it said it."""
        return "" if self.link.hello is None else self.link.hello.device_id.hex()

    @property
    def full_scale(self) -> int:
        """The greatest raw sample, by the hello."""
        bits = 0 if self.link.hello is None else self.link.hello.raw_bits
        return (1 << (bits if 1 <= bits <= 16 else 16)) - 1

    def talk(self) -> Talk:
        """What is said, and what is made of the answers."""
        raise NotImplementedError

    def begin(self, now_us: int) -> bytes:
        """The first bytes to send."""
        self.now_us = self._heard_us = now_us
        return next(self._talk)

    def hear(self, data: bytes, now_us: int) -> bytes:
        """Take in what came; what to send next."""
        self.now_us = now_us
        events = self.link.receive(data, now_us)
        self.raws.extend(raw_of(events))
        if data:
            self._heard_us = now_us
        if self.done:
            return b""
        self._met = self._met or self.device
        if self.device != self._met:
            raise Refused(
                f"expected chanter {self._met} to stay on, but chanter {self.device} spoke; leave only one plugged in, "
                "and begin again"
            )
        # While it is asked who it is, `meet` has the patience.
        if self.link.hello is not None and now_us - self._heard_us > SILENT_US:
            raise Refused("expected the chanter to go on speaking, but it fell silent; check its cable and begin again")
        try:
            return self._talk.send(events)
        except StopIteration:
            self.done = True
            return b""

    def ask(self, what: str, request: Callable[[], bytes]) -> Generator[bytes, list[Event], Answered]:
        """Ask until it is answered with `done`."""
        numbers = set()
        for _ in range(TRIES):
            numbers.add(self.link.next_number)
            asked_us, events = self.now_us, (yield request())
            while self.now_us - asked_us < ANSWER_US:
                # One to what was asked before may still be on its way: that to `who`, where a hello came by itself.
                answers = (event for event in events if isinstance(event, Answered) and event.asked is not None)
                answer = next((each for each in answers if each.answer.request in numbers), None)
                if answer is not None:
                    if answer.answer.status != wire.DONE:
                        raise Refused(f"expected the chanter to {what}, but it answered: {answer.words}")
                    return answer
                events = yield b""
        raise Refused(f"expected the chanter to {what}, but it did not answer within {TRIES} s; check its cable")

    def meet(self, able: int = 0, why: str = "") -> Talk:
        """Wait for a hello; Refused where the chanter lacks an ability."""
        for _ in range(TRIES):
            asked_us = self.now_us
            yield self.link.who()
            while self.link.hello is None and self.now_us - asked_us < ANSWER_US:
                yield b""
            if self.link.hello is not None:
                break
        hello = self.link.hello
        if hello is None:
            raise Refused("expected a chanter to say who it is, but no hello came; see: fingerlead devices")
        if hello.abilities & able != able:
            raise Refused(why)

    def levels(self) -> Generator[bytes, list[Event], Levels]:
        """The levels in use."""
        answer = yield from self.ask("tell its thresholds", self.link.get_thresholds)
        if not isinstance(answer.value, tuple) or len(answer.value) != HOLES:
            raise Refused("expected the chanter to tell eight thresholds, but its answer was cut short; try again")
        levels = cast("Levels", answer.value)
        for hole, (cover_at, uncover_at) in enumerate(levels):
            # Such a chanter would refuse to take them back.
            if cover_at <= uncover_at:
                raise Refused(
                    "expected the chanter to tell levels with cover at above uncover at, but of the "
                    f"{FINGERS[hole]} it told {cover_at} and {uncover_at}; its firmware has to begin with sound ones"
                )
        return levels


class Giving(WorkbenchTalk):
    """Give the chanter levels, read them back, have them kept.

    `before` is what it had; `note` is called with that before it gets any others, and where it raises, it gets none.
    `kept` is whether it keeps them when it is switched off. CalibrationError where `device` is another chanter.
    """

    def __init__(
        self, carrier: Carrier, levels: Levels, device: str, note: Callable[[Levels], None] = lambda levels: None
    ) -> None:
        super().__init__(carrier)
        self.before: Levels = ()
        self.kept = False
        self._levels, self._device, self._note = levels, device, note

    def talk(self) -> Talk:
        """Set, read back, compare, keep."""
        yield from self.meet()
        if self.device != self._device:
            raise CalibrationError(
                f"expected chanter {self._device}, but this is {self.device}; plug in the other one, or calibrate this"
            )
        self.before = yield from self.levels()
        self._note(self.before)
        try:
            yield from self.ask("take its thresholds", lambda: self.link.set_thresholds(self._levels))
        except MessageError as error:
            raise Refused(str(error)) from None
        told = yield from self.levels()
        if told != self._levels:
            # As it was is better than as nobody meant it.
            yield from self.ask("take its thresholds back", lambda: self.link.set_thresholds(self.before))
            raise Refused("expected the chanter to tell the levels it was given, but it told others; the old are back")
        try:
            yield from self.ask("keep its thresholds", self.link.keep)
            self.kept = True
        except Refused:
            # Not every chanter can; it has them until it is switched off.
            self.kept = False


def raw_of(events: list[Event]) -> list[RawState]:
    """The raw samples among events."""
    return [event for event in events if isinstance(event, RawState)]


def states_of(events: list[Event]) -> list[tuple[int, int]]:
    """The hole states among events: (time, covered mask)."""
    return [(event.t_us, event.covered_mask) for event in events if isinstance(event, State)]
