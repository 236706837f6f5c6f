"""What the firmware says of its own sensors: bad ones by name, soon and alone; of good ones nothing."""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from fingerlead.wire import messages as m
from fingerlead.wire.carriers import to_stream
from tests.firmware.firmware_tools import needs, sizes_of
from tests.firmware.sensor_signals import (
    HOLES,
    Fingers,
    Floats,
    capacitive,
    film,
    played,
    raw,
    reflective,
    times_s,
)

LEVELS = ((540, 460),) * HOLES
NEAR_SEAL = ((756, 727),) * HOLES  # 0.80 and 0.76 of the swing
HOLE = 3
Signal = Callable[[Floats, Floats], Floats]


def lit(z: Floats, t: Floats, height: float, hz: float) -> Floats:
    """A reflective sensor's signal where a lamp's light flickers by so much in an open hole."""
    return reflective(z) + height * np.sin(2 * np.pi * hz * t) * (1 - np.exp(-z / 1.5))


def said(
    bridge: ctypes.CDLL,
    signal: Signal,
    fingers: Fingers,
    noise_raw: float = 4.0,
    levels: m.Levels = LEVELS,
    requests: bytes = b"",
) -> list[m.Message]:
    """What is said where one hole's signal is (height mm, time s) -> 0 to 1 and the others are good."""
    rng, t_s = np.random.default_rng(fingers.seed), times_s(fingers.seconds)
    columns = [
        raw(signal(fingers.heights(hole, t_s), t_s), noise_raw, rng)
        if hole == HOLE
        else raw(capacitive(fingers.heights(hole, t_s)), 4.0, rng)
        for hole in range(HOLES)
    ]
    return list(played(bridge, np.stack(columns, axis=1), levels, requests))


def troubles(
    bridge: ctypes.CDLL,
    signal: Signal,
    fingers: Fingers,
    noise_raw: float = 4.0,
    levels: m.Levels = LEVELS,
    requests: bytes = b"",
) -> list[m.Trouble]:
    """The troubles told of it."""
    messages = said(bridge, signal, fingers, noise_raw, levels, requests)
    return [message for message in messages if isinstance(message, m.Trouble)]


def edges_s(messages: list[m.Message]) -> list[float]:
    """When the hole's edges were, in seconds."""
    holes = [message for message in messages if isinstance(message, m.Holes)]
    return [
        after.ticks32 / 1_000_000
        for before, after in pairwise(holes)
        if (before.covered_mask ^ after.covered_mask) >> HOLE & 1
    ]


def moves_until(fingers: Fingers, told: m.Trouble, from_s: float = 0) -> int:
    """How many movements the hole had made from a time on when it was told."""
    return sum(from_s <= start_s < told.ticks32 / 1_000_000 for start_s, *_ in fingers.moves[HOLE])


# Each bad sensor, its trouble, and after how many movements it is told at most. A sensor is known after one lift and
# one covering; the third and fourth movement are then the first two that can be judged. Saturation needs no such
# knowledge.
BAD: dict[str, tuple[int, int, Signal]] = {
    # More than half of the swing is more than the chanter takes off.
    "light at 100 Hz": (m.FLICKER, 5, lambda z, t: lit(z, t, 0.7, 100)),
    "light at 120 Hz": (m.FLICKER, 5, lambda z, t: lit(z, t, 0.7, 120)),
    "light that goes to nothing twice a turn": (
        m.FLICKER,
        5,
        lambda z, t: 0.4 * reflective(z) + 0.9 * np.abs(np.sin(2 * np.pi * 50 * t)) - 0.2,
    ),
    "much water": (m.SLOW_RELEASE, 5, lambda z, t: film(capacitive(z), 0.95, 150)),
    "water under a reflective sensor": (m.SLOW_RELEASE, 5, lambda z, t: film(reflective(z), 0.8, 120)),
    "some water": (m.SLOW_RELEASE, 5, lambda z, t: film(capacitive(z), 0.7, 200)),
    "saturated": (m.SATURATION, 4, lambda z, t: 1.5 * capacitive(z)),
}


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("name", BAD)
def test_a_bad_sensor_is_told_by_name_soon_and_no_other(bridge: ctypes.CDLL, name: str, seed: int) -> None:
    code, most, signal = BAD[name]
    fingers = Fingers(20, seed)
    told = troubles(bridge, signal, fingers)
    assert told[0].code == code
    assert {trouble.hole for trouble in told} == {HOLE}
    assert moves_until(fingers, told[0]) <= most
    # It lasts: it is told again, never as over.
    assert all(trouble.detail > 0 for trouble in told if trouble.code == code)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("hz", [100, 100.2, 120, 119])
