"""A beginner who sees what a person sees, at the program as it is started; `tests.first_week --page` plays a week."""

from __future__ import annotations

import pytest

pytest.importorskip("httpx", reason="needs the Python package httpx")

from tests.first_week.beginner import Beginner
from tests.first_week.page_week import PageLearning

SPEED = 5  # of the chanter's clock


def test_what_the_page_counts_of_a_beginner_is_what_the_file_says(browser, tmp_path):
    learning = PageLearning(Beginner(1), tmp_path, SPEED, rung="low-g-low-a")
    came = learning.evening(browser, 25_000_000)
    assert came.said
    assert came.differs == {}
    assert came.not_whole == set()
    # Where the rung is passed, the page leads on from it; the last pass may come as the evening ends.
    assert next(iter(came.minutes)) == "Low G and low A"
    assert len(came.passed) <= len(came.minutes) <= 1 + len(came.passed)
