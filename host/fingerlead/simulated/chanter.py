"""The simulated chanter, sans-IO: a performance goes in, the wire's bytes come out, and requests are answered.

`now_us` everywhere is the true clock of the performance, 0 at power-up. The chanter's own clock, `ticks32`, starts at
`setup.ticks_start` there, and at 0 after a restart. To move the bytes, call `advance` and `take` (or `due`, which does
both), and `hear` (or `receive`).
"""

import random
from collections import deque
from dataclasses import dataclass
from math import ceil
from operator import itemgetter

from fingering.holes import HOLES
from fingerlead.simulated.performance import Performance
from fingerlead.simulated.sensing import RAW_BITS, SETTLE_US, Eye, Heights, Sensors, levels_of, sensors
from fingerlead.simulated.slopes import SlopeMeter, Steepness
from fingerlead.wire import messages as wire
from fingerlead.wire.carriers import Framing
from fingerlead.wire.link import ChanterLink

HELLO_EVERY_US = 5_000_000
# The wire wants a frame every 100 ms; an edge that awaits the chatter filter may hold one up for a little.
BEAT_US = 95_000
BOOT_US = 150_000
OUTBOX_BYTES = 4_096
RAW_FRAME_BYTES = {"stream": 27, "sysex": 34}
SLOWEST_RAW_HZ = 10
# Streaming both, one part in so many of the link is kept for edges.
EDGES_SHARE = 4
# Of them, bytes for raw frames.
RAW_BYTES = 1_024
# Of a chanter that sends plain notes only.
BASE_NOTE = 24
CHANNEL = 16
VELOCITY = 64


@dataclass(frozen=True, slots=True)
class Setup:
    """What kind of chanter it is. The first holes frame of a fresh chanter is stamped `phase_us` on the true clock."""

    scan_us: int = 1_000
    phase_us: int = 0
    ticks_start: int = 0
    boot: int = 1
    device_id: bytes = b"simulate"
    name: str = "simulated chanter"
    settle_us: int = SETTLE_US
    link_bytes_per_s: int = 11_520  # 115 200 baud, 8N1


def setup_for(seed: int, scan_us: int = 1_000, ticks_start: int | None = None) -> Setup:
    """A chanter drawn by `seed`: its clock starts anywhere (one in four shortly before it wraps)."""
    rng = random.Random(f"chanter {seed}")
    near_wrap = rng.random() < 0.25
    anywhere = rng.randrange(2**32 - 20_000_000, 2**32) if near_wrap else rng.randrange(2**32)
    return Setup(
        scan_us=scan_us,
        phase_us=rng.randrange(scan_us),
        ticks_start=anywhere if ticks_start is None else ticks_start & 0xFFFFFFFF,
        boot=rng.randrange(2**16),
        device_id=rng.randbytes(8),
    )