def test_light_of_a_third_of_the_swing_is_taken_off_once_it_is_known(bridge: ctypes.CDLL, hz: float, seed: int) -> None:
    """Mains that are not quite at their frequency, or a clock that is not quite right, take a little longer."""
    fingers = Fingers(30, seed)
    messages = said(bridge, lambda z, t: lit(z, t, 0.35, hz), fingers)
    plain = said(bridge, lambda z, t: lit(z, t, 0, hz), fingers)
    with_light, without = ([at_s for at_s in edges_s(each) if at_s > 10] for each in (messages, plain))
    assert len(with_light) == len(without) > 10
    assert np.abs(np.subtract(with_light, without)).max() < 0.006
    # Until then it is told.
    told = [message for message in messages if isinstance(message, m.Trouble)]
    assert {(trouble.code, trouble.hole) for trouble in told} <= {(m.FLICKER, HOLE)}
    assert told == [] or told[-1].detail == 0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_noise_between_the_levels_is_chatter(bridge: ctypes.CDLL, seed: int) -> None:
    told = troubles(bridge, lambda z, t: capacitive(z), Fingers(20, seed), noise_raw=60)
    assert {(trouble.code, trouble.hole) for trouble in told} == {(m.CHATTER, HOLE)}
    assert told[0].ticks32 < 8_000_000


@pytest.mark.parametrize("way", ["open alone", "weaker"])
def test_drift_is_told_when_it_is_a_quarter_of_the_swing(bridge: ctypes.CDLL, way: str) -> None:
    """Half of the swing in 60 s, and not both rests alike, which the chanter follows."""

    def signal(z: Floats, t: Floats) -> Floats:
        share = capacitive(z)
        return share + 0.5 * t / 60 * (1 - share) if way == "open alone" else share * (1 - 0.5 * t / 60)

    fingers = Fingers(60, 5)
    told = [trouble for trouble in troubles(bridge, signal, fingers) if trouble.code == m.DRIFT]
    assert {trouble.hole for trouble in told} == {HOLE}
    # A quarter is reached at 25 to 30 s.
    assert moves_until(fingers, told[0], 25) <= 6
    assert told[0].ticks32 > 20_000_000


def test_drift_is_told_before_a_covering_is_lost(bridge: ctypes.CDLL) -> None:
    """Half of the swing in 60 s: a covered hole comes down to its level in some 24 s."""

    def signal(z: Floats, t: Floats) -> Floats:
        return capacitive(z) * (1 - 0.5 * t / 60)

    told = troubles(bridge, signal, Fingers(30, 5), levels=NEAR_SEAL)
    assert {(trouble.code, trouble.hole) for trouble in told} == {(m.DRIFT, HOLE)}
    assert 10_000_000 < told[0].ticks32 < 22_000_000


@pytest.mark.parametrize("seed", [5, 6])
def test_coverings_that_stop_short_of_the_level_are_drift(bridge: ctypes.CDLL, seed: int) -> None:
    """All is lost at once, so that the hole never crosses a level again."""

    def signal(z: Floats, t: Floats) -> Floats:
        return capacitive(z) - 0.22 * (t > 10)

    fingers = Fingers(20, seed)
    told = troubles(bridge, signal, fingers, levels=NEAR_SEAL)
    assert {(trouble.code, trouble.hole) for trouble in told} == {(m.DRIFT, HOLE)}
    lost = [start_s for start_s, _, to_mm in fingers.moves[HOLE] if start_s > 10 and to_mm == 0]
    assert told[0].ticks32 < 1_000_000 * lost[2]
    assert told[0].ticks32 - 1_000 * told[0].detail < 1_000_000 * (lost[0] + 0.12)


