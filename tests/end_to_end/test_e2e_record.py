from __future__ import annotations

import contextlib
import os
import pty
import re
import select
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import tty
from pathlib import Path

import pytest

from fingerlead.store.session_file import SessionError
from fingerlead.store.session_reading import read_session, session_record
from tests.end_to_end.capture import AGAIN
from tests.waiting import PATIENCE_S, wait_for

FINGERLEAD = [sys.executable, "-m", "fingerlead.faces.cli.main"]


def fingerlead(*args, **more) -> subprocess.Popen:
    return subprocess.Popen(
        [*FINGERLEAD, *map(str, args)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more
    )


def run(*args, **more) -> subprocess.CompletedProcess:
    command = [*FINGERLEAD, *map(str, args)]
    return subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False, **more)


def simulate(*args, on="pty", **more) -> tuple[subprocess.Popen, str]:
    process = fingerlead("simulate", "--on", on, "--seed", 5, *args, **more)
    line = process.stdout.readline()
    assert line.startswith("listening on "), line + process.stderr.read()
    return process, line.removeprefix("listening on ").strip()


def kept_bytes(path: Path) -> int:
    with contextlib.suppress(SessionError):  # while it is being made
        return len(read_session(path).data) if path.exists() and path.stat().st_size else 0
    return 0


@pytest.fixture
def path(tmp_path):
    return tmp_path / "a.session"


