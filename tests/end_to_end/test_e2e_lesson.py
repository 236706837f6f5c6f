"""A live lesson of two programs, by a relay and directly: each in a process of its own, as people start them."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from fingerlead.store.session_reading import read_session
from tests.lesson.lessons import digest
from tests.lesson.test_lesson_lines import server
from tests.waiting import wait_for

ROOT = Path(__file__).parents[2]
# Direct lines leave out the addresses of this machine alone; here they are the ones that need no network.
PROGRAM = (
    "import aioice.ice; aioice.ice.get_host_addresses = lambda *which, **more: ['127.0.0.1']; "
    "from fingerlead.faces.cli.main import run; run()"
)


class Terminal:
    """A program that is typed to, and read line by line."""

    def __init__(self, *words) -> None:
        environment = {**os.environ, "PYTHONUNBUFFERED": "1", "PYTHONPATH": f"{ROOT / 'host'}:{ROOT}"}
        pipe = subprocess.PIPE
        self.process = subprocess.Popen(
            [sys.executable, "-c", PROGRAM, *map(str, words)],
            **dict(stdin=pipe, stdout=pipe, stderr=subprocess.STDOUT, text=True, env=environment),
        )
        self.said: list[str] = []

    def line_with(self, words: str) -> str:
        for line in self.process.stdout:
            self.said.append(line.rstrip())
            if words in line:
                return self.said[-1]
        raise AssertionError(f"{words!r} was never said: {self.said}")

    def next_line(self) -> str:
        self.said.append(self.process.stdout.readline().rstrip())
        return self.said[-1]

    def type(self, line: str) -> None:
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def end(self) -> str:
        rest, _ = self.process.communicate(timeout=90)
        assert self.process.returncode == 0, (self.said, rest)
        return "\n".join([*self.said, rest])

    def close(self) -> None:
        # A relay ends its server itself.
        self.process.terminate()
        self.process.communicate(timeout=90)


def is_open(port: str) -> bool:
    try:
        socket.create_connection(("127.0.0.1", int(port)), 1).close()
    except OSError:
        return False
    return True


def free_port() -> str:
    with socket.create_server(("127.0.0.1", 0)) as door:
        return str(door.getsockname()[1])


@pytest.fixture
def terminals():
    opened: list[Terminal] = []

    def opened_with(*words) -> Terminal:
        opened.append(Terminal(*words))
        return opened[-1]

    yield opened_with
    for terminal in opened:
        terminal.close()


@pytest.mark.parametrize("way", ["relay", "direct"])
def test_a_lesson_is_the_same_session_in_both_places(way, terminals, tmp_path):
    ours, theirs = tmp_path / "pupil.session", tmp_path / "teacher.session"
    begin = ["lesson", "begin", "-o", theirs, "--name", "Mr Bell", "--no-strips"]
    join = ["lesson", "join", "sim", "-o", ours, "--for", "3"]
    if way == "relay":
        server()
        relay = terminals("relay", tmp_path / "relay", "--port", free_port())
        relay.line_with("For teachers")
        teacher = terminals(*begin, "--ticket", tmp_path / "relay" / "teacher.ticket")
        code = teacher.line_with("The code").rpartition(": ")[2]
        pupil = terminals(*join, "--ticket", tmp_path / "relay" / "pupil.ticket", "--code", code)
    else:
        teacher = terminals(*begin)
        teacher.line_with("Send your pupil")
        text = teacher.next_line()
        pupil = terminals(*join)
        pupil.type(text)
        pupil.line_with("Send your teacher this answer")
        teacher.type(pupil.next_line())
    teacher.line_with("The pupil has joined, and is asked to agree.")
    assert not ours.exists()
    pupil.type("y")
    heard, said = teacher.end(), pupil.end()
    assert "Mr Bell would listen to your fingers and keep the session. Do you agree?" in said
    assert "All of it is at your teacher's." in said
    assert "The lesson is over, and the same on both sides." in heard
    assert heard.count(" to ") >= 1  # a change is told
    assert digest(ours) == digest(theirs)
    assert len(read_session(theirs).data) > 100


def test_who_does_not_agree_sends_nothing(terminals, tmp_path):
    server()
    relay = terminals("relay", tmp_path / "relay", "--port", free_port())
    relay.line_with("For teachers")
    ticket = tmp_path / "relay" / "teacher.ticket"
    teacher = terminals("lesson", "begin", "-o", tmp_path / "t.session", "--ticket", ticket)
    code = teacher.line_with("The code").rpartition(": ")[2]
    pupil_ticket = tmp_path / "relay" / "pupil.ticket"
    pupil = terminals(
        *(
            "lesson",
            "join",
            "sim",
            "-o",
            tmp_path / "p.session",
            "--ticket",
            pupil_ticket,
            "--code",
            code,
            "--name",
            "Ann",
        )
    )
    teacher.line_with("The pupil has joined")
    pupil.type("n")
    assert "Nothing of your playing was sent." in pupil.end()
    teacher.process.terminate()
    rest, _ = teacher.process.communicate(timeout=90)
    assert teacher.process.returncode == 1
    assert "no pupil joined, so no session was kept" in rest
    assert "Ann" not in rest
    assert not (tmp_path / "p.session").exists()
    assert not (tmp_path / "t.session").exists()


def test_a_relay_that_is_killed_takes_its_server_with_it(terminals, tmp_path):
    server()
    port = free_port()
    relay = terminals("relay", tmp_path / "relay", "--port", port)
    relay.line_with("For teachers")
    relay.process.kill()
    wait_for(lambda: not is_open(port), "the server to end")
    terminals("relay", tmp_path / "relay", "--port", port).line_with("For teachers")


@pytest.mark.parametrize(
    ("by", "asked"),
    [
        (signal.SIGINT, ("begin",)),
        (signal.SIGTERM, ("join", "sim")),
        (signal.SIGINT, ("join", "sim", "--ticket", "none.ticket")),
    ],
    ids=["teacher", "pupil", "with a ticket"],
)
def test_who_is_asked_ends_it_at_once(by, asked, terminals, tmp_path):
    path = tmp_path / "one.session"
    terminal = terminals("lesson", *asked, "-o", path)
    for letter in iter(lambda: terminal.process.stdout.read(1), ""):
        terminal.said.append(letter)
        if "".join(terminal.said).endswith(("answer: ", "teacher: ", "says: ")):
            break
    terminal.process.send_signal(by)
    # What it reads from stays open meanwhile.
    code = terminal.process.wait(timeout=90)
    assert (code, terminal.process.stdout.read().strip(), path.exists()) == (1, "Aborted!", False)
