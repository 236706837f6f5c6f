"""Before and since by evenings. Checked against scipy (the permutation test, Fisher's) and statsmodels (Newcombe's
interval); `python -m tests.evenings` measures how often an unchanged pupil is told something, and a changed one is not.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from fingerlead.timing.deals import MOST_DEALS, deals, distances, middle_fisher, own_chances, step_down
from fingerlead.timing.evenings import Difference, Side, by_evening, compare
from tests.evenings.__main__ import told_of_unchanged
from tests.evenings.truth import Player, played

sides = st.integers(1, 200).flatmap(lambda n: st.builds(Side, st.just(n), st.integers(0, n), st.just(3), st.just(n)))


def one(before, after):
    """One change on some evenings, each (tried, astray)."""
    return compare([{"it": pair} for pair in before], [{"it": pair} for pair in after])["it"]


@settings(max_examples=30, deadline=None)
@given(st.integers(2, 6), st.integers(2, 6), st.integers(1, 9), st.data())
def test_the_chance_of_one_change_is_scipys_of_the_mean_share(before, after, tried, data):
    stats = pytest.importorskip("scipy.stats", reason="needs scipy")
    evenings = before + after
    astray = np.array(data.draw(st.lists(st.integers(0, tried), min_size=evenings, max_size=evenings)))
    assume(0 < astray.sum() < tried * evenings)
    column = astray[:, np.newaxis]
    far = distances(np.full_like(column, tried), column)
    mine = own_chances(far, np.ones_like(column, bool), deals(evenings, after, MOST_DEALS))[0, 0]
    theirs = stats.permutation_test(
        (astray[:before], astray[before:]),
        # The difference of the mean shares, times what makes all of it whole numbers: no rounding parts what is equal.
        lambda a, b, axis: np.abs(b.sum(axis) * before - a.sum(axis) * after),
        vectorized=True,
        n_resamples=np.inf,
        alternative="greater",  # as far apart either way
    ).pvalue
    assert mine == pytest.approx(theirs)


def test_drawn_deals_come_near_the_whole():
    chance = np.random.default_rng(2)
    astray = chance.integers(0, 10, (14, 6))
    far, all_played = distances(np.full_like(astray, 9), astray), np.ones_like(astray, bool)
    whole = own_chances(far, all_played, deals(14, 7, math.comb(14, 7)))[:, 0]
    drawn = own_chances(far, all_played, deals(14, 7, 3_000))[:, 0]
    assert drawn == pytest.approx(whole, abs=0.03)
    assert (drawn == own_chances(far, all_played, deals(14, 7, 3_000))[:, 0]).all()


@pytest.mark.parametrize(("evenings", "after"), [(7, 3), (40, 9), (5, 5)])
def test_deals_begin_with_the_true_one_and_are_all_as_large(evenings, after):
    dealt = deals(evenings, after, 500)
    assert list(dealt[0]) == [0] * (evenings - after) + [1] * after
    assert (dealt.sum(axis=1) == after).all()
    assert len(dealt) == min(500, math.comb(evenings, after))
    assert len(dealt) == 500 or len({tuple(each) for each in dealt}) == len(dealt)


def test_several_at_once_are_corrected_as_westfall_and_young_do():
    chances = np.random.default_rng(5).integers(1, 30, (4, 60)) / 60
    corrected = step_down(chances)
    left, least = list(range(4)), 0.0
    for change in sorted(left, key=lambda at: chances[at, 0]):
        as_clear = sum(min(chances[other, deal] for other in left) <= chances[change, 0] for deal in range(60)) / 60
        least = max(least, as_clear)
        assert corrected[change] == pytest.approx(least)
        left.remove(change)


@settings(max_examples=100, deadline=None)
@given(sides, sides)
def test_fisher_by_the_middle_is_scipys(before, after):
    stats = pytest.importorskip("scipy.stats", reason="needs scipy")
    all_of, astray = before.plain + after.plain, before.astray + after.astray
    each = stats.hypergeom(all_of, astray, before.plain).pmf(np.arange(before.plain + 1))
    here = each[before.astray]
    theirs = each[each < here * (1 - 1e-7)].sum() + each[np.isclose(each, here, rtol=1e-7, atol=0)].sum() / 2
    mine = middle_fisher((before.astray, before.plain), (after.astray, after.plain))
    assert mine == pytest.approx(theirs, rel=1e-6, abs=1e-12)


@settings(max_examples=100, deadline=None)
@given(sides, sides)
def test_the_interval_is_newcombes_where_every_change_is_on_its_own(before, after):
    proportion = pytest.importorskip("statsmodels.stats.proportion", reason="needs statsmodels")
    theirs = proportion.confint_proportions_2indep(
        after.astray, after.plain, before.astray, before.plain, method="newcomb", compare="diff"
    )
    assert Difference(before, after, 1.0, "no clear change", 9).interval == pytest.approx(theirs, abs=1e-9)


def test_an_interval_is_wider_where_evenings_wander():
    steady = one([(10, 5)] * 8, [(10, 3)] * 8)
    wandering = one([(10, 1), (10, 9)] * 4, [(10, 0), (10, 6)] * 4)
    assert (steady.before.plain, steady.before.astray) == (wandering.before.plain, wandering.before.astray)
    widths = [high - low for low, high in (steady.interval, wandering.interval)]
    assert widths[1] > 1.4 * widths[0]


def test_intervals_hold_the_true_difference_19_times_in_20():
    chance, held, bases = np.random.default_rng(7), 0, (0.5, 0.3, 0.3, 0.15)
    for _ in range(40):
        tried, astray = played(Player(bases, wander_ms=4), 10, 10, chance)
        evenings = [
            {at: (int(t), int(a)) for at, (t, a) in enumerate(zip(*pair, strict=True))}
            for pair in zip(tried, astray, strict=True)
        ]
        held += sum(
            low <= 0 <= high for low, high in (d.interval for d in compare(evenings[:10], evenings[10:]).values())
        )
    assert held >= 0.92 * 40 * len(bases)


def test_a_great_change_is_told_in_its_direction():
    much, little = (
        [(10, 7), (8, 6), (12, 8), (10, 8), (9, 6), (11, 7)],
        [(10, 1), (9, 2), (12, 1), (8, 0), (11, 1), (9, 0)],
    )
    assert one(much, little).trend == "better"
    assert one(little, much).trend == "worse"
    same = one([*much, *little], [*little, *much])
    assert same.trend in ("no clear change", "not enough yet")
    assert same.interval[0] < 0 < same.interval[1]


def test_one_bad_evening_is_no_trend():
    """Each change on its own would make 30 of 180 against none out of 150 very clear."""
    assert not one([(30, 0)] * 5, [(30, 0)] * 5 + [(30, 30)]).is_told


def test_three_evenings_a_side_never_decide_and_are_not_enough():
    told = one([(50, 50)] * 3, [(50, 0)] * 3)
    assert told.trend == "not enough yet"
    assert told.evenings >= 4


def test_never_astray_is_clear_after_enough_evenings():
    assert one([(20, 0)] * 12, [(20, 0)] * 12).trend == "no clear change"
    assert one([(20, 0)] * 4, [(1, 0)] * 4).trend == "not enough yet"
    assert one([(20, 20)] * 12, [(20, 20)] * 12).trend == "no clear change"


def test_what_was_played_on_one_side_alone_is_there_and_decides_nothing():
    found = compare([{"a": (5, 1), "b": (0, 0)}] * 4, [{"c": (5, 5)}] * 4)
    assert found.keys() == {"a", "c"}
    assert {each.trend for each in found.values()} == {"not enough yet"}
    assert found["c"].before == Side(0, 0, 0, 0)
    assert compare([], []) == {}


def test_evenings_without_a_change_count_for_nothing_of_it():
    with_gaps = compare(
        [{"a": (9, 7), "b": (5, 2)}, {"a": (9, 8)}, {"b": (6, 3)}, *[{"a": (9, 6), "b": (4, 1)}] * 5],
        [{"a": (9, 1)}, {"b": (6, 2)}, *[{"a": (9, 0), "b": (5, 2)}] * 5],
    )
    assert with_gaps["a"].before.evenings == 7
    assert (with_gaps["a"].trend, with_gaps["b"].is_told) == ("better", False)


def test_more_evenings_are_asked_of_a_pupil_who_wanders():
    steady = one([(10, 5), (10, 4), (10, 6)] * 4, [(10, 5), (10, 5)] * 6)
    wandering = one([(10, 9), (10, 1), (10, 5)] * 4, [(10, 0), (10, 10)] * 6)
    assert wandering.evenings > steady.evenings
    assert wandering.trend == "not enough yet"


@pytest.mark.parametrize("wander", [0, 8])
def test_an_unchanged_pupil_is_told_something_in_one_of_twenty_at_most(wander):
    """With 0.05 the true rate, more than 11 of 100 come in one of two hundred runs."""
    assert told_of_unchanged(Player(wander_ms=wander), 8, 8, 100) <= 0.11


def test_lengths_of_evenings_alone_tell_nothing():
    assert told_of_unchanged(Player(times=(3, 40)), 12, 4, 100) <= 0.11


@given(
    st.lists(st.tuples(st.integers(1, 20), st.integers(1, 30), st.integers(1, 4)), min_size=4, max_size=9), st.data()
)
def test_an_evening_in_several_sessions_is_still_one(evenings, data):
    whole, parts = [], []
    for day, (astray, more, pieces) in enumerate(evenings):
        date, tried = f"2026-11-{day + 1:02d}", astray + more
        whole.append(({(0, 2): (tried, astray)}, date))
        cuts = sorted(data.draw(st.lists(st.integers(0, tried), min_size=pieces - 1, max_size=pieces - 1)))
        for start, end in zip([0, *cuts], [*cuts, tried], strict=True):
            parts.append(({(0, 2): (end - start, min(end, astray) - min(start, astray))}, date))
    assert by_evening(parts) == by_evening(whole) == [evening for evening, _ in whole]


def test_sessions_without_a_day_are_evenings_of_their_own():
    played = {(0, 2): (10, 3)}
    assert by_evening([(played, ""), (played, "2026-11-02"), (played, ""), (played, "2026-11-02")]) == [
        played,
        played,
        {(0, 2): (20, 6)},
    ]
