"""When a rest is due: by times worked out by hand."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from fingerlead.practice.sums import PAUSE_US, PLAY_US, REST_US, Resting

S = 1_000_000


def moved(resting: Resting, times_us: list[int]) -> list[int]:
    return [at_us for at_us in times_us if resting.moved(at_us)]


def test_twenty_minutes_of_playing_ask_for_a_rest_once_and_again_after_as_long():
    asked = moved(Resting(), [second * S for second in range(0, 45 * 60)])
    assert asked == [20 * 60 * S, 40 * 60 * S]


def test_five_minutes_without_a_finger_are_a_rest():
    resting = Resting()
    assert moved(resting, [second * S for second in range(19 * 60)]) == []
    begun = (19 + 5) * 60 * S
    assert moved(resting, [begun + second * S for second in range(19 * 60)]) == []


def test_a_shorter_pause_is_no_rest_and_no_playing_either():
    resting = Resting()
    assert moved(resting, [second * S for second in range(0, 19 * 60 + 1)]) == []
    pause = (19 + 4) * 60 * S
    assert moved(resting, [pause + second * S for second in range(120)]) == [pause + 60 * S]


@given(st.lists(st.integers(0, 2 * REST_US), max_size=60))
def test_never_asked_for_before_so_much_was_played(steps):
    resting, now_us, played_us = Resting(), 0, 0
    for step_us in steps:
        now_us += step_us
        if step_us <= PAUSE_US:
            played_us += step_us
        assert resting.moved(now_us) is False or played_us >= PLAY_US
    assert resting.played_us <= played_us
