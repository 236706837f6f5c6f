"""The thread of practice: asked from others without waiting, ended with everything kept."""

from __future__ import annotations

import threading

import pytest

from fingerlead.practice import events, inbox
from fingerlead.practice.actor import MOST_REQUESTS
from fingerlead.store.session_reading import read_session
from tests.practice.session_tools import TABLE, SessionByHand, files
from tests.waiting import PATIENCE_S, wait_for


class Waiting:
    """Hears what is told, and waits for it."""

    def __init__(self) -> None:
        self.came = threading.Condition()
        self.told: list[object] = []

    def __call__(self, what: object) -> None:
        with self.came:
            self.told.append(what)
            self.came.notify_all()

    def wait_for(self, fits) -> None:
        with self.came:
            assert self.came.wait_for(lambda: any(fits(what) for what in self.told), PATIENCE_S)


def test_what_a_page_covers_is_told_and_kept_when_it_ends(tmp_path):
    by_hand = SessionByHand(tmp_path)
    waiting = Waiting()
    by_hand.actor._tell = waiting
    thread = by_hand.actor
    thread.start()
    assert thread.ask(inbox.Listen("page"))
    waiting.wait_for(lambda what: isinstance(what, events.ChanterNow) and what.place == "waiting")
    for note in (0, 2):
        mask = TABLE.standard[note]
        thread.cover(mask)
        waiting.wait_for(lambda what, mask=mask: isinstance(what, events.HolesNow) and what.covered_mask == mask)
    thread.stop()
    assert thread.failed is None
    assert not thread.running
    (session,) = files(tmp_path)
    assert read_session(session).carrier == "plain"
    assert by_hand.heard.calls[-1] == "close"


def test_holes_of_a_page_are_passed_over_while_another_chanter_is_listened_to():
    by_hand = SessionByHand()
    thread = by_hand.actor
    thread.cover(0xFF)
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    thread.cover(0xFF)
    by_hand.actor.close()
    assert by_hand.of(events.HolesNow) == []


def test_too_many_requests_are_turned_away_without_waiting():
    thread = SessionByHand().actor
    assert all(thread.ask(inbox.BeginAgain()) for _ in range(MOST_REQUESTS))
    assert not thread.ask(inbox.BeginAgain())


def test_a_fault_of_the_program_is_handed_over_and_what_was_played_is_kept(tmp_path):
    by_hand = SessionByHand(tmp_path)
    waiting = Waiting()
    by_hand.actor._tell = waiting
    thread = by_hand.actor
    thread.start()
    thread.ask(inbox.Listen("page"))
    waiting.wait_for(lambda what: isinstance(what, events.ChanterNow) and what.place == "waiting")
    thread.cover(0xFF)
    waiting.wait_for(lambda what: isinstance(what, events.HolesNow))
    by_hand.actor._practice.restart = lambda: 1 / 0  # type: ignore[method-assign]
    thread.ask(inbox.BeginAgain())
    wait_for(lambda: not thread.running, "its end")
    assert isinstance(thread.failed, ZeroDivisionError)
    assert len(list(files(tmp_path))) == 1


def test_it_can_be_stopped_before_playing_begins():
    by_hand = SessionByHand()
    thread = by_hand.actor
    thread.start()
    thread.stop()
    assert thread.failed is None


@pytest.mark.parametrize("to", ["sim", "page", "quiet"])
def test_switching_to_and_fro_leaves_no_reader_behind(to):
    before = threading.active_count()
    by_hand = SessionByHand()
    for _ in range(5):
        by_hand.actor.carry_out(inbox.Listen(to))
    by_hand.actor.close()
    assert threading.active_count() == before
