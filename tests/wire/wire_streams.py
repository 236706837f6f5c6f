"""Streams for the wire's tests: an invented chanter that plays a list of steps, damage, and reads of any size."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from hypothesis import strategies as st

from fingerlead.wire.events import Doubted, Record, Slopes, SlopeSeen, State
from fingerlead.wire.link import ChanterLink, HostLink
from fingerlead.wire.messages import Answer, Hello, Holes, Raw, Slope, Trouble, Unknown, encode


@dataclass
class Chanter:
    carrier: str = "stream"
    ticks: int = 0
    sequences: list[int] = field(default_factory=lambda: [0, 0, 0])
    boot: int | None = 1
    device: int = 1
    frames: list[bytes] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.link = ChanterLink(self.carrier)

    def send(self, message) -> None:
        self.frames.append(self.link.send(message))

    def step(self, what: str, number: int) -> None:
        match what:
            case "wait":
                self.ticks += number
            case "holes":
                self.send(Holes(self.sequences[0] & 0xFFFF, self.ticks & 0xFFFFFFFF, number & 0xFF))
                self.sequences[0] += 1
            case "raw":
                self.send(Raw(self.sequences[1] & 0xFFFF, (self.ticks - number) & 0xFFFFFFFF, tuple(range(8))))
                self.sequences[1] += 1
            case "trouble":
                self.send(Trouble(1 + number % 5, 255, 0, (self.ticks - number) & 0xFFFFFFFF))
            case "slope":
                ticks32 = (self.ticks - number) & 0xFFFFFFFF
                self.send(Slope(self.sequences[2] & 0xFFFF, ticks32, number % 9, number * 7, 65_535 - number))
                self.sequences[2] += 1
            case "lasting":
                self.send(Trouble(5 + number % 7, number % 9, 50 * number, self.ticks & 0xFFFFFFFF))
            case "lose":
                self.sequences[number % 2 + (number % 4 == 3)] += 1 + number
            case "hello":
                rate = (0, 1000, 997, 500)[number % 4]
                self.send(
                    Hello(
                        device_id=bytes([self.device] * 8), scan_rate_hz=rate, name="a" * (number % 5), boot=self.boot
                    )
                )
            case "boot":
                self.boot = None if number == 0 else number
            case "swap device":
                self.device += 1
            case "restart":
                self.ticks, self.sequences = number, [0, 0, 0]
            case "other":
                self.send((Unknown(0x42, b"new"), Answer(number & 0xFF, 0, b""), Unknown(0x99, b""))[number % 3])
            case "long":
                payload = encode(Holes(self.sequences[0] & 0xFFFF, self.ticks & 0xFFFFFFFF, number & 0xFF)) + b"more"
                self.sequences[0] += 1
                self.send(Unknown(payload[0], payload[1:]))
            case "short":
                self.send(Unknown((1, 2, 3, 4, 5, 6, 0x86)[number % 7], b"\x01"))
            case "again" if self.frames:
                self.frames.append(self.frames[-1 - number % min(4, len(self.frames))])
            case "swap" if len(self.frames) > 1:
                self.frames[-1], self.frames[-2] = self.frames[-2], self.frames[-1]


small = st.integers(0, 9)
steps = st.one_of(
    st.tuples(st.just("holes"), st.integers(0, 255)),
    st.tuples(st.just("holes"), st.integers(0, 255)),
    st.tuples(st.just("wait"), st.sampled_from((0, 1, 1000, 37_000, 100_000, 249_999, 250_000, 5_000_000))),
    st.tuples(st.just("wait"), st.integers(0, 2**31 + 5)),
    st.tuples(st.just("raw"), st.sampled_from((0, 0, 3_000))),
    st.tuples(st.just("slope"), st.sampled_from((0, 6, 3_000))),
    st.tuples(st.just("lasting"), st.sampled_from((0, 1, 8, 9, 1_300))),
    st.tuples(st.just("trouble"), st.sampled_from((0, 1, 300_000))),
    st.tuples(
        st.sampled_from(("lose", "hello", "boot", "other", "short", "long", "again", "swap", "swap device")), small
    ),
    st.tuples(st.just("restart"), st.sampled_from((0, 0, 52, 70_000, 4_294_900_000))),
)
plays = st.lists(steps, max_size=60)

# (kind of damage, place as a share of the whole, number)
damages = st.lists(
    st.tuples(
        st.sampled_from(("flip", "drop", "double", "insert", "cut head", "cut tail")),
        st.floats(0, 1, exclude_max=True),
        st.integers(0, 255),
    ),
    max_size=4,
)


def play(script, carrier: str = "stream", ticks: int = 0) -> list[bytes]:
    chanter = Chanter(carrier, ticks)
    for what, number in script:
        chanter.step(what, number)
    return chanter.frames


def hurt(data: bytes, harm) -> bytes:
    for kind, share, number in harm:
        place = int(share * len(data))
        match kind:
            case "flip" if data:
                data = data[:place] + bytes([data[place] ^ (1 << number % 8)]) + data[place + 1 :]
            case "drop":
                data = data[:place] + data[place + 1 + number % 40 :]
            case "double":
                data = data[: place + 1 + number % 40] + data[place:]
            case "insert":
                data = (
                    data[:place] + bytes((number * i * 7 + number) & 0xFF for i in range(1 + number % 9)) + data[place:]
                )
            case "cut head":
                data = data[place // 4 :]
            case "cut tail":
                data = data[: len(data) - place // 4]
    return data


@st.composite
def reads(draw, size: int):
    """Where each read begins and when it came: k × 2, offsets from 0 rising; host time may stand still or fall."""
    count = draw(st.integers(1, 8))
    offsets = sorted({0, *(draw(st.integers(0, max(0, size - 1))) for _ in range(count))})
    host_us = 10_000_000
    rows = []
    for offset in offsets:
        host_us += draw(st.sampled_from((0, 1, 1000, 3_000_000, -5)))
        rows.append((offset, host_us))
    return np.array(rows, np.int64)


def collect(link: HostLink, pieces) -> Record:
    """What a link's events come to, as a Record."""
    states, doubts, slopes = [], [], []
    for data, host_us in pieces:
        for event in link.receive(data, host_us):
            if isinstance(event, State):
                states.append((event.t_us, event.covered_mask))
            elif isinstance(event, SlopeSeen):
                slopes.append((event.t_us, event.slope.hole, event.slope.rise_raw, event.slope.level_raw))
            elif isinstance(event, Doubted):
                doubts.append(event.doubt)
    intake = link.close()
    return Record(
        np.array([t for t, _ in states], np.int64),
        np.array([mask for _, mask in states], np.uint8),
        link.end_us,
        doubts,
        intake,
        "chanter",
        link.scan_us,
        link.hello,
        Slopes._make(
            np.array([slope[place] for slope in slopes], type_) for place, type_ in enumerate(("i8", "u1", "u2", "u2"))
        ),
    )


def pieces_of(data: bytes, arrivals) -> list[tuple[bytes, int]]:
    offsets = [int(offset) for offset, _ in arrivals]
    stops = [*offsets[1:], len(data)]
    return [(data[a:b], int(us)) for a, b, (_, us) in zip(offsets, stops, arrivals, strict=True)]


def as_plain(record: Record) -> dict[str, object]:
    """A Record as what `==` can compare and a failed test can show."""
    return {
        "t_us": record.t_us.tolist(),
        "covered": record.covered.tolist(),
        "end_us": record.end_us,
        "doubts": record.doubts,
        "intake": record.intake,
        "scan_us": record.scan_us,
        "hello": record.hello,
        "slopes": [(column.dtype.name, column.tolist()) for column in record.slopes],
    }


def read(script, carrier: str = "stream", host_us: int | None = None) -> Record:
    """A script's frames through a link in one read each."""
    return collect(HostLink(carrier), [(frame, host_us) for frame in play(script, carrier)])


def playing(count: int) -> list[tuple[str, int]]:
    return [step for i in range(count) for step in (("holes", i & 0xFF), ("wait", 10_000))]