@pytest.fixture
def quiet_port():
    """A silent PTY, and its other end."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield os.ttyname(slave), master
    os.close(master)
    os.close(slave)


@pytest.mark.parametrize("on", ["pty", "tcp:0"])
def test_a_session_is_recorded_and_the_clock_ends_it(on, path):
    simulator, port = simulate("--for", 30, on=on)
    try:
        ran = run("record", port, "-o", path, "--for", 2)
    finally:
        simulator.kill()
        simulator.communicate()
    assert ran.returncode == 0
    assert ran.stderr == ""
    assert ran.stdout.splitlines()[0].endswith("frames from simulated chanter; 0 damaged, 0 lost.")
    assert ran.stdout.splitlines()[1] == f"Next: fingerlead analyse {path}"
    record = session_record(read_session(path))
    assert record.end_us > 1_000_000
    assert record.doubts == []
    assert [each.name for each in path.parent.iterdir()] == ["a.session"]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_ends_it_and_keeps_everything(number, path):
    process = fingerlead("record", "sim", "-o", path)
    wait_for(lambda: kept_bytes(path) > 100)
    process.send_signal(number)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, err) == (0, "")
    assert "0 damaged, 0 lost" in out
    session = read_session(path)
    assert session_record(session).intake.frames == int(out.split(": ", 1)[1].split()[0])
    assert [each.name for each in path.parent.iterdir()] == ["a.session"]


def test_a_pulled_plug_leaves_a_session(path):
    process = fingerlead("record", "sim", "-o", path)
    wait_for(lambda: kept_bytes(path) > 100)
    process.kill()
    process.communicate()
    assert session_record(read_session(path)).intake.frames > 5


def test_a_terminal_shows_one_line_and_the_summary(path):
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [*FINGERLEAD, "record", "sim", "-o", str(path), "--for", "3"],
        stdout=slave,
        stderr=slave,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "100"},
    )
    os.close(slave)
    shown = b""
    while process.poll() is None or select.select([master], [], [], 0.2)[0]:
        try:
            shown += os.read(master, 4096) if select.select([master], [], [], 0.2)[0] else b""
        except OSError:
            break
    os.close(master)
    assert process.wait() == 0
    text = shown.decode()
    assert "frames, " in text
    assert "(Ctrl-C ends)" in text
    assert "Next: fingerlead analyse" in text


def test_an_existing_file_is_not_written_over(path):
    path.write_text("precious")
    ran = run("record", "sim", "-o", path, "--for", 1)
    assert (ran.returncode, ran.stdout) == (1, "")
    assert ran.stderr == (
        f"fingerlead: {path}: expected the name of a new file, but this one exists; "
        "choose another name, or move it away\n"
    )
    assert path.read_text() == "precious"


def test_a_missing_port_is_named_and_no_file_is_left(path):
    ran = run("record", "/dev/ttyNOPE9", "-o", path)
    assert (ran.returncode, ran.stdout) == (1, "")
    assert ran.stderr.startswith("fingerlead: /dev/ttyNOPE9: there is no such port; plug the chanter in")
    assert not path.exists()


def test_wrong_usage_is_told_from_a_problem(path):
    assert run("record", "sim").returncode == 2
    assert run("record", "sim", "-o", path, "--for", "soon").returncode == 2
    assert not path.exists()


def test_no_chanter_is_refused_within_two_seconds_of_its_first_bytes(path, quiet_port):
    port, master = quiet_port
    process = fingerlead("record", port, "-o", path)
    wait_for(path.exists)
    time.sleep(1)
    assert process.poll() is None  # silence is waited for
    first_s = time.monotonic()
    # Until it says something: its end may take as long as the machine is busy.
    while not select.select([process.stderr], [], [], 0.05)[0] and time.monotonic() - first_s < PATIENCE_S:
        os.write(master, b"ok T:21.3 B:60.0\n")
    took_s = time.monotonic() - first_s
    out, err = process.communicate()
    assert (process.returncode, out) == (1, "")
    assert err.startswith(f"fingerlead: {port}: this does not look like a chanter: expected frames")
    assert err.count("\n") == 1
    assert took_s > 1.9  # and no more than 2 s by its own clock: tests/listening/test_recording.py
    assert not path.exists()


def test_a_port_that_stays_silent_leaves_no_empty_session(path, quiet_port):
    ran = run("record", quiet_port[0], "-o", path, "--for", 0.5)
    assert ran.returncode == 1
    assert "expected a chanter to speak, but nothing came" in ran.stderr
    assert not path.exists()


@pytest.mark.parametrize("command", ["record", "live"])
def test_on_a_disk_that_is_full_to_the_end_it_goes_on_and_says_what_is_lost_in_seconds(path, command):
    resource = pytest.importorskip("resource", reason="needs a system with resource limits")
    limit = (45_000, resource.RLIM_INFINITY)
    begun_s = time.monotonic()
    ran = run(
        command, "sim", "-o", path, "--for", 5, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, limit)
    )
    took_s = time.monotonic() - begun_s  # a busy machine ends it later, and so much more is played
    assert ran.returncode == 1
    assert str(path) in ran.stdout
    kept_us = session_record(read_session(path)).t_us[-1]
    told, lost = [line for line in ran.stderr.splitlines() if "Not saved" in line or "could not be kept" in line]
    assert told.startswith("Not saved: the disk fails (disk I/O error); it is held, and tried again. Make room")
    seconds = re.search(r"session: (\d+) seconds of playing could not be kept \(the disk fails", lost)
    assert seconds
    assert int(seconds[1]) >= 2
    assert 3.5 < kept_us / 1e6 + int(seconds[1]) < took_s + 0.5


def test_what_was_recorded_on_a_full_disk_is_kept_when_there_is_room(path):
    resource = pytest.importorskip("resource", reason="needs a system with resource limits")
    process = fingerlead("record", "sim", "-o", path)
    wait_for(lambda: kept_bytes(path) > 500)
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))
    assert process.stderr.readline().startswith("Not saved: the disk ")
    kept = kept_bytes(path)
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    assert process.stderr.readline() == "There is room again: what was held is saved.\n"
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, err) == (0, "")
    session = read_session(path)
    assert len(session.data) > kept
    assert session_record(session).intake.lost_frames == session_record(session).intake.bad_frames == 0


def test_a_session_is_not_begun_on_a_full_disk(path):
    resource = pytest.importorskip("resource", reason="needs a system with resource limits")
    limit = (0, resource.RLIM_INFINITY)
    ran = run("record", "sim", "-o", path, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, limit))
    assert (ran.returncode, ran.stdout) == (1, "")
    assert ran.stderr == f"fingerlead: {path}: the disk is full; make room there\n"
    assert list(path.parent.iterdir()) == []


def test_what_a_session_holds_can_be_played_and_recorded_again(path, tmp_path):
    assert run("record", "sim", "-o", path, "--for", 3).returncode == 0
    again = tmp_path / "again.session"
    ran = run("record", f"replay:{path}@all", "-o", again)
    assert ran.returncode == 0
    assert read_session(again).data == read_session(path).data


# -- a chanter that vanishes in mid-frame and returns ---------------------------------------------------------------


class Cable:
    """Two PTYs with stable names, joined by socat: `chanter` and `host`."""

    def __init__(self, folder: Path) -> None:
        if shutil.which("socat") is None:
            pytest.skip("needs the Debian package socat")
        self.chanter, self.host = folder / "chanter", folder / "host"
        self.plug()

    def plug(self) -> None:
        self.process = subprocess.Popen(
            ["socat", f"pty,raw,echo=0,link={self.chanter}", f"pty,raw,echo=0,link={self.host}"]
        )
        wait_for(lambda: self.chanter.exists() and self.host.exists())

    def pull(self) -> None:
        self.process.terminate()
        self.process.wait()


class Carrying(threading.Thread):
    """Carries what a simulator on TCP says to the chanter's end of the cable; `cut` ends in the middle of a frame."""

    def __init__(self, port: str, end: Path) -> None:
        super().__init__(daemon=True)
        host, number = port.removeprefix("socket://").split(":")
        self._link = socket.create_connection((host, int(number)))
        self._fd = os.open(end, os.O_RDWR | os.O_NOCTTY)
        self._cut = threading.Event()
        self.carried = 0

    def run(self) -> None:
        while True:
            try:
                data = self._link.recv(4096) if select.select([self._link], [], [], 0.05)[0] else b""
                if self._cut.is_set():
                    # Half a frame: a sound one, without its end.
                    os.write(self._fd, data[: len(data) // 2] or b"\x03\x02")
                    return
                self.carried += os.write(self._fd, data) if data else 0
            except OSError:
                return

    def cut(self) -> None:
        self._cut.set()
        self.join()
        self._link.close()
        os.close(self._fd)


@pytest.fixture
def cable(tmp_path):
    cable = Cable(tmp_path)
    yield cable
    cable.pull()


@pytest.mark.parametrize("pulled", [False, True])
def test_a_chanter_killed_in_mid_frame_comes_back_with_the_gap_marked(pulled, cable, tmp_path):
    """Once only the chanter dies, and the port stays silent; once the cable is pulled too, and the port vanishes."""
    path = tmp_path / "a.session"
    recorder = fingerlead("record", cable.host, "-o", path)
    heard_s = []
    try:
        for turn in range(2):
            simulator, port = simulate("--for", 60, on="tcp:0")
            carrying = Carrying(port, cable.chanter)
            carrying.start()
            before = kept_bytes(path)
            wait_for(lambda before=before: kept_bytes(path) > before + 150)
            heard_s.append(time.monotonic())
            simulator.kill()
            simulator.communicate()
            carrying.cut()
            if turn == 0:
                if pulled:
                    time.sleep(0.1)
                    cable.pull()
                    time.sleep(0.5)
                    cable.plug()
                else:
                    time.sleep(0.6)
        time.sleep(0.2)
        recorder.send_signal(signal.SIGINT)
        out, err = recorder.communicate(timeout=PATIENCE_S)
    finally:
        recorder.kill()
        recorder.communicate()
    assert (recorder.returncode, err) == (0, ""), out
    session = read_session(path)
    assert [mark.kind for mark in session.marks] == (["lost", "back"] if pulled else [])
    if pulled:
        lost, back = session.marks
        assert back.host_us - lost.host_us > 300_000
        assert "the port was lost once" in out
    record = session_record(session)
    assert record.intake.restarts == 1
    assert [doubt.cause for doubt in record.doubts] == ["restart"]
    (doubt,) = record.doubts
    # The way over the doubt is the host's time between the frames before and after it. One comes at least each second.
    assert 300_000 < doubt.end_us - doubt.start_us < (heard_s[1] - heard_s[0] + 2) * 1_000_000
    # The half frames cost themselves and nothing else.
    assert record.intake.lost_frames == 0
    assert record.intake.bad_frames <= 1
    assert record.intake.skipped_bytes < 80


# -- devices --------------------------------------------------------------------------------------------------------


def test_devices_names_a_chanter_a_stranger_and_silence(quiet_port):
    simulator, chanter = simulate("--for", 60)
    silent, _ = quiet_port
    more = [pty.openpty() for _ in range(9)]
    for _, slave in more:
        tty.setraw(slave)
    more_silent = [os.ttyname(slave) for _, slave in more]
    other, other_slave = pty.openpty()
    tty.setraw(other_slave)
    stranger = os.ttyname(other_slave)
    over = threading.Event()

    def chatter() -> None:
        while not over.wait(0.05):
            os.write(other, b"ok T:21.3\n")

    thread = threading.Thread(target=chatter)
    thread.start()
    try:
        started_s = time.monotonic()
        text = run("devices", chanter, silent, *more_silent, stranger, "/dev/ttyNOPE9")
        took_s = time.monotonic() - started_s
    finally:
        over.set()
        thread.join()
        simulator.kill()
        simulator.communicate()
        for end in (other, other_slave, *(end for pair in more for end in pair)):
            os.close(end)
    assert text.returncode == 0
    rows = dict(line.split("\t")[:2] for line in text.stdout.splitlines())
    assert rows[chanter].startswith("simulated chanter, firmware 1.0.0, device ")
    assert all(rows[port].startswith("silent for 3 s") for port in (silent, *more_silent))
    assert rows[stranger].startswith("this does not look like a chanter: ")
    assert rows["/dev/ttyNOPE9"].startswith("there is no such port; plug the chanter in")
    assert rows["sim"] == "the simulated chanter in this program, always here"
    # All are asked at the same time: ten silent ports take their 3 s together.
    assert took_s < 10 * 3


@pytest.mark.usefixtures("jack")
def test_a_session_over_midi(path):
    simulator, port = simulate("--for", 120, on="midi:ash chanter")
    listed = []

    def answers() -> bool:
        # A port is given 3 s to say what it is, which a busy machine may need for itself.
        listed.append(run("devices").stdout)
        return "\tsimulated chanter, firmware" in listed[-1]

    try:
        wait_for(answers, "the chanter's answer")
        for again in range(AGAIN + 1):
            path.unlink(missing_ok=True)
            ran = run("record", port, "-o", path, "--for", 2)
            if ran.returncode or not session_record(read_session(path)).doubts:
                break
            print(f"take {again + 1}: the JACK server lost messages")
    finally:
        simulator.kill()
        simulator.communicate()
    # It has an input too, which is listed among the outputs for notes.
    rows = [line for line in listed[-1].splitlines() if "ash chanter" in line]
    assert ["\tsimulated chanter, firmware" in row for row in rows].count(True) == 1
    assert ran.returncode == 0, ran.stderr
    session = read_session(path)
    assert session.carrier == "sysex"
    record = session_record(session)
    assert len(record.t_us) > 5
    assert record.doubts == []
    assert record.intake.bad_frames == record.intake.lost_frames == 0


@pytest.mark.usefixtures("jack")
def test_a_session_of_plain_notes(path):
    simulator, port = simulate("--for", 120, "--midi-plain", on="midi:ash chanter")
    try:
        ran = run("record", port, "-o", path, "--for", 5)
    finally:
        simulator.kill()
        simulator.communicate()
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.splitlines()[0].endswith(" notes.")
    session = read_session(path)
    assert session.carrier == "plain"
    assert len(session_record(session).t_us) > 2
