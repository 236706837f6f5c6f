"""An actor: asked without waiting, ended in order, and its failure handed over."""

from __future__ import annotations

import threading
import time

import pytest

from fingerlead.actor import Actor
from tests.waiting import PATIENCE_S, wait_for


class Adder(Actor[int]):
    """Adds up what is asked until it is to stop; fails at a negative number."""

    def __init__(self, inbox: int = 4) -> None:
        super().__init__("adder", self._add, inbox)
        self.total = 0
        self.thread = threading.current_thread()

    def _add(self) -> None:
        self.thread = threading.current_thread()
        while not self.stopping:
            number = self.receive()
            if number is not None and number < 0:
                raise ValueError(f"{number} is negative")
            self.total += number or 0


def test_requests_are_received_in_order_in_a_daemon_thread_with_its_name():
    received = []
    actor: Actor[int] = Actor("keeper", lambda: received.extend(iter(lambda: actor.receive(PATIENCE_S), 0)), 100)
    actor.start()
    for number in (3, 1, 2, 0):
        assert actor.ask(number)
    assert actor.stop(PATIENCE_S)
    assert received == [3, 1, 2]
    adder = Adder().start()
    wait_for(lambda: adder.thread is not threading.current_thread())
    assert (adder.thread.name, adder.thread.daemon) == ("adder", True)
    assert adder.stop()


def test_a_full_inbox_turns_requests_away_and_takes_them_again_when_there_is_room():
    actor = Adder(inbox=2)
    assert [actor.ask(1), actor.ask(2), actor.ask(4)] == [True, True, False]
    actor.start()
    wait_for(lambda: actor.total == 3)
    assert actor.ask(8)
    wait_for(lambda: actor.total == 11)
    assert actor.stop()


def test_all_that_was_asked_can_be_received_at_once():
    actor = Adder()
    assert actor.receive_all(0) == []
    for number in (3, 1, 2):
        actor.ask(number)
    assert (actor.receive_all(), actor.receive_all(0)) == ([3, 1, 2], [])


def test_an_actor_without_an_inbox_can_be_asked_for_nothing():
    assert not Actor("deaf", lambda: None).ask(1)


def test_a_request_does_not_wait_for_long_work():
    go_on = threading.Event()
    actor: Actor[int] = Actor("slow", lambda: go_on.wait(PATIENCE_S) and None, 1)
    with actor:
        assert actor.ask(1)
        assert not actor.ask(2)
        go_on.set()


def test_a_failure_is_kept_and_raised_in_the_owner():
    actor = Adder().start()
    assert actor.check()
    actor.ask(-1)
    wait_for(lambda: not actor.running)
    assert isinstance(actor.failed, ValueError)
    with pytest.raises(ValueError, match="-1 is negative"):
        actor.check()
    assert actor.stop()


@pytest.mark.parametrize("error", [SystemExit("a library gave up"), KeyboardInterrupt()])
def test_what_would_end_a_thread_without_a_word_is_a_failure_too(error):
    def work() -> None:
        raise error

    actor: Actor[int] = Actor("ended", work).start()
    wait_for(lambda: not actor.running)
    assert actor.failed is error


def test_stopping_cuts_waiting_short_and_may_be_done_again():
    cut: list[object] = []
    waiting: Actor[int] = Actor("waiting", lambda: cut.append(waiting.wait(PATIENCE_S)))
    receiving: Actor[int] = Actor("receiving", lambda: cut.append(receiving.receive()), 1)
    waiting.start()
    receiving.start()
    began = time.monotonic()
    for actor in (waiting, receiving, waiting):
        assert actor.stop(PATIENCE_S)
        assert not actor.check()
    assert time.monotonic() - began < PATIENCE_S
    assert cut == [True, None]


def test_waiting_and_receiving_end_by_themselves():
    actor: Actor[int] = Actor("any", lambda: None, 1)
    assert not actor.wait(0.001)
    assert actor.receive(0.001) is None


def test_what_was_asked_before_the_stop_can_still_be_received():
    actor = Adder()
    actor.ask(1)
    assert actor.stop()
    assert (actor.stopping, actor.receive(), actor.receive()) == (True, 1, None)


def test_stopping_waits_no_longer_than_it_is_told_to():
    go_on = threading.Event()
    actor: Actor[int] = Actor("stubborn", lambda: go_on.wait(PATIENCE_S) and None).start()
    assert not actor.stop(0.01)
    assert actor.running
    go_on.set()
    assert actor.stop(PATIENCE_S)


def test_it_can_be_stopped_before_it_has_begun():
    actor = Adder()
    assert actor.stop()
    assert not actor.check()


def test_a_block_starts_and_stops_it():
    with Adder() as actor:
        assert actor.running
    assert not actor.running
