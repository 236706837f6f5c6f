"""Chanters on the workbench: under hands in simulated time, and one by hand that answers as it is told."""

from __future__ import annotations

from fingerlead.ports.base import Chunk
from fingerlead.ports.simulated_port import HandsPort
from fingerlead.simulated.chanter import Setup
from fingerlead.wire import messages as wire
from fingerlead.wire.link import ChanterLink
from fingerlead.wire.messages import thresholds_body


class Clock:
    def __init__(self):
        self.us = 5_000_000

    def __call__(self):
        return self.us

    def sleep(self, seconds):
        self.us += max(1, round(seconds * 1e6))


# As often as a usual USB adapter hands over what has come: FTDI's latency timer, 16 ms. Scan by scan takes longer.
HANDED_OVER_S = 0.016
# Fewer scans than usual: quicker to simulate.
QUICK = Setup(scan_us=4_000)


def hands_port(seed=1, **how):
    clock = Clock()
    return HandsPort(seed=seed, clock=clock, sleep=lambda seconds: clock.sleep(HANDED_OVER_S), **how), clock


class Sulking:
    """A chanter, by hand: says hello, and answers what `answer` makes of a request."""

    def __init__(self, answer, abilities=wire.CAN_RAW | wire.CAN_STORE_THRESHOLDS, clock=None):
        self.clock = clock or Clock()
        self.link, self.answer = ChanterLink("stream"), answer
        self.abilities, self.out, self.levels = abilities, b"", ((600, 300),) * 8

    name, carrier, closed = "by hand", "stream", False

    def write(self, data):
        for request in self.link.receive(data):
            if isinstance(request, wire.Who):
                self.out += self.link.send(wire.Hello(device_id=bytes(8), abilities=self.abilities, raw_bits=10))
            reply = self.answer(request, self)
            if reply is not None:
                self.out += self.link.send(wire.Answer(request.request, *reply))

    def read(self, timeout_s):
        self.clock.sleep(timeout_s)
        data, self.out = self.out, b""
        return [Chunk(data, self.clock.us)] if data else []

    def asked(self, *_):
        pass

    def close(self):
        self.closed = True


def answer_all(request, chanter):
    if isinstance(request, wire.SetThresholds):
        chanter.levels = request.levels
    return wire.DONE, thresholds_body(chanter.levels) if isinstance(request, wire.GetThresholds) else b""
