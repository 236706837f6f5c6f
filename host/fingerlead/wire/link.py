"""One link, sans-IO: bytes and arrival times in, events out; requests in, bytes to send out.

`HostLink` is the host's side, `ChanterLink` the chanter's. Neither reads, waits or knows a port; any cutting of the
bytes gives the same events. Damage is counted in `intake`, never raised; only a device that speaks nothing of the wire
raises NotAChanter.
"""

from __future__ import annotations

from typing import Literal

from fingerlead.wire import messages
from fingerlead.wire.account import GAP_US, HOLES_KIND, RAW_KIND, TROUBLE_KIND, Account
from fingerlead.wire.carriers import Damaged, Payload, StreamReader, SysexReader, to_stream, to_sysex
from fingerlead.wire.errors import MessageError, NotAChanter
from fingerlead.wire.events import Answered, Doubted, Event, Intake, RawState, Seen, State, TroubleSeen
from fingerlead.wire.messages import (
    Answer,
    Hello,
    Holes,
    Levels,
    Message,
    Raw,
    Request,
    Trouble,
    Unknown,
    read_answer_body,
)

Carrier = Literal["stream", "sysex"]


PATIENCE_US = 2_000_000
LONGEST_SHOWN = 8


def carry(payload: Payload, carrier: Carrier) -> bytes:
    """A payload as it goes over the carrier."""
    return to_stream(payload) if carrier == "stream" else to_sysex(payload)


