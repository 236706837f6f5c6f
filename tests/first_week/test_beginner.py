"""The beginner keeps its own law."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.first_week.beginner import NAMES, Beginner, named_first
from tests.reading.instrument import STANDARD, movers


def out_us(beginner, before=4, after=5):
    """How far apart the habit has the fingers of a change."""
    places = beginner._habit(before, after).out_us.values()
    return max(places) - min(places)


def far_out(improves=True):
    """A beginner with one finger far out from D to E."""
    return next(
        one for one in (Beginner(seed, improves) for seed in range(40)) if out_us(one) > 100_000
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(5))
def test_every_note_is_reached_by_the_fingers_that_move_one_at_a_time(seed):
    one, before = Beginner(seed), 0
    for mask, _ in one.take_up():
        assert (before ^ mask).bit_count() == 1
        before = mask
    assert before == 0xFF
    for note in (0, 3, 8, 1, 5, 5, 2):
        moves = one.play(note)
        assert one.mask == moves[-1][0] == STANDARD[note]
        assert all(us >= 1_000 for _, us in moves)
        row = [before, *(mask for mask, _ in moves)]
        assert all((a ^ b).bit_count() <= 1 for a, b in pairwise(row))
        before = one.mask


def test_advice_that_names_the_finger_helps_and_other_advice_does_not():
    advised, practised, misled = far_out(), far_out(), far_out()
    habit = advised._habit(4, 5)
    middle = sorted(habit.out_us.values())[2]
    wrong = max(habit.out_us, key=lambda finger: abs(habit.out_us[finger] - middle))
    still = next(finger for finger in range(8) if finger not in movers(STANDARD[4], STANDARD[5]))
    for _ in range(10):
        advised.read(f"Together, the {NAMES[wrong]} a hair ahead.", 4, 5)
        misled.read(f"Together, the {NAMES[still]} a hair ahead.", 4, 5)
        for one in (advised, practised, misled):
            one._change(4)
            one._change(5)
    assert out_us(advised) < 20_000 < out_us(practised) == out_us(misled)


def test_a_night_takes_a_part_of_the_gain():
    one = far_out()
    one.sleep()
    morning = out_us(one)
    for _ in range(30):
        one._change(4)
        one._change(5)
    evening = out_us(one)
    one.sleep()
    assert evening < out_us(one) < morning


def test_who_never_improves_keeps_every_habit():
    one = far_out(improves=False)
    before = out_us(one)
    for _ in range(50):
        one._change(4)
        one._change(5)
        for finger in NAMES:
            one.read(f"Together, the {finger} a hair ahead.", 4, 5)
    one.sleep()
    assert out_us(one) == before
    assert one._habit(4, 5).tries == 0


def test_a_name_inside_no_other_is_found():
    assert named_first("Together, the bottom ring a hair ahead of the top ring.", range(8)) == NAMES.index(
        "bottom ring"
    )
    assert named_first("Well done.", range(8)) is None
