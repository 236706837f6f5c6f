"""The thread of practice: asked from others without waiting, ended with everything kept."""

from __future__ import annotations

import threading

import pytest

from fingerlead.practice import events as told
from fingerlead.practice import inbox as wishes
from fingerlead.practice.actor import MOST_REQUESTS, PracticeActor
from fingerlead.store.session_reading import read_session
from tests.practice.sitting_tools import TABLE, SittingByHand, files
from tests.waiting import PATIENCE_S


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
    sitting = SittingByHand(tmp_path)
    waiting = Waiting()
    sitting.practising._tell = waiting
    thread = PracticeActor(sitting.practising)
    thread.start()
    assert thread.ask(wishes.Listen("page"))
    waiting.wait_for(lambda what: isinstance(what, told.ChanterNow) and what.place == "waiting")
    for note in (0, 2):
        mask = TABLE.standard[note]
        thread.cover(mask)
        waiting.wait_for(lambda what, mask=mask: isinstance(what, told.HolesNow) and what.covered_mask == mask)
    thread.stop()
    assert thread.failed is None
    assert not thread.running
    (session,) = files(tmp_path)
    assert read_session(session).carrier == "plain"
    assert sitting.heard.calls[-1] == "close"


def test_holes_of_a_page_are_passed_over_while_nobody_asked_for_them():
    sitting = SittingByHand()
    thread = PracticeActor(sitting.practising)
    thread.cover(0xFF)
    sitting.practising.grant(wishes.Listen("quiet"))
    thread.cover(0xFF)
    sitting.practising.close()
    assert sitting.of(told.HolesNow) == []


def test_too_many_wishes_are_turned_away_and_nobody_waits():
    thread = PracticeActor(SittingByHand().practising)
    assert all(thread.ask(wishes.BeginAgain()) for _ in range(MOST_REQUESTS))
    assert not thread.ask(wishes.BeginAgain())


def test_a_fault_of_the_program_is_handed_over_and_what_was_played_is_kept(tmp_path):
    sitting = SittingByHand(tmp_path)
    waiting = Waiting()
    sitting.practising._tell = waiting
    thread = PracticeActor(sitting.practising)
    thread.start()
    thread.ask(wishes.Listen("page"))
    waiting.wait_for(lambda what: isinstance(what, told.ChanterNow) and what.place == "waiting")
    thread.cover(0xFF)
    waiting.wait_for(lambda what: isinstance(what, told.HolesNow))
    sitting.practising._practice.restart = lambda: 1 / 0  # type: ignore[method-assign]
    thread.ask(wishes.BeginAgain())
    assert thread.stop(PATIENCE_S)
    assert isinstance(thread.failed, ZeroDivisionError)
    assert len(list(files(tmp_path))) == 1


def test_it_can_be_stopped_before_anybody_plays():
    sitting = SittingByHand()
    thread = PracticeActor(sitting.practising)
    thread.start()
    thread.stop()
    assert thread.failed is None


@pytest.mark.parametrize("to", ["sim", "page", "quiet"])
def test_switching_to_and_fro_leaves_no_reader_behind(to):
    before = threading.active_count()
    sitting = SittingByHand()
    for _ in range(5):
        sitting.practising.grant(wishes.Listen(to))
    sitting.practising.close()
    assert threading.active_count() == before
