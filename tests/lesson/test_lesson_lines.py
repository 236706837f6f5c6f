"""Every line keeps the one contract; and what each has of its own."""

from __future__ import annotations

import asyncio
import json
import queue
import re
import shutil
import subprocess
import sys
import threading

import pytest

from fingerlead.lesson import relay as relay_module
from fingerlead.lesson.errors import LessonError
from fingerlead.lesson.keys import NotInstalled
from fingerlead.lesson.line import LessonLine, LineRefused
from fingerlead.lesson.packets import Lane
from fingerlead.lesson.relay import Relay, RelayTicket, read_ticket, write_ticket
from fingerlead.lesson.relay_line import RelayLine
from tests.lesson.lessons import SECRET, played
from tests.lesson.line_contract import LineContract, Lines, LiveLesson, take_until
from tests.waiting import wait_for

SUBJECT = "acorn-otter"


class MemoryLine(LessonLine):
    """A line in memory, which drops every tenth packet of the lane that may."""

    def __init__(self, own: queue.Queue, other: queue.Queue) -> None:
        self.name, self.trouble = "memory", ""
        self._own, self._other, self._sent, self._closed = own, other, 0, False

    def send(self, lane: Lane, packet: bytes) -> None:
        self._sent += 1
        if not self._closed and (self._sent % 10 or lane == Lane.LOG):
            try:
                self._other.put_nowait(packet)
            except queue.Full:
                return

    def receive(self, timeout_s: float) -> list[bytes]:
        try:
            return [] if self._closed else [self._own.get(timeout=timeout_s) if timeout_s else self._own.get_nowait()]
        except queue.Empty:
            return []

    def close(self) -> None:
        self._closed = True


class MemoryLines(Lines):
    def __init__(self, folder) -> None:
        ways = queue.Queue(4_096), queue.Queue(4_096)
        self.pupil, self.teacher = MemoryLine(*ways), MemoryLine(*reversed(ways))


class TestMemoryLine(LineContract):
    lines = MemoryLines


class RelayLines(Lines):
    def __init__(self, folder, tls: bool = False) -> None:
        server()
        self.relay = Relay(folder / "relay", port=-1, tls=tls)
        self.tickets = {role: read_ticket(path) for role, path in self.relay.tickets.items()}
        self.teacher = RelayLine(self.tickets["teacher"], SUBJECT, "teacher")
        self.pupil = RelayLine(self.tickets["pupil"], SUBJECT, "pupil")

    def close(self) -> None:
        super().close()
        self.relay.close()


class TestRelayLine(LineContract):
    lines = RelayLines

    def test_a_relay_that_is_started_anew_is_found_again(self, ends):
        lesson = LiveLesson(ends)
        frames = played(6_000_000)
        lesson.play(frames[:40])
        port = int(ends.relay.address.rpartition(":")[2])
        ends.relay._process.terminate()
        ends.relay._process.wait()
        wait_for(lambda: ends.pupil.trouble and ends.teacher.trouble, "word of the loss")
        lesson.play(frames[40:80])
        folder = ends.relay.tickets["pupil"].parent
        text = (folder / "relay.conf").read_text()
        (folder / "relay.conf").write_text(re.sub(r'listen: "[^"]*"', f'listen: "127.0.0.1:{port}"', text))
        ends.relay._process = start_server(folder)
        lesson.play(frames[80:])
        lesson.finish()
        lesson.check()

    def test_who_listens_at_the_relay_sees_only_what_is_sealed(self, ends):
        """By NATS's own client, with a ticket of the relay's: no frame, no name, no word of the code."""
        seen: list[tuple[str, bytes]] = []

        async def listen(ready, over) -> None:
            import nats

            clients = []
            for role, other in (("teacher", "pupil"), ("pupil", "teacher")):
                ticket = ends.tickets[role]
                client = await nats.connect(ticket.address, user=role, password=ticket.password)

                async def came(message) -> None:
                    seen.append((message.subject, message.data))

                await client.subscribe(f"lesson.*.{other}.*", cb=came)
                await client.flush()
                await client.flush()
                clients.append(client)
            ready.set()
            while not over.is_set():
                await asyncio.sleep(0.02)
            for client in clients:
                await client.close()

        ready, over = threading.Event(), threading.Event()
        spy = threading.Thread(target=lambda: asyncio.run(listen(ready, over)))
        spy.start()
        assert ready.wait(30)
        lesson = LiveLesson(ends)
        frames = played(2_000_000)
        lesson.play(frames)
        lesson.finish()
        over.set()
        spy.join()
        assert {subject.rpartition(".")[2] for subject, _ in seen} == {"now", "log"}
        said = b"".join(data for _, data in seen)
        assert len(said) > 3_000
        for telling in (b"Ann", b"Mr Bell", SECRET, *(data for _, data in frames[:30])):
            assert telling not in said

    def test_who_has_no_ticket_or_the_wrong_one_is_not_let_in(self, ends):
        ticket = ends.tickets["pupil"]
        with pytest.raises(LineRefused, match="does not let this ticket in; ask the relay's owner"):
            RelayLine(RelayTicket(ticket.address, "pupil", "guessed"), SUBJECT, "pupil")
        # A pupil's ticket begins no lesson.
        with pytest.raises(LineRefused):
            RelayLine(ticket, "birch-dune", "teacher", opens_within_s=1)

    def test_a_pupil_before_the_teacher_and_a_second_teacher_are_told(self, ends):
        with pytest.raises(LineRefused, match="no lesson has begun at these words"):
            RelayLine(ends.tickets["pupil"], "birch-dune", "pupil")
        with pytest.raises(LineRefused, match="another lesson has these words"):
            RelayLine(ends.tickets["teacher"], SUBJECT, "teacher")

    def test_the_log_is_there_for_who_comes_late(self, ends):
        ends.pupil.send(Lane.LOG, b"first")
        ends.pupil.send(Lane.LOG, b"second")
        assert sorted(take_until(ends.teacher, 2)) == [b"first", b"second"]
        late = RelayLine(ends.tickets["pupil"], SUBJECT, "pupil")
        ends.teacher.send(Lane.LOG, b"to all")
        assert take_until(late, 1) == [b"to all"]
        late.close()


