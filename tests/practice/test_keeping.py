"""Practice that cannot keep: it goes on, says so all the while, keeps all when there is room, counts what is lost."""

from __future__ import annotations

import contextlib
from datetime import date

import pytest

from fingerlead.practice import events, inbox
from fingerlead.practice.events import Judged, KeepingNow
from fingerlead.store.practice_log import open_progress
from fingerlead.store.session_file import SessionWriter
from fingerlead.store.session_reading import read_session
from tests.full_disk import full_disk
from tests.practice.session_tools import SessionByHand, files, played

DATA, _ = played()
# Bytes come one piece a millisecond here, so that the whole lasts about half a second.
THIRD = len(DATA) // 3
SECOND_US = 1_000_000


@pytest.fixture
def by_hand(tmp_path):
    by_hand = SessionByHand(tmp_path / "sessions", progress=open_progress(tmp_path))
    yield by_hand
    by_hand.actor.close()


def whys(by_hand) -> list[bool]:
    """Whether it was told, one after the other, that something cannot be saved."""
    return [bool(now.why) for now in by_hand.of(KeepingNow)]


def test_all_well_nothing_is_told_of_it(by_hand):
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.play(DATA)
    by_hand.actor.carry_out(inbox.Finish())
    assert by_hand.of(KeepingNow) == []
    (over,) = by_hand.of(events.Over)
    assert (over.lost_us, over.held_us, over.log_us) == (0, 0, 0)


@pytest.mark.parametrize("full_from", ["start", "middle"])
def test_what_was_played_on_a_full_disk_is_kept_byte_for_byte_when_there_is_room(by_hand, tmp_path, full_from):
    with contextlib.ExitStack() as stack:
        if full_from == "start":
            stack.enter_context(full_disk())
        by_hand.actor.carry_out(inbox.Listen("quiet"))
        by_hand.play(DATA[:THIRD])
        by_hand.wait(1)
        stack.enter_context(full_disk())
        by_hand.play(DATA[THIRD : 2 * THIRD])
        by_hand.wait(10)
        # It is told once, and stands.
        assert whys(by_hand) == [True]
        (told,) = by_hand.of(KeepingNow)
        assert (told.losing, told.where) == (False, str(tmp_path / "sessions"))
    by_hand.wait(3)
    assert whys(by_hand) == [True, False]
    assert by_hand.of(KeepingNow)[-1].lost_us == 0
    by_hand.play(DATA[2 * THIRD :])
    by_hand.actor.carry_out(inbox.Finish())
    (over,) = by_hand.of(events.Over)
    assert (over.lost_us, over.held_us, over.log_us) == (0, 0, 0)
    assert read_session(over.session).data == DATA
    assert len(by_hand.of(Judged)) == 12
    assert by_hand.of(events.Notice) == []


def test_full_to_the_end_it_is_said_in_seconds_and_still_kept_if_room_comes_while_the_program_runs(by_hand):
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.play(DATA[:THIRD])
    by_hand.wait(1)
    with full_disk():
        by_hand.play(DATA[THIRD:])
        by_hand.wait(20)
        by_hand.actor.carry_out(inbox.Finish())
        (over,) = by_hand.of(events.Over)
        assert over.lost_us == 0
        assert 20 * SECOND_US <= over.held_us <= 21 * SECOND_US
        assert over.log_us >= 20 * SECOND_US
        by_hand.wait(5)
        assert whys(by_hand) == [True]
    by_hand.wait(3)
    assert whys(by_hand) == [True, False]
    assert read_session(over.session).data == DATA
    assert not over.session.with_name(over.session.name + "-wal").exists()
    assert open_progress(by_hand.progress.path.parent) == by_hand.progress


