from __future__ import annotations

import threading

from fingering.notes import SOUNDING
from fingerlead.ports.base import Chunk, Port, PortLost, PortRefused
from fingerlead.store.session_file import SessionError, SessionWriter
from fingerlead.store.session_reading import read_session
from fingerlead.studio.index import analysed
from fingerlead.studio.round import PlayedNow, Round, bring_home
from fingerlead.studio.studio import Studio
from tests.full_disk import full_disk
from tests.studio.studios import playing, write
from tests.waiting import PATIENCE_S, wait_for


class Fed(Port):
    """A port that gives what the test feeds it, and lets the test wait until it was read."""

    name, carrier = "fed", "stream"

    def __init__(self):
        self.pieces: list[bytes] = []
        self.more, self.empty = threading.Event(), threading.Event()
        self.told_us, self.lost = 0, False
        self.written = b""

    def feed(self, data: bytes) -> None:
        self.empty.clear()
        self.pieces = [data[i : i + 500] for i in range(0, len(data), 500)]
        self.more.set()
        assert self.empty.wait(PATIENCE_S)

    def read(self, timeout_s: float) -> list[Chunk]:
        if self.lost:
            self.lost = False
            raise PortLost("fed", "it was unplugged")
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


def test_each_turn_is_a_session_of_the_pupil_who_played_it(tmp_path):
    port = Fed()
    with Studio(tmp_path / "studio") as studio:
        keys = [studio.add(name, hand).key for name, hand in (("Ailsa", "left"), ("Bea", "right"))]
        passed = Round(studio.folder, "fed", lambda: port, lambda: port.told_us).start()
        port.feed(playing(5, 10))  # no pupil has the chanter yet: this is not kept
        played = [playing(1, 20), playing(2, 20)]
        for key, data in zip(keys, played, strict=True):
            passed.next(key)
            wait_for(lambda: not passed._inbox)
            port.feed(data)
            # One pass more, so that what was read has been taken.
            wait_for(passed._reader._items.empty)
        passed.next(keys[0])  # takes the chanter and plays nothing
        wait_for(lambda: not passed._inbox)
        passed.stop()
        assert passed.sentence == ""
        sessions = studio.index.sessions()
        assert [s.pupil for s in sorted(sessions, key=lambda s: s.started_utc)] == keys
        for each, data in zip(sorted(sessions, key=lambda s: s.started_utc), played, strict=True):
            session, analysis = analysed(studio.session_path(each.digest))
            assert session.data in data or data in session.data
            assert len(analysis.changes) > 10
        hands = [read_session(studio.session_path(s.digest)).meta["settings"] for s in sessions]
        assert sorted(hands) == ['{"hand_on_top": "left"}', '{"hand_on_top": "right"}']


def test_a_port_that_is_refused_is_told_and_stops_cleanly(tmp_path):
    def refuse():
        raise PortRefused("fed", "it is not there", "look for it")

    with Studio(tmp_path / "studio") as studio:
        passed = Round(studio.folder, "fed", refuse).start()
        wait_for(lambda: passed.sentence)
        passed.stop()
    assert "it is not there" in passed.sentence


def play_a_turn(passed, port, key, data) -> None:
    passed.next(key)
    wait_for(lambda: not passed._inbox)
    port.feed(data)
    wait_for(passed._reader._items.empty)


def put_down(passed) -> None:
    passed.next("")
    wait_for(lambda: not passed._inbox)


def test_a_turn_that_fails_does_not_end_the_round(tmp_path, monkeypatch):
    port = Fed()
    with Studio(tmp_path / "studio") as studio:
        keys = [studio.add(name).key for name in ("Ailsa", "Bea")]
        passed = Round(studio.folder, "fed", lambda: port, lambda: port.told_us).start()
        passed.next("0123456789ab")
        wait_for(lambda: passed.sentence)
        assert "there is none" in passed.sentence
        assert passed.now == ""
        whole = SessionWriter.append
        calls = []

        def full(writer, data, host_us):
            calls.append(data)
            if len(calls) > 45:
                raise SessionError(writer.path, "the disk is full")
            whole(writer, data, host_us)

        monkeypatch.setattr(SessionWriter, "append", full)
        play_a_turn(passed, port, keys[0], playing(1, 300))
        wait_for(lambda: "it cannot be kept: the disk is full" in passed.sentence)
        assert passed.now == ""
        monkeypatch.undo()
        play_a_turn(passed, port, keys[1], playing(2, 20))
        passed.stop()
        assert [s.pupil for s in studio.index.sessions()] == [keys[1]]
        assert bring_home(studio) == 1
        assert sorted(s.pupil for s in studio.index.sessions()) == sorted(keys)
        cut, *_ = studio.index.sessions(keys[0])
        assert read_session(studio.session_path(cut.digest)).data in playing(1, 300)
        assert list(studio.folder.glob("pupils/*/turns/*")) == []


