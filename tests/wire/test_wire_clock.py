from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.wire.clock import MOST_BINS, UNKNOWN_DELAY_US, ClockFit, Unwrap


@given(st.integers(0, 2**32 - 1), st.lists(st.integers(-(2**31), 2**31 - 1), max_size=30))
def test_steps_of_less_than_half_a_wrap_are_followed(start, steps):
    clock = Unwrap()
    clock.start(start, 0)
    true_us = 0
    for step in steps:
        true_us += step
        ticks32 = (start + true_us) & 0xFFFFFFFF
        assert clock.at(ticks32) == true_us
        clock.start(ticks32, true_us)


@pytest.mark.parametrize(
    ("ticks32", "t_us"), [(0, 1000), (2**32 - 1, 999), (2**31 - 1, 1000 + 2**31 - 1), (2**31, 1000 - 2**31)]
)
def test_the_nearest_time_is_taken(ticks32, t_us):
    clock = Unwrap()
    clock.start(0, 1000)
    assert clock.at(ticks32) == t_us
    assert clock.front_us == 1000


drifts = st.integers(-200_000, 200_000)  # parts per billion


def to_host(fit, t_us):
    return t_us + fit.offset_us + (t_us - fit.at_us) * fit.rise_us // fit.run_us


def host_of(t_us: int, offset_us: int, ppb: int) -> int:
    return t_us + offset_us + t_us * ppb // 1_000_000_000


@given(
    offset_us=st.integers(-(10**12), 10**12),
    ppb=drifts,
    trips=st.lists(
        st.tuples(st.integers(1, 60_000_000), st.integers(0, 40_000), st.integers(0, 40_000)), min_size=1, max_size=60
    ),
)
def test_the_truth_lies_within_the_uncertainty(offset_us, ppb, trips):
    fit, t_us, times = ClockFit(), 0, []
    for wait_us, there_us, back_us in trips:
        t_us += wait_us
        host_us = host_of(t_us, offset_us, ppb)
        fit.add_exchange(host_us - there_us, t_us, host_us + back_us)
        times.append(t_us)
    found = fit.fit()
    for t_us in (times[0], sum(times) // len(times), times[-1]):
        assert abs(to_host(found, t_us) - host_of(t_us, offset_us, ppb)) <= found.uncertainty_us + 2


def test_arrivals_find_the_drift_and_say_that_the_delay_is_unknown():
    fit, chance = ClockFit(), random.Random(3)
    for step in range(6000):
        t_us = step * 100_000
        fit.add_arrival(t_us, host_of(t_us, 5_000, 37_000) + 900 + chance.randrange(16_000))
    found = fit.fit()
    assert found.drift_ppm == pytest.approx(37, abs=1)
    assert found.uncertainty_us == UNKNOWN_DELAY_US
    # Late by the link's shortest delay and no more.
    assert 5_890 <= to_host(found, 0) <= 6_100


def test_good_round_trips_among_bad_ones_make_the_fit():
    fit, chance = ClockFit(), random.Random(4)
    for step in range(120):
        t_us = step * 1_000_000
        host_us = host_of(t_us, -77, -20_000)
        slow = 30_000 if step % 3 else 200
        fit.add_exchange(host_us - chance.randrange(slow), t_us, host_us + chance.randrange(slow))
    found = fit.fit()
    assert found.uncertainty_us < 1_000
    assert abs(to_host(found, 60_000_000) - host_of(60_000_000, -77, -20_000)) <= found.uncertainty_us


def test_one_exchange_is_known_to_half_its_round_trip():
    fit = ClockFit()
    fit.add_exchange(1_000, 50, 1_400)
    found = fit.fit()
    assert to_host(found, 50) == 1_200
    assert found.uncertainty_us == 201


def test_nothing_is_fitted_to_nothing_and_an_impossible_exchange_is_nothing():
    fit = ClockFit()
    assert fit.fit() is None
    fit.add_exchange(2_000, 50, 1_000)
    assert fit.fit() is None
    fit.add_arrival(50, 1_000)
    assert fit.fit() is not None
    fit.reset()
    assert fit.fit() is None


def test_memory_stays_bounded_over_days():
    fit = ClockFit()
    for minute in range(3 * 24 * 60):
        t_us = minute * 60_000_000
        fit.add_exchange(t_us, t_us, t_us + 500)
    assert len(fit._ceiling.points()) <= MOST_BINS
    assert len(fit._bounds) <= 2 * MOST_BINS
    assert abs(fit.fit().drift_ppm) < 0.001


def test_a_replay_at_any_speed_breaks_nothing():
    for speed in (0, 1, 10):
        fit = ClockFit()
        for second in range(100):
            fit.add_arrival(second * 1_000_000, 7 + speed * second * 1_000_000)
        found = fit.fit()
        assert to_host(found, 50_000_000) == 7 + speed * 50_000_000
