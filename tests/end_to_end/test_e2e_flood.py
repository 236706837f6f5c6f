"""Strangers take every descriptor that they get, while a chanter is plugged in again; and print nothing."""

from __future__ import annotations

import contextlib
import itertools
import signal
import socket
import threading
from collections.abc import Iterator

import pytest

from fingerlead.store.session_reading import read_session, session_record
from tests.end_to_end import test_e2e_practice as programs
from tests.end_to_end.test_e2e_practice import Practice, fingerlead, read_until
from tests.waiting import PATIENCE_S, wait_for

DESCRIPTORS = 256
# More than there are descriptors, as 1,024 are on a machine as it is sold.
HELD = 320
ADDRESSES = 40


class Flood:
    """Connections without a secret, half of them from one address, held for as long as they may, then made anew."""

    def __init__(self, host: str, held: int = HELD) -> None:
        name, _, port = host.partition(":")
        self.made, self._held = 0, held
        self._place = name, int(port)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        held: list[socket.socket] = []
        for number in itertools.count():
            if self._over.is_set():
                break
            source = f"127.0.0.{2 + number % ADDRESSES * (number % 2)}"
            with contextlib.suppress(OSError):
                held.append(socket.create_connection(self._place, timeout=1, source_address=(source, 0)))
                # Half of them say something, and none ends what it says.
                if number % 2:
                    held[-1].sendall(b"GET /\x1b[31m HTTP/1.1\r\n" if number % 4 == 1 else b"POST / HTTP/1.1\r\nx-a: ")
                self.made += 1
            if len(held) > self._held:
                held.pop(0).close()
        for one in held:
            one.close()

    def __enter__(self) -> Flood:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()


@pytest.fixture
def few_descriptors(monkeypatch: pytest.MonkeyPatch) -> None:
    limited = ["sh", "-c", f'ulimit -n {DESCRIPTORS}; exec "$@"', "sh", *programs.FINGERLEAD]
    monkeypatch.setattr(programs, "FINGERLEAD", limited)


@pytest.fixture
def ended() -> Iterator[contextlib.ExitStack]:
    with contextlib.ExitStack() as stack:
        yield stack


def test_no_playing_is_lost_after_a_replug_while_strangers_flood_the_page(few_descriptors, ended, tmp_path):
    def chanter(port: str) -> tuple[str, object]:
        process = fingerlead("simulate", "--on", f"tcp:{port}", "--tune", "low-g-b", "--seed", 5)
        ended.callback(process.communicate)
        ended.callback(process.kill)
        assert process.stdout is not None
        return process.stdout.readline().removeprefix("listening on ").strip(), process

    spec, plugged_in = chanter("0")
    running = Practice(tmp_path, spec, "--rung", "low-g-b")
    ended.callback(running.process.communicate)
    ended.callback(running.process.kill)
    with running.page() as page, Flood(running.host) as flood:
        read_until(page, lambda message: message["kind"] == "change")
        plugged_in.kill()
        plugged_in.communicate()
        read_until(page, lambda message: (message.get("chanter") or message).get("state") == "away")
        before = flood.made
        wait_for(lambda: flood.made > before + HELD, "the flood")
        chanter(spec.rpartition(":")[2])
        read_until(page, lambda message: (message.get("chanter") or message).get("state") == "here")
        for _ in range(2):
            read_until(page, lambda message: message["kind"] == "change")
        # A page opened anew comes in too.
        with running.page() as second:
            assert read_until(second, lambda message: message["kind"] == "all")
        assert running.get("/").status_code == 200
    out, err = running.ended(signal.SIGINT)
    assert (running.process.returncode, err) == (0, "")
    assert "\x1b" not in out
    (session,) = running.sessions()
    stored = read_session(session)
    assert [mark.kind for mark in stored.marks] == ["lost", "back"]
    back_us = stored.marks[1].host_us
    assert any(host_us >= back_us for _, host_us in stored.reads())
    # Between the old playing and the new there is a doubt, and none within the new.
    assert [doubt.cause for doubt in session_record(stored).doubts] == ["restart"]


def hostile_requests(host: str) -> list[bytes]:
    """Requests that are none, or hold what a terminal would obey."""
    named = f"Host: {host}\r\n".encode()
    line = (
        b"Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: "
        b"dGhlIHNhbXBsZSBub25jZQ==\r\nOrigin: http://" + host.encode() + b"\r\n"
    )
    return [
        b"GET /%0d%0aX:1 HTTP/1.1\r\n" + named + b"\r\n",
        b"GET /kit%0d%0a%1b[31m HTTP/1.1\r\n" + named + b"\r\n",
        b"GET /\x1b[31m HTTP/1.1\r\n" + named + b"\r\n",
        b"\x1b]0;hello\x07\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01" + b"\x1b[31m" * 20 + b"\r\n\r\n",
        b"GET /live%0d%0a%1b[31m HTTP/1.1\r\n" + named + line + b"\r\n",
        b"GET /live HTTP/1.1\r\n" + named + line + b"".join(b"x%d: 1\r\n" % one for one in range(300)) + b"\r\n",
        b"GET /live HTTP/1.1\r\n" + named + line + b"x: " + b"a" * 9_000 + b"\r\n\r\n",
        b"GET /live HTTP/1.1\r\n" + named + line + b"content-length: 5\r\n\r\nhello",
        b"GET / HTTP/1.1\r\n" + named + b"Upgrade: \x1b[31mh2c\r\nConnection: Upgrade\r\n\r\n",
        b"POST / HTTP/1.1\r\n" + named + b"Transfer-Encoding: chunked\r\n\r\nzz\r\n",
        b"GET / HTTP/1.1\r\n" + named + b"x: " + b"a" * 70_000,
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
    ]


def test_nothing_that_strangers_send_is_printed(ended, tmp_path):
    running = Practice(tmp_path)
    ended.callback(running.process.communicate)
    ended.callback(running.process.kill)
    name, _, port = running.host.partition(":")
    for request in hostile_requests(running.host):
        with socket.create_connection((name, int(port)), timeout=PATIENCE_S) as one, contextlib.suppress(OSError):
            one.sendall(request)
            one.shutdown(socket.SHUT_WR)
            while one.recv(65_536):
                pass
    assert running.get("/").status_code == 200
    out, err = running.ended(signal.SIGINT)
    assert (running.process.returncode, err) == (0, "")
    # What was read on beyond the first line is lost to `communicate`.
    assert out.splitlines()[-1:] == ["Nothing was played."]
    assert len(out.splitlines()) <= 2