def test_a_turn_on_a_full_disk_goes_on_says_so_and_is_kept_whole_when_there_is_room(tmp_path):
    port = Fed()
    data = playing(1, 60)
    with Studio(tmp_path / "studio") as studio:
        key = studio.add("Ailsa").key
        passed = Round(studio.folder, "fed", lambda: port, lambda: port.told_us).start()
        with full_disk():
            play_a_turn(passed, port, key, data[:10_000])
            wait_for(
                lambda: (
                    passed.sentence
                    == "not saved yet: the disk is full. It is remembered, and saved as soon as there is room"
                )
            )
            assert passed.now == key
        port.told_us += 5_000_000
        port.feed(data[10_000:])
        wait_for(lambda: not passed.sentence)
        put_down(passed)
        passed.stop()
        (session,) = studio.index.sessions(key)
        assert read_session(studio.session_path(session.digest)).data == data


def test_a_turn_that_cannot_be_kept_to_its_end_says_what_is_lost(tmp_path):
    port = Fed()
    with Studio(tmp_path / "studio") as studio:
        key = studio.add("Ailsa").key
        passed = Round(studio.folder, "fed", lambda: port, lambda: port.told_us).start()
        with full_disk():
            play_a_turn(passed, port, key, playing(1, 60))
            put_down(passed)
            wait_for(lambda: "of playing could not be kept (the disk is full)" in passed.sentence)
        passed.stop()
        assert studio.index.sessions(key) == []


def test_what_a_crash_cut_off_is_taken_in_the_next_time_and_what_is_being_played_is_not(tmp_path):
    with Studio(tmp_path / "studio") as studio:
        keys = [studio.add(name).key for name in ("Ailsa", "Bea")]
        for key in keys:
            (studio.of(key) / "turns").mkdir()
        write(studio.of(keys[0]) / "turns" / "cut.session", playing(1, 20))
        live = SessionWriter(studio.of(keys[1]) / "turns" / "live.session", "stream", "fed")
        live.append(playing(2, 20), 0)
        live.tick(1_000_000)
        assert bring_home(studio) == 1
        assert [s.pupil for s in studio.index.sessions()] == [keys[0]]
        assert [each.name for each in studio.folder.glob("pupils/*/turns/*.session")] == ["live.session"]
        live.close()
        assert bring_home(studio) == 1
        assert {s.pupil for s in studio.index.sessions()} == set(keys)


def refused_once(port):
    """How often a port was opened, as a list that grows; and what opens it, which refuses the first time."""
    opened = []

    def open_port():
        opened.append(port)
        if len(opened) == 1:
            raise PortRefused("fed", "it is not there", "look for it")
        return port

    return opened, open_port


def test_a_chanter_that_was_not_there_is_looked_for_at_the_next_turn(tmp_path):
    port = Fed()
    opened, open_port = refused_once(port)
    with Studio(tmp_path / "studio") as studio:
        key = studio.add("Ailsa").key
        passed = Round(studio.folder, "fed", open_port, lambda: port.told_us).start()
        wait_for(lambda: passed.sentence)
        passed.next(key)
        wait_for(lambda: len(opened) == 2)
        port.feed(playing(1, 20))
        wait_for(passed._reader._items.empty)
        passed.stop()
        assert passed.sentence == ""
        assert [s.pupil for s in studio.index.sessions()] == [key]


