from __future__ import annotations

import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import mido
import pytest

from fingerlead.simulated import outlets
from fingerlead.simulated.chanter import Chanter
from fingerlead.simulated.outlets import MidiOutlet, OutletError, TcpOutlet, open_outlet
from fingerlead.simulated.play import perform
from fingerlead.simulated.scenario import load_scenario
from fingerlead.simulated.script import write_script
from fingerlead.simulated.serve import serve
from fingerlead.wire import messages as wire
from fingerlead.wire.carriers import to_sysex
from fingerlead.wire.columns import read_record
from fingerlead.wire.events import Answered
from fingerlead.wire.link import HostLink
from tests.simulated.known import read_truth
from tests.waiting import PATIENCE_S, wait_for

PROGRAM = "import typer; from fingerlead.faces.cli.simulate import simulate; typer.run(simulate)"
needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")


@contextmanager
def simulated(*arguments: str) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    try:
        assert process.stdout is not None
        assert select.select([process.stdout], [], [], PATIENCE_S)[0], "the simulator said nothing"
        first, where = process.stdout.readline().decode().rsplit(maxsplit=1)
        assert first == "listening on"
        yield process, where
    finally:
        process.kill()
        process.communicate()


def read_all(fd: int, until_bytes: int | None = None) -> bytes:
    """Read until the other end has gone, or so many bytes have come."""
    data = b""
    while until_bytes is None or len(data) < until_bytes:
        assert select.select([fd], [], [], PATIENCE_S)[0], f"nothing more after {len(data)} bytes"
        try:
            piece = os.read(fd, 4_096)
        except OSError:  # how a pseudo-terminal tells that the other end has gone
            break
        if not piece:
            break
        data += piece
    return data


def connect(where: str) -> socket.socket:
    host, port = where.removeprefix("socket://").split(":")
    return socket.create_connection((host, int(port)), timeout=PATIENCE_S)


@needs_pty
def test_on_a_pseudo_terminal_everything_arrives_and_the_truth_is_written(tmp_path: Path) -> None:
    truth_file = tmp_path / "truth.jsonl"
    arguments = ("--on", "pty", "--changes", "150", "--speed", "max", "--seed", "5", "--truth", str(truth_file))
    with simulated(*arguments) as (process, where):
        truth = read_truth(truth_file)  # there before a single byte was read
        fd = os.open(where, os.O_RDWR | os.O_NOCTTY)
        data = read_all(fd)
        os.close(fd)
        assert process.wait(PATIENCE_S) == 0
        assert process.stderr is not None
        assert process.stderr.read() == b""
    record = read_record(data, None)
    assert (record.intake.bad_frames, record.intake.lost_frames, record.intake.skipped_bytes) == (0, 0, 0)
    assert record.doubts == []
    last_edge_us = truth.performance.edges[-1].t_us - truth.first_stamp_us
    assert last_edge_us < record.end_us <= truth.performance.end_us
    pupil = load_scenario("mixed").pupil
    assert truth.performance.edges == perform(pupil, write_script(pupil, 5, changes=150), 5).edges


@needs_pty
def test_a_slow_reader_of_a_pseudo_terminal_gets_everything(monkeypatch: pytest.MonkeyPatch) -> None:
    outlet, now_s, got = outlets.PtyOutlet(), [0.0], []
    fd = os.open(outlet.listening_on, os.O_RDWR | os.O_NOCTTY)

    def sleep(_: float) -> None:
        now_s[0] += 2.0
        got.append(os.read(fd, 500) if len(got) < 8 else b"")

    assert outlet.write(b"x" * 4_000) == 4_000
    wait_for(lambda: outlet._unread() == 4_000, "what was written")
    monkeypatch.setattr(outlets, "time", SimpleNamespace(monotonic=lambda: now_s[0], sleep=sleep))
    outlet.drain()
    assert b"".join(got) == b"x" * 4_000
    assert outlet.write(b"x") == 1
    wait_for(lambda: outlet._unread() == 1, "what was written")
    outlet.drain()  # nothing of it is read any more
    assert now_s[0] < 60
    os.close(fd)
    outlet.close()


@needs_pty
def test_on_a_pseudo_terminal_readers_come_and_go() -> None:
    with simulated("--on", "pty", "--changes", "20", "--speed", "4") as (process, where):
        fd = os.open(where, os.O_RDWR | os.O_NOCTTY)
        first = read_all(fd, until_bytes=120)
        os.close(fd)
        fd = os.open(where, os.O_RDWR | os.O_NOCTTY)
        second = read_all(fd)
        os.close(fd)
        assert process.wait(PATIENCE_S) == 0
    record = read_record(first + second, None)
    assert record.intake.frames > 50
    assert record.intake.restarts == 0
    assert record.end_us > 5_000_000


def test_on_tcp_requests_are_answered_and_the_next_reader_is_let_in() -> None:
    with simulated("--on", "tcp:0", "--changes", "40", "--speed", "max") as (process, where):
        with connect(where) as first:
            link = HostLink()
            assert link.receive(first.recv(64), 0)
        with connect(where) as second:
            link = HostLink()
            second.sendall(b"\0half a frame that damage left behind\0" + link.who() + link.get_thresholds())
            answered = []
            while piece := second.recv(4_096):
                answered += [event for event in link.receive(piece, 0) if isinstance(event, Answered)]
            assert [event.answer.status for event in answered] == [wire.DONE, wire.DONE]
            assert link.hello is not None
            assert link.hello.name == "simulated chanter"
        assert process.wait(PATIENCE_S) == 0


