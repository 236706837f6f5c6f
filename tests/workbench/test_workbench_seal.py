"""The seal check: a hole that loosens is named, and one that does not is not."""

from __future__ import annotations

import numpy as np
import pytest

from fingerlead.workbench.seal import leaks
from tests.workbench.raw_faults import sealing

SEEDS = range(200)


def seen(seed, leak, rate_hz=333):
    played = sealing(seed, leak, rate_hz)
    return played, leaks(played.t_us, played.samples, played.open_raw, played.covered_raw)


@pytest.mark.parametrize("rate_hz", [200, 333, 1_000])
def test_planted_leaks_are_found_and_named(rate_hz):
    named = 0
    for seed in SEEDS:
        played, found = seen(seed, True, rate_hz)
        named += any(leak.hole == played.leak and abs(leak.start_us - played.leak_us) < 100_000 for leak in found)
    assert named >= 0.95 * len(SEEDS)


def test_other_holes_are_not_blamed():
    wrong = 0
    for seed in SEEDS:
        played, found = seen(seed, True)
        wrong += any(leak.hole != played.leak for leak in found)
    assert wrong <= 0.02 * len(SEEDS)


def test_there_are_hardly_any_false_alarms():
    assert sum(bool(seen(seed, False)[1]) for seed in SEEDS) <= 0.02 * len(SEEDS)


def test_a_leak_is_told_in_words_with_what_moved():
    _, found = next(pair for pair in (seen(seed, True) for seed in SEEDS) if pair[1])
    assert found[0].moved is not None
    assert "of the way off its hole while the" in found[0].words


def test_too_little_tells_nothing_and_impossible_levels_are_refused():
    few = np.arange(3)
    assert leaks(few, np.zeros((3, 8), np.uint16), [0] * 8, [100] * 8) == []
    with pytest.raises(ValueError, match="calibrate again"):
        leaks(few, np.zeros((3, 8), np.uint16), [100] * 8, [100] * 8)