def test_full_until_the_program_ends_the_loss_is_known_in_seconds(by_hand, tmp_path):
    with full_disk():
        by_hand.actor.carry_out(inbox.Listen("quiet"))
        by_hand.play(DATA)
        by_hand.wait(34)
        by_hand.actor.close()
        keeping = by_hand.actor.keeping
        assert 34 * SECOND_US <= keeping.lost_us <= 35 * SECOND_US
        assert keeping.log_lost_us >= 34 * SECOND_US
        assert keeping.sessions == []
    (over,) = by_hand.of(events.Over)
    assert over.session is None
    assert [path.stat().st_size for path in files(tmp_path)] == [0]  # the practice log, without a line


def test_where_no_more_can_be_held_that_is_told_and_what_is_lost_is_counted(by_hand, monkeypatch):
    begun = SessionWriter.__init__

    def small(self, *given, **named):
        begun(self, *given, **{**named, "most_held": 2_000})

    monkeypatch.setattr(SessionWriter, "__init__", small)
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.play(DATA[:THIRD])
    by_hand.wait(1)
    with full_disk():
        for _ in range(10):
            by_hand.play(DATA[THIRD : 2 * THIRD])
            by_hand.wait(1)
        assert [(bool(now.why), now.losing) for now in by_hand.of(KeepingNow)] == [(True, False), (True, True)]
    by_hand.wait(3)
    by_hand.play(DATA[2 * THIRD :])
    by_hand.wait(1)
    last = by_hand.of(KeepingNow)[-1]
    assert (last.why, last.losing) == ("", False)
    by_hand.actor.carry_out(inbox.Finish())
    (over,) = by_hand.of(events.Over)
    assert 5 * SECOND_US < over.lost_us <= 14 * SECOND_US
    assert read_session(over.session).data.startswith(DATA[:THIRD])


def test_where_the_file_is_gone_all_that_was_played_is_told_as_lost(by_hand):
    begun_us = by_hand.now_us
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.play(DATA)
    by_hand.wait(5)
    writer = by_hand.actor._source.listening.writer
    assert (writer.begun, writer.lost_us) == (True, 0)
    for file in writer.path.parent.glob(f"{writer.path.name}*"):
        file.unlink()
    by_hand.play(DATA)
    by_hand.wait(3)
    told = by_hand.of(KeepingNow)[-1]
    assert told.why == "it cannot be written: its file was removed or moved"
    by_hand.actor.carry_out(inbox.Finish())
    over = by_hand.actor.last
    assert over.held_us == 0
    assert over.lost_us == pytest.approx(by_hand.now_us - begun_us, abs=SECOND_US)
    assert over.session is None


def test_the_practice_log_alone_is_told_and_tried_again_at_a_calm_pace(tmp_path):
    taken = tmp_path / "taken"
    taken.write_text("no folder")
    by_hand = SessionByHand(None, progress=open_progress(taken))
    tries = []
    whole = by_hand.progress.keep

    def counted():
        tries.append(by_hand.now_us)
        whole()

    by_hand.progress.keep = counted
    by_hand.progress.rung_passed(date(2026, 3, 14), "low-g-b")
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.play(DATA)
    by_hand.wait(61)
    (told,) = by_hand.of(KeepingNow)
    assert told.why.startswith("it cannot be written: ")
    by_hand.wait(20)
    assert 8 <= len([at_us for at_us in tries if at_us > by_hand.now_us - 20 * SECOND_US]) <= 11
    taken.unlink()
    by_hand.wait(3)
    assert whys(by_hand) == [True, False]
    assert open_progress(taken) == by_hand.progress
    by_hand.actor.carry_out(inbox.Finish())
    assert open_progress(taken) == by_hand.progress
    by_hand.actor.close()


def test_sessions_that_wait_for_room_are_few(by_hand):
    with full_disk():
        for _ in range(6):
            by_hand.actor.carry_out(inbox.Listen("quiet"))
            by_hand.play(DATA)
            by_hand.wait(1)
        by_hand.actor.carry_out(inbox.Finish())
        assert by_hand.actor.keeping.lost_us >= 3 * SECOND_US
    by_hand.wait(3)
    assert len(by_hand.actor.keeping.sessions) == 3
    assert {read_session(path).data for path in by_hand.actor.keeping.sessions} == {DATA}
