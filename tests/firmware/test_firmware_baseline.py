"""Drift is followed, slowly, and no finger is: neither one that is held nor one that lies half over its hole."""

from __future__ import annotations

import ctypes
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fingerlead.wire import messages as m
from tests.firmware.sensor_signals import HOLES, SCAN_US, Fingers, Floats, capacitive, played, times_s

HOLE = 3
NEAR_SEAL, MIDDLE = (527, 512), (435, 398)
AWAY_MM = 9.0


def said(bridge: ctypes.CDLL, signal: Floats, levels: tuple[int, int], seed: int) -> list[m.Message]:
    """What the firmware says where one hole has this signal, and all others lie open."""
    rng = np.random.default_rng(seed)
    shares = np.full((len(signal), HOLES), float(capacitive(np.array(AWAY_MM))))
    shares[:, HOLE] = signal
    # From 200 to 600 there is room to drift at both ends.
    samples = np.rint(200 + 400 * shares + rng.normal(0, 2, shares.shape)).astype(np.uint16)
    return list(played(bridge, samples, (levels,) * HOLES))


def edges_us(messages: list[m.Message]) -> list[tuple[int, bool]]:
    """(time, whether it covers) of the hole's edges."""
    holes = [message for message in messages if isinstance(message, m.Holes)]
    return [
        (after.ticks32, bool(after.covered_mask >> HOLE & 1))
        for before, after in pairwise(holes)
        if (before.covered_mask ^ after.covered_mask) >> HOLE & 1
    ]


def heights(stays: list[tuple[float, float]]) -> Floats:
    """A finger that stays at these heights in mm for so many seconds each, and takes 60 ms from one to the next."""
    half_cosine = (1 - np.cos(np.linspace(0, np.pi, 60_000 // SCAN_US))) / 2
    parts, at_mm = [], stays[0][0]
    for to_mm, seconds in stays:
        parts += [at_mm + (to_mm - at_mm) * half_cosine, np.full(round(seconds * 1_000_000 / SCAN_US), to_mm)]
        at_mm = to_mm
    return np.concatenate(parts)


@pytest.mark.parametrize("levels", [NEAR_SEAL, MIDDLE])
@pytest.mark.parametrize("drift", [0.5, -0.45])
def test_a_drift_is_followed_and_nothing_is_told(bridge: ctypes.CDLL, drift: float, levels: tuple[int, int]) -> None:
    """So much of the swing in a minute: without it movements are lost."""
    fingers = Fingers(60, 4)
    t_s = times_s(60)
    still = capacitive(fingers.heights(HOLE, t_s))
    drifting, plain = (said(bridge, still + each * t_s / 60, levels, 1) for each in (drift, 0.0))
    assert [covers for _, covers in edges_us(drifting)] == [covers for _, covers in edges_us(plain)]
    apart_us = np.subtract([at for at, _ in edges_us(drifting)], [at for at, _ in edges_us(plain)])
    assert np.abs(apart_us).max() < 10_000
    assert not any(isinstance(message, m.Trouble) for message in drifting)


def plays_on_as_before(found: list[tuple[int, bool]], length_us: int) -> bool:
    """Whether the last seven edges are the first seven again, to two scans, each at its place before the end."""
    first, last = found[:7], found[-7:]
    assert [covers for _, covers in first] == [covers for _, covers in last] == [False, True] * 3 + [False]
    # Each time four coverings of 0.4 s, as many lifts, and 60 ms from one to the next; the first begins covered.
    apart_us = np.subtract([at for at, _ in last], [at for at, _ in first])
    return bool(np.abs(apart_us - (length_us - 8 * 460_000)).max() <= 2 * SCAN_US)


# Where a finger may stay: 1 mm up reads 0.44 of the whole, 3 mm 0.21.
STAYS = st.lists(st.tuples(st.floats(0.25, 4.0), st.floats(0.1, 6), st.booleans()), min_size=1, max_size=6)


@given(STAYS, st.sampled_from((NEAR_SEAL, MIDDLE)))
@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_finger_that_lies_over_its_hole_is_never_learned(
    bridge: ctypes.CDLL, stays: list[tuple[float, float, bool]], levels: tuple[int, int]
) -> None:
    """Half over it, for seconds or minutes, from above or from below, again and again: then it plays on as before."""
    well = [(0.0, 0.4), (AWAY_MM, 0.4)] * 4
    over = [(0.0, 0.2) if covers else (AWAY_MM, 0.2) for _, _, covers in stays]
    middle = [one for pair in zip(over, [stay[:2] for stay in stays], strict=True) for one in pair]
    signal = capacitive(heights([*well, *middle, (0.0, 0.4), (AWAY_MM, 0.4), *well]))
    assert plays_on_as_before(edges_us(said(bridge, signal, levels, 2)), len(signal) * SCAN_US)


@pytest.mark.parametrize("levels", [NEAR_SEAL, MIDDLE])
def test_a_finger_held_for_minutes_is_never_learned_as_open(bridge: ctypes.CDLL, levels: tuple[int, int]) -> None:
    """Held with all its weight, then ever more lightly; and held half over, as minutes of a low note may have it."""
    well = [(0.0, 0.4), (AWAY_MM, 0.4)] * 4
    for held in ([(0.0, 180.0)], [(0.01 * step, 6.0) for step in range(20)], [(0.0, 0.2), (1.0, 180.0), (0.0, 0.2)]):
        signal = capacitive(heights([*well, *held, (AWAY_MM, 0.4), *well]))
        found = edges_us(said(bridge, signal, levels, 3))
        assert plays_on_as_before(found, len(signal) * SCAN_US)
        # While it is held it is covered, or it is half over and open.
        assert len(found) in (17, 19)
