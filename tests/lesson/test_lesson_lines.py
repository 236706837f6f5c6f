"""Every line keeps the one contract; and what each has of its own."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import json
import queue
import re
import shutil
import subprocess
import sys
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.lesson import relay as relay_module
from fingerlead.lesson.direct_line import DirectLine
from fingerlead.lesson.direct_text import ANSWER, INVITATION, LETTERS, DirectText, pack_text, read_text, text_of
from fingerlead.lesson.errors import LessonError
from fingerlead.lesson.keys import NotInstalled
from fingerlead.lesson.line import LessonLine, LineRefused
from fingerlead.lesson.packets import Lane
from fingerlead.lesson.relay import Relay, RelayTicket, read_ticket, write_ticket
from fingerlead.lesson.relay_line import RelayLine
from fingerlead.wire.carriers import with_check
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
        frames = played(4_000_000)
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


class DirectLines(Lines):
    def __init__(self, folder) -> None:
        self.teacher, self.pupil = DirectLine("teacher"), DirectLine("pupil")
        self.connect()

    def connect(self) -> None:
        self.teacher.accept(self.pupil.answer(self.teacher.invite()))
        for line in (self.teacher, self.pupil):
            line.wait_open()


@pytest.fixture
def on_this_machine(monkeypatch):
    """Addresses of this machine alone, which need no network."""
    import aioice.ice

    monkeypatch.setattr(aioice.ice, "get_host_addresses", lambda use_ipv4, use_ipv6: ["127.0.0.1"])


@pytest.mark.usefixtures("on_this_machine")
class TestDirectLine(LineContract):
    lines = DirectLines

    def test_a_lost_connection_goes_on_with_new_texts(self, ends):
        lesson = LiveLesson(ends)
        frames = played(6_000_000)
        lesson.play(frames[:60])
        ends.teacher._do(ends.teacher._leave())
        lesson.play(frames[60:])
        ends.connect()
        lesson.finish()
        lesson.check()

    def test_both_have_the_same_secret_and_other_texts_have_another(self, ends):
        secret = ends.teacher.secret
        assert secret == ends.pupil.secret
        ends.connect()
        assert ends.teacher.secret == ends.pupil.secret != secret

    def test_an_answer_to_another_text_connects_to_nothing(self, ends):
        ends.teacher.invite()
        stranger = DirectLine("pupil")
        other = DirectLine("teacher")
        try:
            ends.teacher.accept(stranger.answer(other.invite()))
            with pytest.raises(LineRefused, match="cannot be reached; try again with new texts"):
                ends.teacher.wait_open(1)
            with pytest.raises(LessonError, match="got one to none; begin anew"):
                ends.teacher.accept(stranger._answer)
        finally:
            stranger.close()
            other.close()

    def test_no_server_is_asked_unless_it_is_named(self, ends, monkeypatch):
        import aiortc

        seen = []

        def spied(configuration) -> None:
            seen.append([server.urls for server in configuration.iceServers])
            raise ValueError("no connection is wanted here")

        monkeypatch.setattr(aiortc, "RTCPeerConnection", spied)
        named = DirectLine("teacher", ("stun:192.0.2.1:3478",))
        for line in (ends.teacher, named):
            with pytest.raises(LessonError, match=r"no direct line can be made \(ValueError\)"):
                line.invite()
        named.close()
        assert seen == [[], ["stun:192.0.2.1:3478"]]


IPS = st.one_of(st.ip_addresses(v=4), st.ip_addresses(v=6)).map(str)


@given(
    st.builds(
        DirectText,
        st.sampled_from([INVITATION, ANSWER]),
        st.binary(min_size=32, max_size=32),
        st.text(LETTERS, min_size=4, max_size=4),
        st.text(LETTERS, min_size=22, max_size=22),
        st.lists(st.tuples(IPS, st.integers(0, 65_535)), min_size=1, max_size=3).map(tuple),
    ),
    st.data(),
)
def test_a_text_is_read_as_it_was_written_and_an_altered_one_is_refused(told, data):
    text = pack_text(told)
    assert read_text(text, told.kind) == told
    assert read_text(" \n".join(re.findall(".{1,5}", text.lower())), told.kind) == told
    if len(told.addresses) == 1 and ":" not in told.addresses[0][0]:
        assert len(text) <= 103
    with pytest.raises(LessonError, match="another text; the teacher sends the first"):
        read_text(text, 3 - told.kind)
    place = data.draw(st.integers(0, len(text) - 2))
    altered = text[:place] + ("A" if text[place] != "A" else "B") + text[place + 1 :]
    with pytest.raises(LessonError, match="have the whole text sent again"):
        read_text(altered, told.kind)
    with pytest.raises(LessonError, match="expected"):
        read_text(text[:place], told.kind)


@given(
    st.one_of(
        st.text(max_size=500), st.binary(max_size=200).map(lambda data: base64.b32encode(with_check(data)).decode())
    )
)
def test_a_text_that_is_none_is_refused_in_a_sentence(text):
    for kind in (INVITATION, ANSWER):
        with contextlib.suppress(LessonError):
            read_text(text, kind)


def test_a_text_fits_a_code_that_a_phone_can_read():
    import segno

    ours = (("203.0.113.7", 40_370), ("2001:db8::1234:5678:9abc:def0", 40_371))
    for count, letters, version in ((1, 101, 5), (2, 132, 6)):
        told = DirectText(INVITATION, bytes(range(32)), "BQDy", "xdyEMTlZSLvSUGyehZ6QPx", ours[:count])
        picture = segno.make(pack_text(told), error="m")
        assert (len(pack_text(told)), picture.mode, picture.version) == (letters, "alphanumeric", version)


def test_a_machine_without_a_network_is_told():
    with pytest.raises(LessonError, match="connect it to a network"):
        text_of("v=0\r\na=candidate:1 1 udp 5 fe80::1 9 typ host\r\n", INVITATION)


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
    monkeypatch.setitem(sys.modules, "aiortc", None)
    with pytest.raises(NotInstalled, match=r"aiortc is missing; pip install 'fingerlead\[lesson\]'"):
        DirectLine("pupil")
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
