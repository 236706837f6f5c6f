"""One link, sans-IO: bytes and arrival times in, events out; requests in, bytes to send out.

`HostLink` is the host's side, `ChanterLink` the chanter's. Neither reads, waits or knows a port; any cutting of the
bytes gives the same events. Damage is counted in `intake`, never raised; only a device that speaks nothing of the wire
raises NotAChanter.
"""

from typing import TypeGuard

from fingerlead.wire import messages as wire
from fingerlead.wire.account import GAP_US, TIMED, Account, kind_and_tag
from fingerlead.wire.carriers import Damaged, Framing, carry, new_reader, read_message
from fingerlead.wire.errors import MessageError, NotAChanter
from fingerlead.wire.events import Answered, Doubted, Event, Intake, RawState, Seen, SlopeSeen, State, TroubleSeen

PATIENCE_US = 2_000_000
LONGEST_SHOWN = 8


class HostLink:
    """The host's side of one link.

    `intake` counts what came, `next_number` is that of the next request. `patience_us` is how long bytes may come
    without one sound frame of a chanter; None waits for ever, for a file. `host_us` is None where it is unknown.
    """

    def __init__(
        self, carrier: Framing = "stream", gap_us: int = GAP_US, patience_us: int | None = PATIENCE_US
    ) -> None:
        self.carrier: Framing = carrier
        self.account = Account(gap_us)
        self.intake: Intake = self.account.intake
        self.next_number = 0
        self._reader = new_reader(carrier)
        self._patience_us = patience_us
        self._first_byte_us: int | None = None
        self._heard = False  # a sound frame of a kind that only chanters send
        self._bytes = 0
        self._opening = b""
        self._asked: dict[int, wire.Request] = {}
        self._lasting: set[tuple[int, int]] = set()

    @property
    def scan_us(self) -> int | None:
        """The chanter's scan period, the widest of all hellos; None without one."""
        return self.account.scan_us

    @property
    def hello(self) -> wire.Hello | None:
        """The last hello."""
        return self.account.hello

    @property
    def end_us(self) -> int:
        """The time of the last timed frame; 0 before the first."""
        return self.account.clock.front_us

    def receive(self, data: bytes, host_us: int | None) -> list[Event]:
        """Take in the bytes of one read that ended at `host_us`; b"" where a read timed out.

        Raises NotAChanter where bytes have come for `patience_us` without a sound frame of a chanter.
        """
        events: list[Event] = []
        for item in self._reader.feed(data):
            self._take(read_message(item, self.carrier), host_us, events)
        if not self._heard:
            self._judge(data, host_us)
        return events

    def close(self) -> Intake:
        """The link has ended: what is left unfinished counts as skipped."""
        for item in self._reader.close():
            if isinstance(item, Damaged):
                self.intake.count(item)
        return self.intake

    def who(self) -> bytes:
        """Ask who is there."""
        return self._ask(wire.Who(self.next_number))

    def stream(self, what: int, raw_rate_hz: int = 0) -> bytes:
        """Ask for holes, raw samples, both or nothing (STREAM_HOLES …); rate 0 is the chanter's own."""
        if what not in range(4):
            raise MessageError("0 nothing, 1 holes, 2 raw or 3 both", str(what))
        return self._ask(wire.Stream(self.next_number, what, raw_rate_hz))

    def set_thresholds(self, levels: wire.Levels) -> bytes:
        """Give the chanter its levels: eight pairs (cover at, uncover at), cover at > uncover at."""
        for hole, (cover_at, uncover_at) in enumerate(levels):
            if cover_at <= uncover_at:
                raise MessageError("cover at above uncover at", f"{cover_at} and {uncover_at} for hole {hole}")
        return self._ask(wire.SetThresholds(self.next_number, levels))

    def get_thresholds(self) -> bytes:
        """Ask for the levels in use."""
        return self._ask(wire.GetThresholds(self.next_number))

    def keep(self) -> bytes:
        """Have the thresholds written to lasting storage."""
        return self._ask(wire.Keep(self.next_number))

    def clock(self, host_us: int) -> bytes:
        """Ask for the chanter's time; `host_us` comes back with the answer."""
        return self._ask(wire.Clock(self.next_number, host_us))

    def restart(self) -> bytes:
        """Have the chanter start anew."""
        return self._ask(wire.Restart(self.next_number))

    def _ask(self, request: wire.Request) -> bytes:
        data = carry(wire.encode(request), self.carrier)
        self._asked[request.request] = request
        self.next_number = (request.request + 1) & 0xFF
        # The zero before it ends what the line may have left in the chanter's reader.
        return b"\0" + data if self.carrier == "stream" else data

    def _take(self, message: wire.Message | Damaged, host_us: int | None, events: list[Event]) -> None:
        account = self.account
        if isinstance(message, Damaged):
            self.intake.count(message)
            return
        self.intake.frames += 1
        self._heard = self._heard or not is_request(message)
        event: Event | None = None
        if isinstance(message, TIMED):
            t_us = account.timed(*kind_and_tag(message), message.ticks32, host_us)
            if t_us is None:
                pass
            elif isinstance(message, wire.Holes):
                event = State(t_us, message.covered_mask, host_us)
            elif isinstance(message, wire.Raw):
                event = RawState(t_us, message.samples, host_us)
            elif isinstance(message, wire.Slope):
                event = SlopeSeen(t_us, message, host_us)
            else:
                event = TroubleSeen(t_us, message, host_us, self._lasts(message))
        elif isinstance(message, wire.Hello):
            account.greet(message)
            event = Seen(message, host_us)
        elif isinstance(message, wire.Answer):
            event = self._answered(message, host_us)
        if account.doubts:
            events.extend(map(Doubted, account.doubts))
            account.doubts.clear()
        if event is not None:
            events.append(event)

    def _lasts(self, trouble: wire.Trouble) -> bool:
        """Whether this trouble was told already and is not over."""
        key, known = (trouble.code, trouble.hole), self._lasting
        told = trouble.code in wire.LASTING and key in known
        if trouble.detail and trouble.code in wire.LASTING:
            known.add(key)
        else:
            known.discard(key)
        return told and trouble.detail > 0

    def _answered(self, answer: wire.Answer, host_us: int | None) -> Answered:
        asked = self._asked.pop(answer.request, None)
        value = wire.read_answer_body(asked, answer.body) if asked is not None and answer.status == wire.DONE else None
        t_us = None
        if isinstance(asked, wire.Clock) and isinstance(value, tuple) and isinstance(value[1], int):
            t_us = self.account.clock.at(value[1]) if self.account.clock.started else None
        return Answered(asked, answer, value, t_us, host_us)

    def _judge(self, data: bytes, host_us: int | None) -> None:
        self._bytes += len(data)
        self._opening = (self._opening + data[:LONGEST_SHOWN])[:LONGEST_SHOWN]
        if data and self._first_byte_us is None:
            self._first_byte_us = host_us
        if self._patience_us is None or self._first_byte_us is None or host_us is None:
            return
        if host_us - self._first_byte_us < self._patience_us:
            return
        frames, advice = "System Exclusive messages", "check that this is the chanter's port"
        if self.carrier == "stream":
            frames, advice = "frames that end in a zero byte", f"{advice} and that the speed is the chanter's"
        raise NotAChanter(
            f"{frames} with a sound check within {self._patience_us / 1_000_000:g} s",
            f"{self._bytes} bytes without one, beginning {self._opening.hex(' ')}",
            advice,
        )


