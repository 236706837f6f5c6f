"""A session on a disk that is full or fails: held, tried again, written whole when there is room, counted if lost."""

from __future__ import annotations

import contextlib
import stat
import tracemalloc
from itertools import pairwise

import pytest

from fingerlead.simulated.chanter import Chanter, setup_for
from fingerlead.simulated.play import perform
from fingerlead.simulated.pupil import SimulatedPupil
from fingerlead.simulated.script import write_script
from fingerlead.store.held_rows import MOST_HELD, ROW_COSTS
from fingerlead.store.session_file import (
    RETRY_US,
    SAVE_AFTER_US,
    SessionError,
    SessionWriter,
    seconds_text,
)
from fingerlead.store.session_reading import read_session
from fingerlead.studio.index import write_anew
from tests.full_disk import full_disk

EVERY_US = 50_000
SECOND_US = 1_000_000


class Player:
    """Plays 100 bytes every 50 ms into a session, each read another number."""

    def __init__(self, writer: SessionWriter) -> None:
        self.writer, self.now_us, self.played = writer, 0, b""

    def play(self, seconds: float) -> None:
        for _ in range(round(seconds * SECOND_US / EVERY_US)):
            self.now_us += EVERY_US
            data = (self.now_us // EVERY_US).to_bytes(4, "big") * 25
            self.played += data
            self.writer.append(data, self.now_us)
            self.writer.tick(self.now_us)


def closed(writer: SessionWriter) -> str:
    """What closing it says is lost."""
    try:
        writer.close()
    except SessionError as error:
        return str(error)
    return ""


@pytest.fixture
def player(tmp_path):
    player = Player(SessionWriter(tmp_path / "a.session", "stream", "x"))
    yield player
    with contextlib.suppress(SessionError):
        player.writer.close()


def test_what_comes_while_the_disk_is_full_is_written_when_there_is_room_again(player):
    writer = player.writer
    player.play(3)
    assert (writer.trouble, writer.unkept) == ("", False)
    with full_disk():
        player.play(20)
        assert writer.trouble.startswith("the disk ")
        assert 19 * SECOND_US < writer.held_us <= 20 * SECOND_US
        assert (writer.losing, writer.lost_us) == (False, 0)
    player.play(3)
    assert (writer.trouble, writer.unkept, writer.held_us) == ("", False, 0)
    assert closed(writer) == ""
    session = read_session(writer.path)
    assert session.data == player.played
    assert session.arrivals[:, 1].tolist() == list(range(EVERY_US, player.now_us + 1, EVERY_US))
    assert session.marks == []


def test_full_from_the_start_a_patient_session_begins_when_there_is_room(tmp_path):
    (tmp_path / "deep").mkdir()
    with full_disk():
        writer = SessionWriter(tmp_path / "deep" / "sessions" / "a.session", "stream", "x", patient=True)
        player = Player(writer)
        writer.tell(carrier="sysex")
        player.play(5)
        writer.mark("lost", player.now_us, "unplugged")
        assert (writer.begun, writer.trouble) == (False, "the disk is full")
        assert [path for path in tmp_path.rglob("*") if path.is_file()] == []
    player.play(3)
    assert (writer.begun, writer.unkept) == (True, False)
    assert closed(writer) == ""
    session = read_session(writer.path)
    assert (session.data, session.carrier, session.marks[0].cause) == (player.played, "sysex", "unplugged")


def test_full_from_the_start_a_session_that_was_named_is_refused_and_leaves_nothing(tmp_path):
    with full_disk(), pytest.raises(SessionError, match="the disk is full; make room there"):
        SessionWriter(tmp_path / "a.session", "stream", "x")
    assert list(tmp_path.iterdir()) == []


def test_full_to_the_end_it_says_how_many_seconds_are_lost_and_keeps_the_rest(player):
    player.play(10)
    with full_disk():
        player.play(7)
        told = closed(player.writer)
    assert told.startswith("7 seconds of playing could not be kept (the disk ")
    assert 6.8 * SECOND_US <= player.writer.lost_us <= 7.2 * SECOND_US
    kept = read_session(player.writer.path).data
    assert player.played.startswith(kept)
    # What the last saving before left in the hand is lost too.
    assert 0 <= 10 * 20 * 100 - len(kept) <= 5 * 100


def test_full_from_the_start_to_the_end_all_is_lost_and_no_file_stays(tmp_path):
    with full_disk():
        writer = SessionWriter(tmp_path / "sessions" / "a.session", "stream", "x", patient=True)
        Player(writer).play(34)
        assert closed(writer).startswith("34 seconds of playing could not be kept")
    assert not writer.path.exists()


def test_where_no_more_can_be_held_what_comes_is_lost_and_counted_and_marked(tmp_path):
    a_row = 5 * 100 + 5 * 8 + ROW_COSTS  # a quarter of a second
    writer = SessionWriter(tmp_path / "a.session", "stream", "x", most_held=50 * a_row)
    player = Player(writer)
    player.play(2)
    with full_disk():
        player.play(30)
        assert writer.losing
        assert writer.lost_us == pytest.approx(17.5 * SECOND_US, abs=0.3 * SECOND_US)
    losing_to_us = player.now_us
    player.play(4)
    assert not writer.losing
    lost_us = writer.lost_us
    assert 17 * SECOND_US < lost_us <= 18 * SECOND_US + RETRY_US
    assert closed(writer).startswith(seconds_text(lost_us))
    session = read_session(writer.path)
    lost, back = session.marks
    assert (lost.kind, back.kind, back.host_us - lost.host_us) == ("lost", "back", lost_us)
    assert back.host_us <= losing_to_us + RETRY_US + SECOND_US
    # What was kept is whole up to the gap, and whole from there on.
    gap = (lost.host_us // EVERY_US - 1) * 100
    assert session.data == player.played[:gap] + player.played[-(len(session.data) - gap) :]


def test_two_times_full_are_two_gaps_and_the_second_may_last_to_the_end(tmp_path):
    writer = SessionWriter(tmp_path / "a.session", "stream", "x", most_held=8_000)
    player = Player(writer)
    player.play(2)
    with full_disk():
        player.play(10)
    player.play(4)
    first_us = writer.lost_us
    with full_disk():
        player.play(10)
        closed(writer)
    assert writer.lost_us - first_us == pytest.approx(10 * SECOND_US, abs=0.3 * SECOND_US)
    assert read_session(writer.path).data[:100] == player.played[:100]


@pytest.mark.parametrize("error", ["SQLITE_FULL", "SQLITE_IOERR"])
def test_both_errors_of_a_disk_are_outlived(player, error):
    player.play(1)
    if error == "SQLITE_FULL":
        (pages,) = player.writer._db.execute("PRAGMA page_count").fetchone()
        player.writer._db.execute(f"PRAGMA max_page_count = {pages}")
        player.play(30)
        assert player.writer.trouble == "the disk is full"
        player.writer._db.execute("PRAGMA max_page_count = 1000000")
    else:
        with full_disk():
            player.play(30)
            assert player.writer.trouble == "the disk fails (disk I/O error)"
    player.play(4)
    assert closed(player.writer) == ""
    assert read_session(player.writer.path).data == player.played


def test_a_disk_that_fails_is_tried_at_a_calm_pace(player, monkeypatch):
    player.play(1)
    tried = []
    whole = SessionWriter._write_portion

    def counted(writer):
        tried.append(player.now_us)
        whole(writer)

    monkeypatch.setattr(SessionWriter, "_write_portion", counted)
    with full_disk():
        player.play(60)
    assert all(after - before >= RETRY_US for before, after in pairwise(tried))
    assert 25 <= len(tried) <= 31


def test_a_lot_that_is_held_is_written_in_portions_and_no_tick_waits_for_all_of_it(tmp_path, monkeypatch):
    monkeypatch.setattr("fingerlead.store.session_file.PORTION", 20_000)
    writer = SessionWriter(tmp_path / "a.session", "stream", "x")
    player = Player(writer)
    with full_disk():
        player.play(60)
    sizes = []
    while writer.unkept:
        before = writer.saved_bytes
        writer.tick(player.now_us + RETRY_US)
        sizes.append(writer.saved_bytes - before)
    assert max(sizes) <= 20_000
    assert len(sizes) > 10
    assert closed(writer) == ""
    assert read_session(writer.path).data == player.played


def test_the_bound_holds_in_memory_and_is_hours_of_dense_playing(tmp_path):
    pupil = SimulatedPupil()
    performance = perform(pupil, write_script(pupil, 3, for_us=60 * SECOND_US), 3)
    chanter = Chanter(performance, setup_for(3))
    minute = [chanter.due(at_us) for at_us in range(5_000, 60 * SECOND_US, 5_000)]
    with full_disk():
        tracemalloc.start()
        writer = SessionWriter(tmp_path / "sessions" / "a.session", "stream", "x", patient=True)
        before, _ = tracemalloc.get_traced_memory()
        for number, data in enumerate(minute):
            writer.append(data, number * 5_000)
        taken = tracemalloc.get_traced_memory()[0] - before
        tracemalloc.stop()
        held = writer._held.size
        closed(writer)
    # What is counted is at least what is taken, and a minute is so little that three hours have room.
    assert held >= taken
    assert MOST_HELD / held > 3 * 60


def test_whatever_fails_when_a_session_is_written_anew_is_raised(player, tmp_path):
    player.play(60)
    closed(player.writer)
    session = read_session(player.writer.path)
    with full_disk(60_000), pytest.raises(SessionError):
        write_anew(tmp_path / "b.session", session)
    write_anew(tmp_path / "c.session", session)
    assert read_session(tmp_path / "c.session").data == player.played


def test_a_session_and_what_sqlite_puts_beside_it_are_the_owners_alone(player):
    player.play(SAVE_AFTER_US * 3 / SECOND_US)
    there = {path.name: stat.S_IMODE(path.stat().st_mode) for path in player.writer.path.parent.iterdir()}
    assert there == {"a.session": 0o600, "a.session-wal": 0o600, "a.session-shm": 0o600}