class Chanter:
    """One chanter with a pupil's fingers on it. `carrier` is `stream`, `sysex` or `plain` (notes only, deaf).

    `waiting_bytes` wait to be sent; `dropped` frames found no room.
    """

    def __init__(
        self,
        performance: Performance,
        setup: Setup | None = None,
        sensors_: Sensors | None = None,
        carrier: str = "stream",
    ) -> None:
        self.setup = setup if setup is not None else Setup()
        self.now_us = 0
        self.end_us = performance.end_us
        self.dropped = 0
        self._sensors = sensors_ if sensors_ is not None else sensors()
        self._plain = carrier == "plain"
        self._carrier: Framing = "sysex" if carrier == "sysex" else "stream"
        self._heights = Heights(performance, self._sensors, self.setup.scan_us, self.setup.phase_us)
        self._stored = levels_of(self._sensors)
        self._outbox: deque[tuple[int, bytes]] = deque()
        self._raw: deque[tuple[int, bytes]] = deque()
        self.waiting_bytes = 0
        self._next_scan = 0
        self._boot = self.setup.boot
        self._power_up(0, self.setup.ticks_start)

    # -- what the fingers do ------------------------------------------------------------------------------------

    def ticks32(self, t_us: int) -> int:
        """The chanter's own clock at a true time."""
        return (self._ticks_zero + t_us - self._started_us) & 0xFFFFFFFF

    def _run(self, now_us: int) -> None:
        last = self._heights.scan_from(now_us + 1)
        if last > self._next_scan:
            first, self._next_scan = self._next_scan, last
            for scan, decided in self._eye.look(first, last, self._wanted):
                self._at_scan(scan, decided)
        self.now_us = max(self.now_us, now_us)

    def _power_up(self, at_us: int, ticks_zero: int) -> None:
        self._started_us, self._ticks_zero = at_us, ticks_zero
        self._link = PlainLink() if self._plain else ChanterLink(self._carrier)
        self._levels = self._stored
        self._eye = Eye(self._heights, self._levels, self.setup.settle_us)
        self._next_scan = self._heights.scan_from(at_us)
        self._meter = SlopeMeter(self._heights, self._levels, self._next_scan, self.setup.scan_us)
        self._what, self._raw_every = wire.STREAM_HOLES, 1
        self._holes_sequence = self._raw_sequence = self._slope_sequence = 0
        self._mask, self._begun = 0, False
        self._next_hello = self._next_scan
        self._next_beat = self._next_raw = self._next_scan

    def _wanted(self) -> int | None:
        """The next scan at which something is due whatever the fingers do."""
        due = [self._next_hello]
        if self._what & wire.STREAM_HOLES and not self._eye.waiting:
            due.append(self._next_beat)
        if self._what & wire.STREAM_RAW:
            due.append(self._next_raw)
        if self._meter.due is not None:
            due.append(self._meter.due)
        return min(due)

    def _at_scan(self, scan: int, decided: list[tuple[int, int]]) -> None:
        t_us = self._heights.time_us(scan)
        if scan >= self._next_hello:
            self._hello(t_us)
        for first_us, mask in decided:
            if self._begun:
                self._meter.edge(first_us, self._mask ^ mask, mask)
            self._mask, self._begun = mask, True
            self._holes(scan, first_us)
        for slope in self._meter.look(scan):
            self._slope(slope, t_us)
        if scan >= self._next_beat and not self._eye.waiting:
            self._holes(scan, t_us)
        if self._what & wire.STREAM_RAW and scan >= self._next_raw:
            samples = tuple(self._heights.samples(scan, scan + 1)[0].tolist())
            self._say(wire.Raw(self._raw_sequence, self.ticks32(t_us), samples), t_us)
            self._raw_sequence = (self._raw_sequence + 1) & 0xFFFF
            self._next_raw = scan + self._raw_every

    def _slope(self, slope: Steepness, at_us: int) -> None:
        if self._what & wire.STREAM_HOLES:
            told = wire.Slope(
                self._slope_sequence, self.ticks32(slope.t_us), slope.hole, slope.rise_raw, slope.level_raw
            )
            self._say(told, at_us)
            self._slope_sequence = (self._slope_sequence + 1) & 0xFFFF

    def _holes(self, scan: int, t_us: int) -> None:
        self._next_beat = scan + max(1, BEAT_US // self.setup.scan_us)
        if self._what & wire.STREAM_HOLES:
            self._say(wire.Holes(self._holes_sequence, self.ticks32(t_us), self._mask), self._heights.time_us(scan))
            self._holes_sequence = (self._holes_sequence + 1) & 0xFFFF

    # -- what it says -------------------------------------------------------------------------------------------

    def _hello(self, at_us: int) -> None:
        hello = wire.Hello(
            device_id=self.setup.device_id,
            firmware=(1, 0, 0),
            abilities=wire.CAN_RAW | wire.CAN_STORE_THRESHOLDS | wire.CAN_SLOPES,
            scan_rate_hz=round(1_000_000 / self.setup.scan_us),
            raw_bits=RAW_BITS,
            name=self.setup.name,
            boot=self._boot,
        )
        self._say(hello, at_us)
        self._next_hello += HELLO_EVERY_US // self.setup.scan_us

    def report(self, code: int, hole: int = wire.NO_HOLE, detail: int = 0) -> None:
        """Say that something is wrong (SENSOR_STUCK …)."""
        self._say(wire.Trouble(code, hole, detail, self.ticks32(self.now_us)), self.now_us)

    def _say(self, message: wire.Message, at_us: int) -> None:
        if frame := self._link.send(message):
            (self._raw if isinstance(message, wire.Raw) else self._outbox).append((at_us, frame))
            self.waiting_bytes += len(frame)

    def _trim(self) -> None:
        """Drop the oldest frames that do not fit."""
        for frames, room in ((self._raw, RAW_BYTES), (self._outbox, OUTBOX_BYTES - RAW_BYTES)):
            if self.waiting_bytes > room:
                excess = sum(len(frame) for _, frame in frames) - room
                while excess > 0:
                    size = len(frames.popleft()[1])
                    excess -= size
                    self.waiting_bytes -= size
                    self.dropped += 1

    def _own_up(self) -> None:
        if self.dropped:
            dropped, self.dropped = self.dropped, 0
            self.report(wire.SEND_BUFFER_FULL, detail=min(dropped, 0xFFFF))

    def take(self, limit: int) -> bytes:
        """Whole frames that wait, raw ones last: at least one, together at most `limit` bytes where there are more."""
        self._own_up()
        out = bytearray()
        while (frames := self._outbox or self._raw) and (not out or len(out) + len(frames[0][1]) <= limit):
            out += frames.popleft()[1]
        self.waiting_bytes -= len(out)
        return bytes(out)

    def due(self, now_us: int) -> bytes:
        """Advance and take everything, for a reader that is always there: nothing is dropped."""
        return b"".join(frame for _, frame in self.due_frames(now_us))

    def due_frames(self, now_us: int) -> list[tuple[int, bytes]]:
        """As `due`, frame by frame with the true time at which each was ready."""
        self._run(now_us)
        self._own_up()
        frames = list(self._outbox)
        if self._raw:
            frames = sorted((*frames, *self._raw), key=itemgetter(0))
        self._outbox.clear()
        self._raw.clear()
        self.waiting_bytes = 0
        return frames

    # -- what it is asked ---------------------------------------------------------------------------------------

    def receive(self, data: bytes, now_us: int) -> bytes:
        """Bytes from the host, and all that is to be said up to now, answers last."""
        self._answer_all(data, now_us)
        return self.due(now_us)

    def hear(self, data: bytes, now_us: int) -> None:
        """Bytes from the host, or none, at `now_us`. What is due goes into the outbox; the oldest gives way in it."""
        self._answer_all(data, now_us)
        self._trim()

    def _answer_all(self, data: bytes, now_us: int) -> None:
        self._run(now_us)
        if now_us >= self._started_us:  # while it starts up it is deaf
            for request in self._link.receive(data):
                self._answer(request, now_us)

    def _answer(self, request: wire.Request | wire.Unknown, now_us: int) -> None:
        status, body = wire.DONE, b""
        match request:
            case wire.Stream():
                status, body = self._stream(request)
            case wire.SetThresholds():
                if all(cover_at > uncover_at for cover_at, uncover_at in request.levels):
                    self._levels = request.levels
                    self._eye.comparator.set(request.levels)
                    self._meter.levels = request.levels
                else:
                    status = wire.BAD_VALUE
            case wire.GetThresholds():
                body = wire.thresholds_body(self._levels)
            case wire.Keep():
                self._stored = self._levels
            case wire.Clock():
                body = wire.clock_body(request.host_us, self.ticks32(now_us))
            case wire.Unknown():
                status = wire.UNKNOWN_REQUEST
        number = (request.body[:1] or b"\0")[0] if isinstance(request, wire.Unknown) else request.request
        self._say(wire.Answer(number, status, body), now_us)
        if isinstance(request, wire.Who):
            self._next_hello = self._next_scan
            self._hello(now_us)
        elif isinstance(request, wire.Restart):
            self._restart(now_us)

    def _stream(self, request: wire.Stream) -> tuple[int, bytes]:
        if request.what not in range(4):
            return wire.BAD_VALUE, b""
        scan_hz = 1_000_000 / self.setup.scan_us
        for_raw = self.setup.link_bytes_per_s
        for_raw -= for_raw // EDGES_SHARE if request.what == wire.STREAM_BOTH else 0
        carried_hz = for_raw / RAW_FRAME_BYTES[self._carrier]
        asked_hz = max(request.raw_rate_hz, SLOWEST_RAW_HZ) if request.raw_rate_hz else carried_hz
        every = max(1, ceil(scan_hz / asked_hz))  # never faster than asked
        rate_hz = scan_hz / every
        if request.what & wire.STREAM_RAW:
            if rate_hz > carried_hz:
                return wire.BAD_VALUE, wire.rate_body(int(carried_hz))
            self._raw_every, self._next_raw = every, self._next_scan
        self._what = request.what
        return wire.DONE, wire.rate_body(round(rate_hz) if request.what & wire.STREAM_RAW else 0)

    def _restart(self, now_us: int) -> None:
        self.waiting_bytes -= sum(len(frame) for _, frame in self._raw)
        self._raw.clear()  # they would come after the next start's first frames
        self._boot = (self._boot + 1) & 0xFFFF
        self._power_up(now_us + BOOT_US, 0)


class PlainLink:
    """The link of a chanter that can send notes only: one for each hole, on while it is covered. It hears nothing."""

    def __init__(self) -> None:
        self._sent_mask: int | None = None

    def receive(self, data: bytes) -> list[wire.Request | wire.Unknown]:
        """Nothing: such a chanter takes no requests."""
        return []

    def send(self, message: wire.Message) -> bytes:
        """The notes of what differs from the last holes frame; of all eight holes at first."""
        if not isinstance(message, wire.Holes):
            return b""
        differs = 0xFF if self._sent_mask is None else message.covered_mask ^ self._sent_mask
        self._sent_mask = message.covered_mask
        out = bytearray()
        for hole in range(HOLES):
            if differs >> hole & 1:
                covered = message.covered_mask >> hole & 1
                out += bytes(((0x90 if covered else 0x80) | CHANNEL - 1, BASE_NOTE + hole, VELOCITY * covered))
        return bytes(out)