def is_request(message: wire.Message) -> TypeGuard[wire.Request | wire.Unknown]:
    """Whether a message is for the chanter, known or not."""
    return message.type >= 0x80 if isinstance(message, wire.Unknown) else isinstance(message, wire.Request)


class ChanterLink:
    """The chanter's side of one link: requests in, messages out."""

    def __init__(self, carrier: Framing = "stream") -> None:
        self.carrier: Framing = carrier
        self.bad_frames = 0
        self._reader = new_reader(carrier)
        self._opened = False

    def receive(self, data: bytes) -> list[wire.Request | wire.Unknown]:
        """The requests that end in `data`.

        A type from 0x80 up that is not known comes as Unknown, to be answered with status 1. Messages that no host
        sends are passed over.
        """
        requests: list[wire.Request | wire.Unknown] = []
        for item in self._reader.feed(data):
            message = read_message(item, self.carrier)
            if isinstance(message, Damaged):
                self.bad_frames += message.delimited
            elif is_request(message):
                requests.append(message)
        return requests

    def send(self, message: wire.Message) -> bytes:
        """The bytes of a message; before the first one on a stream also a zero."""
        data = carry(wire.encode(message), self.carrier)
        if self.carrier == "stream" and not self._opened:
            self._opened = True
            return b"\0" + data
        return data
