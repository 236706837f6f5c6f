"""Talking with a chanter, sans-IO: what to send comes out, bytes and the host's time go in.

A talk is one generator that yields what to send and gets the events that came; it reads as it goes. Raises Refused, a
sentence, where the chanter does not do what it is asked, and NotAChanter where it is none.
"""

import contextlib
from collections import deque
from collections.abc import Callable, Generator
from typing import cast

from fingering.holes import FINGERS, HOLES
from fingerlead.store.chanters import CalibrationError
from fingerlead.wire import messages as wire
from fingerlead.wire.carriers import Framing
from fingerlead.wire.errors import MessageError
from fingerlead.wire.events import Answered, Doubted, Event, RawState
from fingerlead.wire.link import HostLink

ANSWER_US = 1_000_000
TRIES = 3
SILENT_US = 2_000_000
MOST_RAWS = 4_096
STARTED_ANEW = "expected the chanter to stay on, but it started anew in the middle; begin again"

Dialogue = Generator[bytes, list[Event], None]
Events = Generator[bytes, list[Event], list[Event]]


class Refused(ValueError):
    """The chanter does not do what it is asked; str() is one sentence."""


class Away(Refused):
    """The chanter does not speak any more, or has started anew; it may come back."""


class Talk:
    """One talk. Call `begin` once, then `hear` with each read, b"" where one timed out; send what they return."""

    # What the player is to do now, by which simulated hands know it: a kind of step, and its hole.
    asks: tuple[str, int | None] | None = None

    def __init__(self, carrier: Framing) -> None:
        self.link = HostLink(carrier)
        self.done = False
        self.now_us = 0
        self._dialogue = self.talk()

    def talk(self) -> Dialogue:
        """What is said, and what is made of the answers."""
        raise NotImplementedError

    def begin(self, now_us: int) -> bytes:
        """The first bytes to send."""
        self.now_us = now_us
        return next(self._dialogue)

    def hear(self, data: bytes, now_us: int) -> bytes:
        """Take in what came; what to send next."""
        self.now_us = now_us
        events = self.link.receive(data, now_us)
        self.watch(data, events)
        if not self.done:
            try:
                return self._dialogue.send(events)
            except StopIteration:
                self.done = True
        return b""

    def watch(self, data: bytes, events: list[Event]) -> None:
        """Look at each read before the talk goes on; may raise."""

    def gather(
        self, send: bytes, wait_us: int, enough: Callable[[list[Event]], object] = lambda events: False
    ) -> Events:
        """Send, then gather events until `enough` of them came or `wait_us` is over."""
        until_us = self.now_us + wait_us
        events = yield send
        while not enough(events) and self.now_us < until_us:
            events += yield b""
        return events


class WorkbenchTalk(Talk):
    """A talk with one chanter that has to stay on, asked again where it does not answer.

    `raws` are the last raw samples that came, to be shown; clear it once they are.
    """

    def __init__(self, carrier: Framing) -> None:
        super().__init__(carrier)
        self.raws: deque[RawState] = deque(maxlen=MOST_RAWS)
        self._heard_us: int | None = None
        self._met = ""

    @property
    def device(self) -> str:
        """The chanter's id in hexadecimal digits, empty before it said it."""
        return "" if self.link.hello is None else self.link.hello.device_id.hex()

    @property
    def full_scale(self) -> int:
        """The greatest raw sample, by the hello."""
        bits = 0 if self.link.hello is None else self.link.hello.raw_bits
        return (1 << (bits if 1 <= bits <= 16 else 16)) - 1

    def watch(self, data: bytes, events: list[Event]) -> None:
        """Keep raw samples; Refused where another chanter speaks, or none does any more."""
        self.raws.extend(raws_of(events))
        if data or self._heard_us is None:
            self._heard_us = self.now_us
        if self.done:
            return
        self._met = self._met or self.device
        if self.device != self._met:
            raise Refused(
                f"expected chanter {self._met} to stay on, but chanter {self.device} spoke; leave only one plugged in, "
                "and begin again"
            )
        # While it is asked who it is, `meet` has the patience.
        if self.link.hello is not None and self.now_us - self._heard_us > SILENT_US:
            raise Away("expected the chanter to go on speaking, but it fell silent; check its cable and begin again")

    def ask(self, what: str, request: Callable[[], bytes]) -> Generator[bytes, list[Event], Answered]:
        """Ask until it is answered with `done`."""
        numbers = set()

        def answer_in(events: list[Event]) -> Answered | None:
            # One to what was asked before may still be on its way: that to `who`, where a hello came by itself.
            answers = (event for event in events if isinstance(event, Answered) and event.asked is not None)
            return next((each for each in answers if each.answer.request in numbers), None)

        for _ in range(TRIES):
            numbers.add(self.link.next_number)
            answer = answer_in((yield from self.gather(request(), ANSWER_US, answer_in)))
            if answer is not None:
                if answer.answer.status != wire.DONE:
                    raise Refused(f"expected the chanter to {what}, but it answered: {answer.words}")
                return answer
        raise Refused(f"expected the chanter to {what}, but it did not answer within {TRIES} s; check its cable")

    def meet(self, able: int = 0, why: str = "") -> Dialogue:
        """Wait for a hello; Refused where the chanter lacks an ability."""
        for _ in range(TRIES):
            yield from self.gather(self.link.who(), ANSWER_US, lambda events: self.link.hello)
            if self.link.hello is not None:
                break
        else:
            raise Away("expected a chanter to say who it is, but no hello came; see: fingerlead devices")
        if self.link.hello.abilities & able != able:
            raise Refused(why)

    def stream_holes(self) -> Dialogue:
        """Have it stream its holes, as it does by itself."""
        yield from self.ask("stream its holes", lambda: self.link.stream(wire.STREAM_HOLES))

    def next_events(self) -> Events:
        """What one read brings; Refused where the chanter started anew."""
        events = yield b""
        if any(isinstance(event, Doubted) and event.doubt.cause == "restart" for event in events):
            raise Away(STARTED_ANEW)
        return events

    def levels(self) -> Generator[bytes, list[Event], wire.Levels]:
        """The levels in use."""
        answer = yield from self.ask("tell its thresholds", self.link.get_thresholds)
        if not isinstance(answer.value, tuple) or len(answer.value) != HOLES:
            raise Refused("expected the chanter to tell eight thresholds, but its answer was cut short; try again")
        levels = cast("wire.Levels", answer.value)
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
        self,
        carrier: Framing,
        levels: wire.Levels,
        device: str,
        note: Callable[[wire.Levels], None] = lambda levels: None,
    ) -> None:
        super().__init__(carrier)
        self.before: wire.Levels = ()
        self.kept = False
        self._levels, self._device, self._note = levels, device, note

    def talk(self) -> Dialogue:
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
        if (yield from self.levels()) != self._levels:
            # The old levels are better than levels that were never meant.
            yield from self.ask("take its thresholds back", lambda: self.link.set_thresholds(self.before))
            raise Refused("expected the chanter to tell the levels it was given, but it told others; the old are back")
        # Not every chanter can keep them; such a one has them until it is switched off.
        with contextlib.suppress(Refused):
            yield from self.ask("keep its thresholds", self.link.keep)
            self.kept = True


def raws_of(events: list[Event]) -> list[RawState]:
    """The raw samples among events."""
    return [event for event in events if isinstance(event, RawState)]
