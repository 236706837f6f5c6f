from __future__ import annotations

import sys
import threading
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "store"))

from studios import playing

from host.live.round import Round
from host.ports.base import Chunk, Port, PortRefused
from host.store.session_file import read_session
from host.store.studio.studio import Studio, analysed

PATIENCE_S = 20


class Fed(Port):
    """A port that gives what the test feeds it, and lets the test wait until it was read."""

    name, carrier = "fed", "stream"

    def __init__(self):
        self.pieces: list[bytes] = []
        self.more, self.empty = threading.Event(), threading.Event()
        self.told_us = 0
        self.written = b""

    def feed(self, data: bytes) -> None:
        self.empty.clear()
        self.pieces = [data[i : i + 500] for i in range(0, len(data), 500)]
        self.more.set()
        assert self.empty.wait(PATIENCE_S)

    def read(self, timeout_s: float) -> list[Chunk]:
        if not self.pieces:
            self.empty.set()
            self.more.wait(timeout_s)
            self.more.clear()
            return []
        self.told_us += 10_000
        return [Chunk(self.pieces.pop(0), self.told_us)]

    def write(self, data: bytes) -> None:
        self.written += data

    def close(self) -> None:
        pass


def wait_until(true) -> None:
    """Let the thread run until something holds."""
    given_up = threading.Event()
    for _ in range(PATIENCE_S * 100):
        if true():
            return
        given_up.wait(0.01)
    raise AssertionError("it never came true")


def test_each_turn_is_a_session_of_whoever_played_it(tmp_path):
    port = Fed()
    with Studio(tmp_path / "studio") as studio:
        keys = [studio.add(name, hand).key for name, hand in (("Ailsa", "left"), ("Bea", "right"))]
        passed = Round(studio.folder, "fed", lambda: port, lambda: port.told_us).start()
        port.feed(playing(5, 10))  # nobody has the chanter yet: this is kept by nobody
        played = [playing(1, 20), playing(2, 20)]
        for key, data in zip(keys, played, strict=True):
            passed.next(key)
            wait_until(passed._asked.empty)
            port.feed(data)
            # One pass more, so that what was read has been taken.
            wait_until(passed._reader._items.empty)
        passed.next(keys[0])  # takes the chanter and plays nothing
        wait_until(passed._asked.empty)
        passed.stop()
        assert passed.sentence == ""
        sittings = studio.index.sittings()
        assert [s.pupil for s in sorted(sittings, key=lambda s: s.started_utc)] == keys
        for sitting, data in zip(sorted(sittings, key=lambda s: s.started_utc), played, strict=True):
            session, analysis = analysed(studio.session_path(sitting.digest))
            assert session.data in data or data in session.data
            assert len(analysis.changes) > 10
        hands = [read_session(studio.session_path(s.digest)).meta["settings"] for s in sittings]
        assert sorted(hands) == ['{"hand_on_top": "left"}', '{"hand_on_top": "right"}']


def test_a_port_that_is_refused_is_told_and_stops_cleanly(tmp_path):
    def refuse():
        raise PortRefused("fed", "it is not there", "look for it")

    with Studio(tmp_path / "studio") as studio:
        passed = Round(studio.folder, "fed", refuse).start()
        wait_until(lambda: passed.sentence)
        passed.stop()
    assert "it is not there" in passed.sentence
