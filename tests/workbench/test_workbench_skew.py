"""The straight-bar test: planted skews are found again, but for the part that a bar's own tilt looks like."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.workbench.skew import FRONT, BarEvents, SkewError, bar_events, fit

PLACE = np.array(FRONT, dtype=float)
SHAPE = np.stack([np.ones(7), PLACE - PLACE.mean()], axis=1)


def beyond(values):
    """Without the constant and the linear part along the chanter, by numpy's polyfit."""
    return values - np.polyval(np.polyfit(PLACE, values, 1), PLACE)


def bar_states(seed, skew_us, bias_us, times=40, scan_us=1_000, tilt_us=400):
    """States as a chanter with such sensors would report a bar: each edge at the start of a scan."""
    rng = np.random.default_rng(seed)
    states, now = [(0, 0)], 1_000_000.0
    mask = 0
    for _ in range(times):
        for lift in (False, True):
            tilt = rng.normal(tilt_us, 1_200)
            seen = now + tilt * (PLACE - 4) + skew_us + (0.5 if lift else -0.5) * bias_us + rng.normal(0, 150, 7)
            seen = np.ceil(seen / scan_us) * scan_us
            for hole, t_us in sorted(zip(FRONT, seen, strict=True), key=lambda pair: pair[1]):
                mask ^= 1 << hole
                states.append((int(t_us), mask))
            now += rng.uniform(400_000, 600_000)
    return states


@given(st.integers(0, 10_000))
def test_planted_skews_are_found_within_half_a_millisecond(seed):
    rng = np.random.default_rng(seed)
    skew_us, bias_us = rng.uniform(-3_000, 3_000, 7), rng.uniform(-2_000, 2_000, 7)
    found = fit(bar_events(bar_states(seed, skew_us, bias_us)))
    assert (found.lifts, found.lays) == (40, 40)
    assert np.abs(found.skew_us - beyond(skew_us)).max() <= 500
    assert np.abs(found.bias_us - beyond(bias_us)).max() <= 500
    seen = np.concatenate([beyond(skew_us) + sign * beyond(bias_us) / 2 for sign in (1, -1)])
    assert abs(found.apart_us - (seen.max() - seen.min())) <= 1_000


def test_a_skew_that_grows_evenly_along_the_chanter_cannot_be_seen():
    even = (PLACE - PLACE.mean()) * 1_000
    found = fit(bar_events(bar_states(1, even, np.zeros(7))))
    assert np.abs(found.skew_us).max() <= 500


def test_the_least_squares_are_numpys():
    """The whole model in one design matrix, solved by numpy.linalg.lstsq: the same skew and bias."""
    rng = np.random.default_rng(3)
    skew_us, bias_us = rng.uniform(-3_000, 3_000, 7), rng.uniform(-2_000, 2_000, 7)
    events = bar_events(bar_states(3, skew_us, bias_us))
    count = len(events.lift)
    rows = []
    for event, lift in enumerate(events.lift):
        for hole in range(7):
            row = np.zeros(2 * count + 14)
            row[2 * event : 2 * event + 2] = SHAPE[hole]
            row[2 * count + hole] = 1
            row[2 * count + 7 + hole] = 0.5 if lift else -0.5
            rows.append(row)
    shifted = events.times_us[:, 1:] - events.times_us[:, 1:2]
    solved = np.linalg.lstsq(np.array(rows), shifted.reshape(-1).astype(float), rcond=None)[0][2 * count :]
    found = fit(events)
    assert np.allclose(beyond(solved[:7]), found.skew_us, atol=1)
    assert np.allclose(beyond(solved[7:]), found.bias_us, atol=1)


def test_fingers_and_halves_are_no_bar():
    assert len(bar_events([]).lift) == 0
    assert len(bar_events([(0, 0), (1_000, 0b10), (2_000, 0b110), (900_000, 0)]).lift) == 0
    # All seven, but too far apart.
    mask, states = 0, [(0, 0)]
    for number, hole in enumerate(FRONT):
        mask |= 1 << hole
        states.append((1_000 + 60_000 * number, mask))
    assert len(bar_events(states).lift) == 0


def test_a_hole_that_chatters_spoils_its_event_only():
    states = bar_states(2, np.zeros(7), np.zeros(7))
    at, mask = states[7]
    chatter = [(at + 100, mask ^ 0b100), (at + 200, mask)]
    events = bar_events([*states[:8], *chatter, *states[8:]])
    assert len(events.lift) == 79


@pytest.mark.parametrize("times", [0, 5, 9])
def test_too_few_is_one_sentence(times):
    with pytest.raises(SkewError, match="at least 10 lifts"):
        fit(bar_events(bar_states(1, np.zeros(7), np.zeros(7), times=times)))


def test_what_is_not_rigid_is_refused():
    rng = np.random.default_rng(1)
    times = rng.integers(0, 80_000, (80, 8)).astype(float)
    times[:, 0] = np.nan
    with pytest.raises(SkewError, match="rigid bar"):
        fit(BarEvents(times, np.arange(80) % 2 == 0, np.full((80, 8), np.nan)))