@pytest.mark.parametrize("every", [1, 3])
def test_a_hole_that_is_half_covered_on_purpose_has_not_drifted(bridge: ctypes.CDLL, every: int) -> None:
    """From some time on all of its coverings, or a third of them, stop at 0.3 to 0.7 of the swing."""
    fingers, rng = Fingers(60, 7), np.random.default_rng(7)
    moves = fingers.moves[HOLE]
    coverings = [i for i, (start_s, _, to_mm) in enumerate(moves) if to_mm == 0 and start_s > 10]
    for i in coverings[::every]:
        away = float(capacitive(np.array(moves[i - 1][2])))
        moves[i] = (*moves[i][:2], 0.8 / (away + (1 - away) * rng.uniform(0.3, 0.7)) - 0.8)
    assert troubles(bridge, lambda z, t: capacitive(z), fingers, levels=NEAR_SEAL) == []


@pytest.mark.parametrize("model", [capacitive, reflective])
@pytest.mark.parametrize("travel_ms", [(12, 120), (12, 250), (200, 250)])
@pytest.mark.parametrize("levels", [(540, 460), (700, 620), (756, 676)])
def test_of_good_sensors_nothing_is_told(
    bridge: ctypes.CDLL, model: Callable[[Floats], Floats], travel_ms: tuple[float, float], levels: tuple[int, int]
) -> None:
    """Two minutes each; `make soak` plays an hour."""
    fingers = Fingers(120, 11, travel_ms)
    assert troubles(bridge, lambda z, t: model(z), fingers, 12.0, (levels,) * HOLES) == []


def test_a_little_light_and_a_little_drift_are_no_trouble(bridge: ctypes.CDLL) -> None:
    def signal(z: Floats, t: Floats) -> Floats:
        return reflective(z) + 0.015 * np.sin(2 * np.pi * 100 * t) + 0.1 * t / 60

    assert troubles(bridge, signal, Fingers(60, 3)) == []


def test_a_trouble_is_over_after_eight_clean_movements(bridge: ctypes.CDLL) -> None:
    def signal(z: Floats, t: Floats) -> Floats:
        return np.where(t < 15, film(capacitive(z), 0.95, 150), capacitive(z))

    fingers = Fingers(40, 1)
    told = [trouble for trouble in troubles(bridge, signal, fingers) if trouble.code == m.SLOW_RELEASE]
    (over,) = [trouble for trouble in told if trouble.detail == 0]
    assert over is told[-1]
    assert 8 <= moves_until(fingers, over, 15) <= 10


def test_what_lasts_is_told_again_with_each_hello_and_says_since_when(bridge: ctypes.CDLL) -> None:
    fingers = Fingers(20, 1)
    told = troubles(bridge, lambda z, t: film(capacitive(z), 0.95, 150), fingers)
    # Hellos come every 5 s.
    assert [round(trouble.ticks32 / 5_000_000) for trouble in told[1:]] == [1, 2, 3]
    since_s = [(trouble.ticks32 - 1_000 * trouble.detail) / 1_000_000 for trouble in told]
    # The film is there from the first lift on; the first that can be judged is within what is told.
    third_s = fingers.moves[HOLE][2][0]
    assert all(since < third_s + 0.3 for since in since_s)
    assert max(since_s) - min(since_s) < 0.3


def test_new_levels_begin_anew(bridge: ctypes.CDLL) -> None:
    """What was told of the old ones is over."""
    fingers = Fingers(20, 1)
    told = troubles(bridge, lambda z, t: film(capacitive(z), 0.95, 150), fingers)
    # The same levels, asked for once more by so many bytes that they are read 8 s into the playing.
    late = bytes(8 * 16_000) + to_stream(m.encode(m.SetThresholds(2, LEVELS)))
    again = troubles(bridge, lambda z, t: film(capacitive(z), 0.95, 150), fingers, requests=late)
    assert [trouble.detail == 0 for trouble in told] == [False] * len(told)
    over = [trouble for trouble in again if trouble.detail == 0]
    assert len(over) == 1
    assert 8_000_000 <= over[0].ticks32 < 8_100_000


def test_its_memory_and_flash_are_within_a_budget_of_their_own(tmp_path: Path) -> None:
    needs("arm-none-eabi-gcc")
    flash, memory = sizes_of(tmp_path, "health")
    flash += sizes_of(tmp_path, "troubles")[0]  # whose memory is in that of health
    assert 1_000 < flash <= 3_072
    assert 200 < memory <= 512