def carried_size(payload: Payload, carrier: Carrier) -> int:
    """How many bytes a payload takes on the carrier, a zero delimiter not counted."""
    body = len(payload) + 2
    return body + 1 if carrier == "stream" else body + -(-body // 7) + 5


def new_reader(carrier: Carrier) -> StreamReader | SysexReader:
    """The reader of a carrier."""
    return StreamReader() if carrier == "stream" else SysexReader()


class HostLink:
    """The host's side of one link.

    `patience_us` is how long bytes may come without one sound frame of a chanter; None waits for ever (a file has no
    impatience). `host_us` None means that nobody knows when the bytes arrived.
    """

    def __init__(
        self, carrier: Carrier = "stream", gap_us: int = GAP_US, patience_us: int | None = PATIENCE_US
    ) -> None:
        self.carrier: Carrier = carrier
        self.account = Account(gap_us)
        self._reader = new_reader(carrier)
        self._patience_us = patience_us
        self._first_byte_us: int | None = None
        self._heard = False  # a sound frame of a kind that only chanters send
        self._bytes = 0
        self._opening = b""
        self._next_request = 0
        self._asked: dict[int, Request] = {}

    @property
    def intake(self) -> Intake:
        """What was taken in, and what could not be used."""
        return self.account.intake

    @property
    def scan_us(self) -> int | None:
        """The chanter's scan period, the widest that a hello told; None where none did."""
        return self.account.scan_us

    @property
    def hello(self) -> Hello | None:
        """The last hello."""
        return self.account.hello

    @property
    def end_us(self) -> int:
        """The time of the last timed frame; 0 before the first."""
        return self.account.end_us

    @property
    def next_number(self) -> int:
        """The number of the next request."""
        return self._next_request

    def receive(self, data: bytes, host_us: int | None) -> list[Event]:
        """Take in the bytes of one read that ended at `host_us`; b"" where a read timed out.

        Raises NotAChanter where bytes have come for `patience_us` without a sound frame of a chanter.
        """
        events: list[Event] = []
        for item in self._reader.feed(data):
            if isinstance(item, Damaged):
                self._count(item)
            else:
                self._take(item, host_us, events)
        if not self._heard:
            self._judge(data, host_us)
        return events

    def close(self) -> Intake:
        """The link has ended: what is left unfinished counts as skipped."""
        for item in self._reader.close():
            if isinstance(item, Damaged):
                self._count(item)
        return self.intake

    def who(self) -> bytes:
        """Ask who is there."""
        return self._ask(messages.Who(self.next_number))

    def stream(self, what: int, raw_rate_hz: int = 0) -> bytes:
        """Ask for holes, raw samples, both or nothing (STREAM_HOLES …); rate 0 is the chanter's own."""
        if what not in range(4):
            raise MessageError("0 nothing, 1 holes, 2 raw or 3 both", str(what))
        return self._ask(messages.Stream(self.next_number, what, raw_rate_hz))

    def set_thresholds(self, levels: Levels) -> bytes:
        """Give the chanter its levels: eight pairs (cover at, uncover at), cover at > uncover at."""
        for hole, (cover_at, uncover_at) in enumerate(levels):
            if cover_at <= uncover_at:
                raise MessageError("cover at above uncover at", f"{cover_at} and {uncover_at} for hole {hole}")
        return self._ask(messages.SetThresholds(self.next_number, levels))

    def get_thresholds(self) -> bytes:
        """Ask for the levels in use."""
        return self._ask(messages.GetThresholds(self.next_number))

    def keep(self) -> bytes:
        """Have the thresholds written to lasting storage."""
        return self._ask(messages.Keep(self.next_number))

    def clock(self, host_us: int) -> bytes:
        """Ask for the chanter's time; `host_us` comes back with the answer."""
        return self._ask(messages.Clock(self.next_number, host_us))

    def restart(self) -> bytes:
        """Have the chanter start anew."""
        return self._ask(messages.Restart(self.next_number))

    def _ask(self, request: Request) -> bytes:
        data = carry(messages.encode(request), self.carrier)
        self._asked[request.request] = request
        self._next_request = (request.request + 1) & 0xFF
        # The zero before it ends whatever the line may have left in the chanter's reader.
        return b"\0" + data if self.carrier == "stream" else data

    def _count(self, damaged: Damaged) -> None:
        self.intake.skipped_bytes += damaged.size
        self.intake.bad_frames += damaged.delimited

    def _take(self, payload: Payload, host_us: int | None, events: list[Event]) -> None:
        try:
            message = messages.decode(payload)
        except MessageError:
            self._count(Damaged("body too short", carried_size(payload, self.carrier), True))
            return
        account = self.account
        account.intake.frames += 1
        if payload[0] < 0x80:
            self._heard = True
        event: Event | None = None
        if isinstance(message, Holes):
            t_us = account.timed(HOLES_KIND, message.sequence, message.ticks32, host_us)
            if t_us is not None:
                event = State(t_us, message.covered_mask, host_us)
        elif isinstance(message, Raw):
            t_us = account.timed(RAW_KIND, message.sequence, message.ticks32, host_us)
            if t_us is not None:
                event = RawState(t_us, message.samples, host_us)
        elif isinstance(message, Trouble):
            t_us = account.timed(TROUBLE_KIND, trouble_tag(message), message.ticks32, host_us)
            if t_us is not None:
                event = TroubleSeen(t_us, message, host_us)
        elif isinstance(message, Hello):
            account.greet(message)
            event = Seen(message, host_us)
        elif isinstance(message, Answer):
            event = self._answered(message, host_us)
        if account.doubts:
            events.extend(map(Doubted, account.doubts))
            account.doubts.clear()
        if event is not None:
            events.append(event)

    def _answered(self, answer: Answer, host_us: int | None) -> Answered:
        asked = self._asked.pop(answer.request, None)
        value = read_answer_body(asked, answer.body) if asked is not None and answer.status == 0 else None
        t_us = None
        if isinstance(asked, messages.Clock) and isinstance(value, tuple) and self.account.clock.started:
            ticks32 = value[1]
            t_us = self.account.clock.at(ticks32) if isinstance(ticks32, int) else None
        return Answered(asked, answer, value, t_us, host_us)

    def _judge(self, data: bytes, host_us: int | None) -> None:
        if data:
            self._bytes += len(data)
            self._opening = (self._opening + data[:LONGEST_SHOWN])[:LONGEST_SHOWN]
            if self._first_byte_us is None:
                self._first_byte_us = host_us
        if self._patience_us is None or self._first_byte_us is None or host_us is None:
            return
        if host_us - self._first_byte_us < self._patience_us:
            return
        seconds = f"{self._patience_us / 1_000_000:g} s"
        frames = "frames that end in a zero byte" if self.carrier == "stream" else "System Exclusive messages"
        raise NotAChanter(
            f"{frames} with a sound check within {seconds}",
            f"{self._bytes} bytes without one, beginning {self._opening.hex(' ')}",
            "check that this is the chanter's port and that the speed is the chanter's"
            if self.carrier == "stream"
            else "check that this is the chanter's port",
        )


def trouble_tag(trouble: Trouble) -> int:
    """One number that tells troubles of the same instant apart."""
    return trouble.code | trouble.hole << 8 | trouble.detail << 16


class ChanterLink:
    """The chanter's side of one link: requests in, messages out."""

    def __init__(self, carrier: Carrier = "stream") -> None:
        self.carrier: Carrier = carrier
        self.bad_frames = 0
        self._reader = new_reader(carrier)
        self._opened = False

    def receive(self, data: bytes) -> list[Request | Unknown]:
        """The requests that end in `data`.

        A type from 0x80 up that is not known comes as Unknown, to be answered with status 1; whatever a host does not
        send is passed over.
        """
        requests: list[Request | Unknown] = []
        for item in self._reader.feed(data):
            if isinstance(item, Damaged):
                self.bad_frames += item.delimited
                continue
            try:
                message = messages.decode(item)
            except MessageError:
                self.bad_frames += 1
                continue
            if isinstance(message, Request) or (isinstance(message, Unknown) and message.type >= 0x80):
                requests.append(message)
        return requests

    def send(self, message: Message) -> bytes:
        """The bytes of a message; before the first one on a stream also a zero."""
        data = carry(messages.encode(message), self.carrier)
        if self.carrier == "stream" and not self._opened:
            self._opened = True
            return b"\0" + data
        return data
