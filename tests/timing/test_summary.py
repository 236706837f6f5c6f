"""Statistics against scipy, the counts against a plain recount, and what is said to work on first."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from statistics import median

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.holes import FINGERS
from fingering.notes import NOTES
from fingerlead.simulated.scenario import load_scenario
from fingerlead.timing.analysis import analyse
from fingerlead.timing.published import as_dict
from fingerlead.timing.summary import (
    ChangeSummary,
    median_interval,
    spread,
    summarise,
    wilson,
)
from fingerlead.timing.worth import CHANGES, CONFIDENCE, FEWEST, NOW_AND_THEN, at_least
from tests.faces.playing import one_change, played_by, random_playing, session
from tests.simulated.known import with_worst_habit

scipy = pytest.importorskip("scipy")

TIMES = st.lists(st.integers(0, 200_000), min_size=1, max_size=80)


def first_of(summary):
    """The change that costs most of those that stand out; None where none does."""
    return next((change for change in summary.ranked() if change.stands_out), None)


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_interval_of_a_share_is_wilsons(confidence):
    # scipy: binomtest(...).proportion_ci(method="wilson")
    for count in [1, 2, 5, 11, 40, 2_000]:
        for successes in {0, 1, count // 3, count // 2, count - 1, count}:
            theirs = scipy.stats.binomtest(successes, count).proportion_ci(confidence, method="wilson")
            assert wilson(successes, count, confidence) == pytest.approx((theirs.low, theirs.high), abs=1e-12)


def test_no_trials_say_nothing():
    assert wilson(0, 0) == (0.0, 1.0)


@given(TIMES)
def test_interval_of_a_median_is_that_of_order_statistics(values):
    # scipy: quantile_test, the distribution-free interval of a quantile (Conover).
    theirs = scipy.stats.quantile_test(values, p=0.5).confidence_interval(CONFIDENCE)
    ours = median_interval(values)
    if ours is None:
        assert np.isnan(theirs.low) or np.isnan(theirs.high)
    else:
        assert ours == (theirs.low, theirs.high)


@pytest.mark.parametrize("count", [6, 9, 20, 101, 1_000, 5_000])
def test_interval_of_a_median_holds_it_as_often_as_it_says_and_no_wider_than_needed(count):
    # scipy: the binomial distribution of how many values lie below the median.
    interval = median_interval(range(count))
    assert interval is not None
    low, high = interval
    assert low + high == count - 1
    assert 1 - 2 * scipy.stats.binom.cdf(low, count, 0.5) >= CONFIDENCE
    assert 1 - 2 * scipy.stats.binom.cdf(low + 1, count, 0.5) < CONFIDENCE


def test_few_values_have_no_interval():
    assert median_interval([1, 2, 3, 4, 5]) is None
    assert median_interval([1, 2, 3, 4, 5, 6]) == (1, 6)


@given(TIMES)
def test_spread_is_median_and_quartiles(values):
    # scipy: mquantiles with alphap = betap = 1, the linear rule between ranks.
    low, middle, high = scipy.stats.mstats.mquantiles(values, (0.25, 0.5, 0.75), alphap=1, betap=1)
    found = spread(values)
    assert found.count == len(values)
    assert found.median_us == pytest.approx(middle, abs=0.5001)
    assert found.quartiles_us == pytest.approx((low, high), abs=0.5001)


def test_chance_of_so_many_is_the_binomial_tail():
    # scipy: the binomial distribution's survival function.
    for count in [1, 4, 30, 400]:
        for successes in {0, 1, count // 4, count}:
            assert at_least(successes, count, 0.05) == pytest.approx(scipy.stats.binom.sf(successes - 1, count, 0.05))


def test_one_who_strays_now_and_then_has_a_change_that_stands_out_in_one_session_of_twenty_at_most():
    clean, astray = one_change(0, {6: 0, 7: 20_000}), one_change(0, {7: 0, 6: 20_000})
    assert (clean.verdict, astray.verdict) == ("clean", "stray")
    for count in range(1, 60):
        enough = [k for k in range(count + 1) if _of([astray] * k + [clean] * (count - k)).stands_out]
        assert enough == list(range(min(enough, default=count + 1), count + 1))
        false_alarm = scipy.stats.binom.sf(min(enough, default=count + 1) - 1, count, NOW_AND_THEN)
        assert false_alarm * CHANGES <= 1 - CONFIDENCE
        assert bool(enough) == (count >= FEWEST)


def _of(plain):
    summary = ChangeSummary(0, 2)
    for change in plain:
        summary.take_in(change)
    return summary


@pytest.fixture(scope="module")
def clean_player():
    return load_scenario("clean").pupil


@pytest.mark.slow
def test_the_planted_worst_fault_comes_first_in_19_of_20_seeds(clean_player):
    mixed = load_scenario("mixed").pupil
    for player in (clean_player, mixed):
        right = 0
        for seed in range(20):
            pupil, habit = with_worst_habit(player, seed)
            first = first_of(summarise([played_by(pupil, seed, 300)]))
            right += first is not None and (first.from_note, first.to_note) == (habit.from_note, habit.to_note)
        assert right >= 19


@pytest.mark.slow
def test_for_a_clean_player_nothing_stands_out(clean_player):
    assert [first_of(summarise([played_by(clean_player, seed, 300)])) for seed in range(20)] == [None] * 20


def recounted(analyses):
    """The same numbers from the published JSON, by plain loops."""
    found = defaultdict(lambda: {"plain": [], "beside": Counter()})
    for analysis in analyses:
        for change in json.loads(json.dumps(as_dict(analysis, "wire", "x")))["changes"]:
            of = found[NOTES.index(change["from"]), NOTES.index(change["to"])]
            if change["verdict"] in ("clean", "apart", "stray"):
                of["plain"].append(change)
            else:
                of["beside"][change["verdict"]] += 1
    return found


@pytest.fixture(scope="module")
def sessions():
    def lose(frames):
        return [frame for number, frame in enumerate(frames) if number % 97 != 5]

    return [session("mixed", 5, 500, damage=lose), session("heavy-crossing", 2, 300)]


def test_everything_is_as_a_plain_recount_has_it(sessions):
    summary = summarise(sessions)
    wanted = recounted(sessions)
    assert set(summary.by_change) == set(wanted)
    for verdict in ("embellished", "extra", "perhaps", "uncertain"):
        assert any(of.beside[verdict] for of in summary.by_change.values()), verdict
    total_us = 0
    for key, of in summary.by_change.items():
        plain = wanted[key]["plain"]
        heard = [sum(s["duration_us"] for s in c["strays"] if s["heard"]) for c in plain]
        assert of.count == len(plain)
        assert of.beside == wanted[key]["beside"]
        assert of.heard_us == sum(heard)
        assert len(of.astray) == sum(c["verdict"] == "stray" for c in plain) == sum(us > 0 for us in heard)
        assert of.apart == sum(c["verdict"] == "apart" for c in plain)
        assert of.led() == Counter(c["lead"] and FINGERS.index(c["lead"]) for c in plain)
        if of.astray:
            assert of.typical_stray_us == round(median(us for us in heard if us))
        after = defaultdict(list)
        for c in plain:
            for finger in c["fingers"]:
                after[FINGERS.index(finger["finger"])].append(finger["after_start_us"])
        assert of.lags() == {finger: spread(values) for finger, values in after.items()}
        lengths = defaultdict(list)
        for c in plain:
            for stray in c["strays"]:
                if stray["heard"]:
                    lengths[NOTES.index(stray["note"])].append(stray["duration_us"])
        assert of.strays() == {note: spread(values) for note, values in lengths.items()}
        total_us += of.heard_us
    playing_us = sum(analysis.held[-1].end_us - analysis.held[0].start_us for analysis in sessions)
    assert summary.heard_a_minute_us == pytest.approx(total_us * 60e6 / playing_us)


def test_ranking_is_by_heard_stray_time_and_the_first_that_stands_out_is_worked_on(sessions):
    summary = summarise(sessions)
    ranked = summary.ranked()
    times = [summary.per_minute_us(of) for of in ranked]
    assert times == sorted(times, reverse=True)
    assert times[-1] > 0
    first = first_of(summary)
    assert first is not None
    assert all(not of.stands_out for of in ranked[: ranked.index(first)])


def test_each_plain_change_is_traced_to_its_session_even_where_another_is_the_same(sessions):
    first = sessions[0]
    both = [*sessions, analyse(first.record, first.table, first.timing)]
    summary = summarise(both)
    assert len({summary.session_of(change) for of in summary.by_change.values() for change in of.plain}) == len(both)
    for of in summary.by_change.values():
        for change in of.plain:
            assert both[summary.session_of(change)].changes[change.number] is change


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 1_000))
def test_worst_and_typical_are_faults_of_the_change(seed):
    for of in summarise([random_playing(200, seed)]).by_change.values():
        heard = [sum(s.duration_us for s in change.strays if s.heard) for change in of.plain]
        worst, typical = of.worst(), of.typical()
        if all(change.verdict == "clean" for change in of.plain):
            assert worst is typical is None
        elif any(heard):
            assert heard[of.plain.index(worst)] == max(heard)
            told = sorted(us for us in heard if us)
            assert heard[of.plain.index(typical)] == told[(len(told) - 1) // 2]
        else:
            assert worst.spread_us == max(of.spreads_us)
            assert typical.verdict == "apart"


def test_no_playing_at_all():
    summary = summarise([])
    assert (first_of(summary), summary.ranked(), summary.heard_a_minute_us, summary.plain) == (None, [], 0.0, 0)
