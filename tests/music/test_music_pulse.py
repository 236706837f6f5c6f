"""Beats and the starts of notes: nothing drifts, the loop is taken out, and taps that measure nothing are refused."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from statistics import median

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.music.pulse import (
    EARLIEST_US,
    FEWEST_TAPS,
    WIDEST_SPREAD_US,
    BeatGrid,
    BeatPlace,
    LoopDelay,
    Pulse,
    TapsError,
    pulse_of,
)

tempi = st.fractions(20, 240, max_denominator=1_000)
times = st.integers(-(10**12), 10**12)


def steady_grid(first_us, bpm, beats, parts=1):
    return BeatGrid(tuple(first_us + round(Fraction(60_000_000 * beat) / bpm) for beat in range(beats)), parts)


@given(times, tempi, st.integers(1, 4), st.data())
def test_a_note_is_placed_at_the_line_nearest_to_it(first_us, bpm, parts, data):
    grid = steady_grid(first_us, bpm, 40, parts)
    line = data.draw(st.integers(0, 39 * parts))
    beat, part = divmod(line, parts)
    exact_us = first_us + Fraction(60_000_000) * line / (bpm * parts)
    half_us = int(Fraction(30_000_000) / (bpm * parts)) - 2
    off_us = data.draw(st.integers(-half_us, half_us))
    place = grid.place(round(exact_us) + off_us)
    assert (place.beat, place.part) == (beat, part)
    assert abs(place.off_us - off_us) <= 2  # beat and line each stand at their nearest µs


@given(st.lists(st.integers(1, 3_000_000), min_size=1, max_size=30), st.integers(1, 4), times)
def test_no_other_line_of_the_grid_is_nearer(steps, parts, t_us):
    beats = [0]
    for step in steps:
        beats.append(beats[-1] + step)
    t_us %= beats[-1] + 1
    place = BeatGrid(tuple(beats), parts).place(t_us)
    lines = [a + Fraction((b - a) * part, parts) for a, b in pairwise(beats) for part in range(parts)]
    nearest = min(abs(t_us - line) for line in [*lines, beats[-1]])
    assert abs(abs(place.off_us) - nearest) <= Fraction(1, 2)


def test_what_lies_beyond_the_grid_has_no_place():
    grid = BeatGrid((1_000_000, 1_600_000, 2_000_000), 2)
    assert grid.place(1_000_000 - 149_999) == BeatPlace(0, 0, -149_999)
    assert grid.place(1_000_000 - 151_000) is None
    assert grid.place(2_000_000 + 99_999) == BeatPlace(2, 0, 99_999)
    assert grid.place(2_000_000 + 101_000) is None
    assert grid.place(1_310_000) == BeatPlace(0, 1, 10_000)


@given(times, st.integers(-100_000, 400_000), st.lists(st.integers(-90_000, 90_000), min_size=2, max_size=50))
def test_the_loop_is_taken_out_of_every_note(first_us, delay_us, offs):
    grid = steady_grid(first_us, 60, len(offs) + 1)
    starts = [beat + off + delay_us for beat, off in zip(grid.beats_us, offs, strict=False)]
    loop = LoopDelay(delay_us, 0, FEWEST_TAPS)
    assert [grid.place(start - delay_us) for start in starts] == [BeatPlace(n, 0, off) for n, off in enumerate(offs)]
    pulse = pulse_of(starts, grid, loop)
    assert (pulse.off_us, pulse.notes) == (round(median(offs)), len(offs))


def test_one_note_makes_no_pulse():
    grid = BeatGrid((0, 1_000_000))
    assert pulse_of([5, 5_000_000], grid) is None
    assert pulse_of([5, 1_000_000], grid) == Pulse(2, 1, 2)


@given(
    times,
    st.integers(600_000, 1_500_000),
    st.integers(-EARLIEST_US + 60_000, 300_000),
    st.lists(st.integers(-WIDEST_SPREAD_US, WIDEST_SPREAD_US), min_size=FEWEST_TAPS, max_size=60),
    st.randoms(use_true_random=False),
)
def test_taps_give_back_the_delay_that_was_in_them(first_us, period_us, delay_us, wobbles, chance):
    clicks = [first_us + period_us * n for n in range(len(wobbles))]
    taps = [click + delay_us + wobble for click, wobble in zip(clicks, wobbles, strict=True)]
    # A finger that bounces taps twice; the first tap counts.
    bounced = taps + [tap + chance.randrange(1, 30_000) for tap in taps if chance.random() < 0.3]
    chance.shuffle(bounced)
    loop = LoopDelay.from_taps(clicks, bounced)
    assert loop.delay_us == round(delay_us + median(wobbles))
    assert loop.taps == len(wobbles)
    assert 0 <= loop.spread_us <= WIDEST_SPREAD_US


def test_one_tap_gone_astray_moves_nothing():
    clicks = [1_000_000 * n for n in range(20)]
    taps = [click + 40_000 for click in clicks]
    taps[7] += 480_000
    assert LoopDelay.from_taps(clicks, taps) == LoopDelay(40_000, 0, 20)


@given(st.lists(times, max_size=FEWEST_TAPS - 1), st.lists(times, max_size=30))
def test_too_few_taps_are_refused_in_one_sentence(taps, clicks):
    with pytest.raises(TapsError, match=r"^expected 8 taps or more, each with a click; there w") as refused:
        LoopDelay.from_taps(clicks, taps)
    assert "\n" not in str(refused.value)


@given(st.permutations(range(24)))
def test_taps_all_over_the_beat_are_refused(order):
    clicks = [1_000_000 * n for n in range(24)]
    taps = [click + 40_000 * place - EARLIEST_US for click, place in zip(clicks, order, strict=True)]
    with pytest.raises(TapsError, match="keep with the clicks"):
        LoopDelay.from_taps(clicks, taps)


def test_the_person_is_said_to_be_in_the_number():
    assert LoopDelay(42_900, 9_000, 12).words.startswith(
        "From a click to your finger it takes 42 ms (give or take 9 ms, 12 taps). You yourself are in that number"
    )
    assert LoopDelay(-20_000, 9_000, 12).words.startswith("You tapped 20 ms before the clicks were given out")


@pytest.mark.parametrize(("beats", "parts"), [((), 1), ((5,), 1), ((5, 5), 1), ((9, 5), 1), ((5, 9), 0)])
def test_what_is_no_grid_is_refused(beats, parts):
    with pytest.raises(ValueError, match="expected"):
        BeatGrid(beats, parts)