def test_in_real_time_the_chanter_keeps_the_time_of_day() -> None:
    with simulated("--on", "tcp:0", "--for", "1", "--pupil", "clean") as (process, where):
        start_s = time.monotonic()
        with connect(where) as guest:
            data = b""
            while piece := guest.recv(4_096):
                data += piece
        taken_s = time.monotonic() - start_s
        assert process.wait(PATIENCE_S) == 0
    record = read_record(data, None)
    assert record.end_us / 1_000_000 <= taken_s < record.end_us / 1_000_000 + 2.0


@pytest.mark.skipif(os.name != "posix", reason="sends SIGINT")
def test_an_interrupt_ends_it_cleanly() -> None:
    with simulated("--on", "tcp:0", "--changes", "500") as (process, where):
        with connect(where) as guest:
            assert guest.recv(10)
            process.send_signal(signal.SIGINT)
            assert process.wait(PATIENCE_S) == 0
        assert process.stderr is not None
        assert process.stderr.read() == b"stopped\n"


@pytest.mark.parametrize(
    "spec", ["", "pty:3", "tcp", "tcp:", "tcp:65536", "tcp:-1", "tcp:²", "midi:", "usb", "midi:\x1b"]
)
def test_a_place_that_is_none_is_refused_in_one_sentence(spec: str) -> None:
    with pytest.raises(OutletError, match="expected pty, tcp:PORT"):
        open_outlet(spec)


def test_plain_notes_are_for_midi_only() -> None:
    with pytest.raises(OutletError, match="midi:NAME"):
        open_outlet("pty", plain=True)


def test_a_port_in_use_is_named() -> None:
    taken = TcpOutlet(0)
    try:
        port = taken.listening_on.rsplit(":", 1)[1]
        with pytest.raises(OutletError, match=f"TCP port {port} cannot be used"):
            open_outlet(f"tcp:{port}")
    finally:
        taken.close()


class FakeOutlet:
    """An outlet in virtual time, with a line of limited width; the reader leaves after so many bytes, for 20 s."""

    carrier = "stream"
    listening_on = "nowhere"
    mouthful = 64

    def __init__(self, width: int, leaves_after: int | None = None) -> None:
        self.now_s = self.back_s = 0.0
        self.width, self.leaves_after = width, leaves_after
        self.visits = [b""]

    def clock(self) -> float:
        return self.now_s

    def connected(self) -> bool:
        if self.leaves_after is not None and len(self.visits[0]) >= self.leaves_after:
            self.leaves_after = None
            self.visits.append(b"")
            self.back_s = self.now_s + 20
        return self.now_s >= self.back_s

    def read(self) -> bytes:
        return b""

    def write(self, data: bytes) -> int:
        self.visits[-1] += data[: self.width]
        return min(len(data), self.width)

    def wait(self, seconds: float, to_write: bool) -> None:
        self.now_s += seconds

    def drain(self) -> None:
        pass

    def close(self) -> None:
        pass


def chanter(changes: int = 12) -> tuple[Chanter, int]:
    pupil = load_scenario("clean").pupil
    performance = perform(pupil, write_script(pupil, 2, changes=changes), 2)
    return Chanter(performance), performance.end_us


@pytest.mark.parametrize("speed", [1.0, 7.0, None])
@pytest.mark.parametrize("width", [1, 5, 64])
def test_a_narrow_line_loses_nothing_while_the_reader_stays(speed: float | None, width: int) -> None:
    device, end_us = chanter()
    outlet = FakeOutlet(width)
    serve(device, outlet, speed, outlet.clock)
    record = read_record(outlet.visits[-1], None)
    assert (record.intake.bad_frames, record.intake.lost_frames, record.intake.skipped_bytes) == (0, 0, 0)
    assert end_us - 100_000 <= record.end_us <= end_us


def test_after_a_reader_that_left_in_mid_frame_the_next_one_gets_whole_frames() -> None:
    device, end_us = chanter(60)
    outlet = FakeOutlet(width=1, leaves_after=210)
    serve(device, outlet, 1.0, outlet.clock)
    first, second = outlet.visits
    assert not first.endswith(b"\0")
    intake = read_record(second, None).intake
    assert (intake.bad_frames, intake.skipped_bytes) == (0, 0)
    whole = read_record(first + second, None)
    assert whole.intake.lost_frames > 0
    assert whole.intake.bad_frames == 1
    assert {doubt.cause for doubt in whole.doubts} >= {"lost"}
    assert whole.end_us >= end_us - 100_000


def test_at_full_speed_an_absent_reader_is_waited_for() -> None:
    device, end_us = chanter(30)
    outlet = FakeOutlet(width=1, leaves_after=203)
    serve(device, outlet, None, outlet.clock)
    assert outlet.now_s >= 20
    record = read_record(b"".join(outlet.visits), None)
    assert record.intake.lost_frames <= FakeOutlet.mouthful // 14  # the frames that were under way
    assert record.end_us >= end_us - 100_000


class FakePort:
    def __init__(self) -> None:
        self.sent: list[bytes] = []

    def send(self, message: mido.Message) -> None:
        self.sent.append(bytes(message.bytes()))

    def iter_pending(self) -> list[object]:
        return []

    def close(self) -> None:
        pass


def test_midi_is_paced_and_begins_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    port = FakePort()
    now_s = [0.0]
    monkeypatch.setattr(outlets, "_midi_ports", lambda name: (mido, port, port))
    outlet = MidiOutlet("chanter", plain=False, clock=lambda: now_s[0])
    assert outlet.listening_on == "midi:chanter"
    assert not outlet.connected()
    now_s[0] = 3.0
    assert outlet.connected()
    frame = to_sysex(wire.encode(wire.Who(1)))
    assert outlet.write(frame) == len(frame)
    assert outlet.write(frame) == 0
    now_s[0] += 0.002
    assert outlet.write(frame) == len(frame)
    assert port.sent == [frame, frame]
