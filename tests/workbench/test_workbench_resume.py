"""A chanter that is unplugged in the middle of a calibration: it goes on where it was, at the same port or another."""

from __future__ import annotations

import pytest

from fingerlead.ports.base import Found, PortLost, PortRefused
from fingerlead.simulated.chanter import Setup
from fingerlead.workbench import workbench as workbench_module
from fingerlead.workbench.samples import PLAN
from fingerlead.workbench.workbench import AWAY_US, BrokenOff, WayBack, Workbench
from tests.workbench.workbench_chanters import Sulking, answer_all, hands_port

QUICK = Setup(scan_us=4_000)


class Unplugged:
    """A port that vanishes as the steps come to `number`, after `reads` more reads of that step."""

    def __init__(self, port, gone):
        self.port, self.gone, self.closed = port, gone, False
        self.name, self.carrier, self.asked = port.name, port.carrier, port.asked

    def read(self, timeout_s):
        if self.gone():
            raise PortLost(self.name, "unplugged")
        return self.port.read(timeout_s)

    def write(self, data):
        if self.gone():
            raise PortLost(self.name, "unplugged")
        self.port.write(data)

    def close(self):
        self.closed = True


class Bench:
    """A calibration in simulated time; `ports` are what `way_back` gives, one after the other."""

    def __init__(self, folder):
        self.seen, self.away, self.ports, self.slept = [], 0, [], 0
        self.first, self.clock = hands_port(3, setup=QUICK)
        self.over = lambda: False
        self.at, self.reads = None, 0
        self.workbench = Workbench(
            Following(Unplugged(self.first, self.gone)), self.clock, folder, "Ann", lambda: self.over(),
            lambda: self.ports.pop(0) if self.ports else None, self.sleep,
        )  # fmt: skip

    def gone(self):
        return self.at is not None and bool(self.seen) and self.seen[-1][0] >= self.at and self.reads <= 0

    def sleep(self, seconds):
        self.slept += 1
        self.clock.sleep(seconds)

    def show(self, talk):
        if talk.steps is None or talk.steps.done:
            return
        if self.at is not None and talk.steps.number == self.at:
            self.reads -= 1
        step = (talk.steps.number, talk.steps.words)
        if not self.seen or step != self.seen[-1]:
            self.seen.append(step)
            self.workbench.port.asked(*PLAN[step[0]])

    def lead(self):
        def away():
            self.away += 1

        return self.workbench.lead(self.show, away)

    def plugged_in_again(self):
        """The same chanter, switched on anew: its clock begins again."""
        port, _ = hands_port(4, setup=QUICK)
        port._clock, port._sleep, port._started_us = self.clock, self.clock.sleep, self.clock()
        return port


class Following:
    """Passes on a port's ways, so that hands are asked by the test alone."""

    def __init__(self, port):
        self.__dict__.update(
            {name: getattr(port, name) for name in ("name", "carrier", "read", "write", "close", "asked")}
        )


def test_it_goes_on_where_it_was(tmp_path):
    bench = Bench(tmp_path)
    bench.at, bench.reads = 6, 60
    stranger = Sulking(answer_all, clock=bench.clock)
    bench.ports = [None, stranger, back := bench.plugged_in_again()]
    talk = bench.lead()
    assert talk.done
    assert bench.away == 1
    assert bench.slept == 2
    assert stranger.closed
    assert bench.workbench.port is back
    numbers = [number for number, _ in bench.seen]
    assert numbers == sorted(numbers)
    assert set(numbers) == set(range(len(PLAN)))
    assert talk.steps.left_out == []
    assert [report.verdict for report in talk.reports] == ["good"] * 8
    assert (bench.workbench.made(talk, anyway=False).device, len(talk.before)) == (QUICK.device_id.hex(), 8)


def test_before_it_said_who_it_is_a_loss_is_a_loss(tmp_path):
    bench = Bench(tmp_path)
    bench.seen, bench.at = [(99, "")], 0
    bench.ports = [bench.plugged_in_again()]
    with pytest.raises(PortLost):
        bench.lead()
    assert bench.away == 0


def test_a_chanter_that_stays_away_is_waited_for_ten_minutes(tmp_path):
    bench = Bench(tmp_path)
    bench.at = 2
    with pytest.raises(PortLost):
        bench.lead()
    assert bench.slept == pytest.approx(AWAY_US / 300_000, rel=0.01)


def test_told_to_end_while_it_is_away_nothing_is_changed(tmp_path):
    bench = Bench(tmp_path)
    bench.at = 2
    bench.over = lambda: bench.slept > 3
    talk = bench.lead()
    assert not talk.done
    with pytest.raises(BrokenOff):
        bench.workbench.made(talk, anyway=False)


def test_a_chanter_that_falls_silent_at_an_open_port_goes_on_too(tmp_path):
    bench = Bench(tmp_path)
    bench.at, bench.reads = 4, 10
    read = bench.first.read

    def silent(timeout_s):
        return read(timeout_s)[:0] if bench.gone() else read(timeout_s)

    bench.workbench.port.read, bench.workbench.port.write = silent, bench.first.write
    bench.workbench._way_back = bench.plugged_in_again
    talk = bench.lead()
    assert talk.done
    assert bench.away == 1
    assert [report.verdict for report in talk.reports] == ["good"] * 8


def test_it_is_looked_for_at_its_name_and_at_ports_that_have_come_since(monkeypatch):
    there = ["/dev/ttyACM0", "/dev/ttyS0"]
    monkeypatch.setattr(workbench_module, "serial_ports", lambda: [Found(name, "") for name in there])
    opened = []

    def open_spec(spec):
        opened.append(spec)
        if spec.partition("@")[0] not in there:
            raise PortRefused(spec, "there is no such port", "plug it in")
        return spec

    way_back = WayBack("/dev/ttyACM0@250000", open_spec)
    there[:] = ["/dev/ttyS0"]
    assert [way_back() for _ in range(2)] == [None, None]
    there[:] = ["/dev/ttyACM1", "/dev/ttyS0"]
    assert {way_back() for _ in range(2)} == {None, "/dev/ttyACM1@250000"}
    there[:] = ["/dev/ttyACM0", "/dev/ttyS0"]
    assert {way_back() for _ in range(2)} == {"/dev/ttyACM0@250000"}
    assert not any(spec.startswith("/dev/ttyS0") for spec in opened)


@pytest.mark.parametrize("spec", ["sim", "midi:chanter", "socket://127.0.0.1:5"])
def test_a_port_of_another_kind_keeps_its_name(monkeypatch, spec):
    there = []
    monkeypatch.setattr(workbench_module, "serial_ports", lambda: [Found(name, "") for name in there])
    way_back = WayBack(spec, lambda spec: spec)
    there.append("/dev/ttyACM1")
    assert {way_back() for _ in range(3)} == {spec}