def server() -> str:
    """NATS's own server; without it a test is skipped, and says what is missing."""
    found = shutil.which("nats-server") or shutil.which("nats-server", path="/usr/sbin:/usr/local/sbin")
    if found is None:
        pytest.skip("needs nats-server (on Debian the package of that name)")
    return found


def start_server(folder):
    arguments = [server(), "-c", str(folder / "relay.conf"), "-l", str(folder / "relay.log")]
    return subprocess.Popen(arguments, start_new_session=True)


def test_a_relay_is_encrypted_and_a_wrong_certificate_is_refused(tmp_path):
    lines = RelayLines(tmp_path, tls=True)
    try:
        lines.pupil.send(Lane.LOG, b"over TLS")
        assert take_until(lines.teacher, 1) == [b"over TLS"]
        with Relay(tmp_path / "another", port=-1) as another:
            strange = read_ticket(another.tickets["pupil"])
        ours = lines.tickets["pupil"]
        false = RelayTicket(ours.address, ours.user, ours.password, strange.certificate)
        with pytest.raises(LineRefused, match="another certificate than its ticket says"):
            RelayLine(false, SUBJECT, "pupil")
    finally:
        lines.close()


def test_no_relay_is_told_in_a_sentence():
    with pytest.raises(LineRefused, match=r"nats://127.0.0.1:1: no relay answers .* check that the relay runs"):
        RelayLine(RelayTicket("nats://127.0.0.1:1", "pupil", "x"), SUBJECT, "pupil", opens_within_s=2)


def test_what_is_missing_is_named(monkeypatch, tmp_path):
    monkeypatch.setitem(sys.modules, "nats", None)
    with pytest.raises(NotInstalled, match=r"nats is missing; pip install 'fingerlead\[lesson\]'"):
        RelayLine(RelayTicket("nats://127.0.0.1:1", "pupil", "x"), SUBJECT, "pupil")
    monkeypatch.setattr(relay_module, "SERVER", "no-such-server")
    with pytest.raises(LessonError, match="no-such-server is missing; on Debian"):
        Relay(tmp_path)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "5",
        '"x"',
        "{}",
        json.dumps(dict(address="http://x:1", user="a", password="b", certificate="")),
        json.dumps(dict(address="tls://:1", user="a", password="b", certificate="")),
        json.dumps(dict(address="tls://x:99999", user="a", password="b", certificate="")),
        json.dumps(dict(address=5, user="a", password="b", certificate="")),
        json.dumps(dict(address="tls://x:1", user=5, password="b", certificate="")),
        "[" * 10_000,
    ],
)
def test_a_ticket_that_is_none_is_refused_in_a_sentence(tmp_path, text):
    (tmp_path / "x.ticket").write_text(text)
    with pytest.raises(LessonError, match=r"expected a relay's ticket.*ask the relay's owner"):
        read_ticket(tmp_path / "x.ticket")


def test_a_ticket_is_kept_for_its_owner_alone(tmp_path):
    path = tmp_path / "x.ticket"
    ticket = RelayTicket("tls://192.168.1.5:4222", "pupil", "secret", "PEM")
    write_ticket(path, ticket)
    assert read_ticket(path) == ticket
    assert path.stat().st_mode & 0o077 == 0
    with pytest.raises(LessonError, match="ask the relay's owner"):
        read_ticket(tmp_path / "none")
