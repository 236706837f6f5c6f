"""A beginner, whose law of learning was fixed before the page, through the first evenings at it."""

from __future__ import annotations

import pytest

from tests.first_week.beginner import Beginner
from tests.first_week.week import EVENINGS, Learning, crosses


@pytest.mark.parametrize("seed", [1])
def test_who_does_what_the_page_says_comes_to_the_crossings_in_a_week(seed):
    learning = Learning(Beginner(seed), goes_on=False)
    week = [learning.evening() for _ in range(EVENINGS)]
    # A child holds its first low G within two minutes, and something is passed on the first evening.
    assert week[0].first_success_us < 120_000_000
    assert week[0].passed[0] == "low-g"
    assert any(crosses(key) for came in week for key in came.minutes)
    # The page never falls silent, nor repeats itself, while nothing gets better.
    assert all(came.advised >= 20 for came in week)


def test_who_never_improves_passes_no_change():
    learning = Learning(Beginner(3, improves=False), goes_on=False)
    passed = [key for _ in range(3) for key in learning.evening().passed]
    assert set(passed) <= {"low-g"}
