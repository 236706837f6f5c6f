"""Checked against scipy (Fisher's exact test, Mann-Whitney U) and statsmodels (Newcombe's interval, Holm's way)."""

from __future__ import annotations

import gc
import random

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from fingerlead.timing.progress import Side, compare, fisher, holm, mann_whitney, newcombe

sides = st.integers(1, 200).flatmap(lambda n: st.builds(Side, st.just(n), st.integers(0, n), st.just(3)))


@settings(max_examples=150, deadline=None)
@given(sides, sides)
def test_fisher_is_scipys(before, after):
    stats = pytest.importorskip("scipy.stats", reason="needs scipy")
    table = [[before.astray, before.plain - before.astray], [after.astray, after.plain - after.astray]]
    assert fisher(before, after) == pytest.approx(stats.fisher_exact(table).pvalue, rel=1e-6, abs=1e-12)


@settings(max_examples=150, deadline=None)
@given(sides, sides)
def test_the_interval_is_newcombes(before, after):
    proportion = pytest.importorskip("statsmodels.stats.proportion", reason="needs statsmodels")
    low, high = proportion.confint_proportions_2indep(
        after.astray, after.plain, before.astray, before.plain, method="newcomb", compare="diff"
    )
    assert newcombe(before, after) == pytest.approx((low, high), abs=1e-9)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=72))
def test_the_correction_is_holms(chances):
    multitest = pytest.importorskip("statsmodels.stats.multitest", reason="needs statsmodels")
    # It sweeps all memory at each call; among all other tests that took half a minute.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(gc, "collect", lambda: None)
        theirs = multitest.multipletests(chances, method="holm")[1]
    assert holm(chances) == pytest.approx(list(theirs), abs=1e-12)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(10, 60), min_size=1, max_size=40), st.lists(st.integers(10, 60), min_size=1, max_size=40))
def test_lengths_are_compared_as_scipy_does(before, after):
    stats = pytest.importorskip("scipy.stats", reason="needs scipy")
    assume(len({*before, *after}) > 1)
    there = stats.mannwhitneyu(before, after, alternative="two-sided", method="asymptotic").pvalue
    assert mann_whitney(before, after) == pytest.approx(there, rel=1e-6, abs=1e-12)


def test_lengths_all_alike_or_none_tell_nothing():
    assert mann_whitney([20, 20], [20]) == 1
    assert mann_whitney([], [20]) == 1


def test_nothing_changed_is_called_clear_in_at_most_one_studio_of_twenty():
    chance = random.Random(1)
    wrong = 0
    for _ in range(200):

        def played(share: float) -> Side:
            return Side(30, sum(chance.random() < share for _ in range(30)), 3)

        shares = [chance.choice((0.05, 0.3, 0.6)) for _ in range(20)]
        wrong += any(d.trend in ("better", "worse") for d in compare([(played(s), played(s)) for s in shares]))
    assert wrong <= 200 * 0.05


def test_a_great_change_is_told_in_its_direction():
    better, worse, same = compare(
        [
            (Side(40, 30, 3), Side(40, 5, 3)),
            (Side(40, 5, 3), Side(40, 30, 3)),
            (Side(40, 10, 3), Side(40, 10, 3)),
        ]
    )
    assert (better.trend, worse.trend, same.trend) == ("better", "worse", "no clear change")
    assert better.interval[1] < 0 < worse.interval[0]
    assert same.interval[0] < 0 < same.interval[1]


def test_one_session_or_a_few_changes_are_too_little():
    (once,) = compare([(Side(40, 40, 1), Side(40, 0, 3))])
    (few,) = compare([(Side(4, 4, 3), Side(40, 0, 3))])
    assert once.trend == few.trend == "too little"