def test_what_is_no_chanter_is_told_and_the_next_turn_goes_on(tmp_path):
    port = Fed()
    with Studio(tmp_path / "studio") as studio:
        keys = [studio.add(name).key for name in ("Ailsa", "Bea")]
        passed = Round(studio.folder, "fed", lambda: port, lambda: port.told_us).start()
        play_a_turn(passed, port, keys[0], b"hello world, no chanter here" * 5_000)
        wait_for(lambda: passed.sentence)
        assert "expected" in passed.sentence
        play_a_turn(passed, port, keys[1], playing(2, 20))
        put_down(passed)
        wait_for(lambda: studio.index.sessions())
        passed.stop()
        assert [s.pupil for s in studio.index.sessions()] == [keys[1]]


def test_what_is_played_is_shown_as_it_is_played(tmp_path):
    port = Fed()
    _, analysis = analysed(write(tmp_path / "whole.session", playing(1, 20)))
    played = [(change.from_note, change.to_note) for change in analysis.changes]
    # The last change of all is told only once its note has stood.
    last = (played[-4:], played[-5:-1])
    with Studio(tmp_path / "studio") as studio:
        key = studio.add("Ailsa").key
        passed = Round(studio.folder, "fed", lambda: port, lambda: port.told_us).start()
        assert passed.playing == PlayedNow()
        play_a_turn(passed, port, key, playing(1, 20))
        wait_for(lambda: [(change.from_note, change.to_note) for change in passed.playing.late] in last)
        wait_for(lambda: passed.playing.note == SOUNDING[analysis.covered[-1]])
        put_down(passed)
        wait_for(lambda: passed.playing == PlayedNow())
        passed.stop()


def test_a_chanter_that_is_lost_is_told_until_it_is_back_whoever_plays_next(tmp_path):
    port = Fed()
    data = playing(1, 40)
    with Studio(tmp_path / "studio") as studio:
        keys = [studio.add(name).key for name in ("Ailsa", "Bea")]
        passed = Round(studio.folder, "fed", lambda: port, lambda: port.told_us).start()
        play_a_turn(passed, port, keys[0], data[: len(data) // 2])
        wait_for(lambda: passed.playing.note is not None)
        port.lost = True
        port.more.set()
        wait_for(lambda: "the chanter is away" in passed.sentence)
        wait_for(lambda: passed.playing.note is None)
        passed.next(keys[1])
        wait_for(lambda: not passed._inbox)
        assert "the chanter is away (it was unplugged)" in passed.sentence
        port.feed(data[len(data) // 2 :])
        wait_for(lambda: not passed.sentence)
        wait_for(lambda: passed.playing.late)
        passed.stop()
        assert sorted(session.pupil for session in studio.index.sessions()) == sorted(keys)


def test_a_port_that_was_refused_is_asked_for_again_by_itself(tmp_path):
    port = Fed()
    opened, open_port = refused_once(port)
    with Studio(tmp_path / "studio") as studio:
        key = studio.add("Ailsa").key
        passed = Round(studio.folder, "fed", open_port, lambda: port.told_us).start()
        passed.next(key)
        wait_for(lambda: len(opened) >= 1 and (passed.sentence or len(opened) == 2))
        wait_for(lambda: setattr(port, "told_us", port.told_us + 100_000) or len(opened) == 2)
        port.feed(playing(1, 20))
        wait_for(lambda: passed.playing.late)
        assert passed.sentence == ""
        passed.stop()


def test_a_chanter_that_says_nothing_is_told_until_it_does(tmp_path):
    port = Fed()
    data = playing(1, 40)
    with Studio(tmp_path / "studio") as studio:
        key = studio.add("Ailsa").key
        passed = Round(studio.folder, "fed", lambda: port, lambda: port.told_us).start()
        play_a_turn(passed, port, key, data[: len(data) // 2])
        assert passed.sentence == ""
        port.told_us += 3_000_000
        wait_for(lambda: "nothing comes from the chanter" in passed.sentence)
        assert passed.now == key
        port.feed(data[len(data) // 2 :])
        wait_for(lambda: not passed.sentence)
        passed.stop()
        (session,) = studio.index.sessions(key)
        assert read_session(studio.session_path(session.digest)).data in data
