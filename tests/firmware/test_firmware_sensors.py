"""The firmware on the judge's sensors (tests/sensors): the same edges as a plain scan of the same samples."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from fingerlead.wire.carriers import StreamReader
from fingerlead.wire.messages import SLOW_SENSOR, Holes, Slope, decode
from tests.sensors.bad import (
    BAD_HOLE,
    BADS,
    CAPACITIVE,
    HESITANT,
    INFRARED,
    NEAR_SEAL,
    Bad,
    good_ones,
    look,
    near_seal,
)
from tests.sensors.carried import MIDDLE, by_firmware, script, slopes_of, states_of
from tests.sensors.holes import HOLES, draw, spoilt
from tests.sensors.judged import SCAN_US, Firmware, bytes_by_firmware
from tests.sensors.playing import PERIOD_US, PLAIN_HAND, Hand, back_and_forth, crossings, play, windows
from tests.sensors.workshop import levels_at


@pytest.fixture
def firmware(build, storage) -> Firmware:
    return Firmware(build / "chanter", storage)


def test_the_plain_scan_sees_what_the_firmware_sees(firmware):
    """Two programs, one rule: on noisy samples of uneven holes, step for step."""
    chance = np.random.default_rng(4)
    sensors = replace(draw("capacitive", chance), noise=0.02)
    played = play(crossings(20, chance), sensors, Hand(), chance)
    raw = np.concatenate(list(windows(played, sensors, chance, 0, played.changes, SCAN_US)))
    text = script(iter([(0, raw)]), MIDDLE, played.end_us, SCAN_US)
    data = by_firmware(firmware.program, firmware.storage, text)
    messages = [decode(item) for item in StreamReader().feed(data)]
    seen = [(message.ticks32, message.covered_mask) for message in messages if isinstance(message, Holes)]
    states = states_of(raw, MIDDLE, SCAN_US)
    turns = [seen[0], *(now for before, now in pairwise(seen) if now[1] != before[1])]
    assert [mask for _, mask in turns] == [mask for _, mask in states]
    assert len(turns) > 50
    # The firmware reads its clock a few microseconds after the sample is there.
    apart = [late - t_us for (late, _), (t_us, _) in zip(turns, states, strict=True)][1:]
    assert -SCAN_US <= min(apart) <= max(apart) <= SCAN_US
    # The slopes too, to the count that rounding leaves open.
    told = [message for message in messages if isinstance(message, Slope)]
    plain = slopes_of(raw, states, SCAN_US)
    assert [(slope.hole, slope.level_raw) for slope in sorted(told, key=lambda one: (one.ticks32, one.hole))] == [
        (slope.hole, slope.level_raw) for slope in plain
    ]
    rises = [slope.rise_raw for slope in sorted(told, key=lambda one: (one.ticks32, one.hole))]
    assert np.abs(np.array(rises) - [slope.rise_raw for slope in plain]).max() <= 1


TOLD = {
    **{name: (BADS[name], MIDDLE) for name in ("water film", "noise at the levels")},
    "water film, levels near the seal": (NEAR_SEAL["water film"], near_seal(NEAR_SEAL["water film"])),
}


@pytest.mark.parametrize("name", TOLD)
def test_a_bad_sensor_is_told_by_the_second_movement_that_it_spoils(firmware, name):
    bad, levels = TOLD[name]
    seen = look(bad, firmware, changes=12, levels=levels)
    assert seen.before_told is not None
    assert seen.before_told <= 2
    assert seen.others_named == 0
    # From then on the program trusts none of them.
    assert seen.trusted == 0


@pytest.mark.parametrize("seed", [1, 5, 8, 12])
def test_a_pressure_sensor_is_told_by_name_after_the_second_movement_that_it_spoils(firmware, seed):
    """All eight are of that kind, and three holes show it. A finger may lie less firmly than it came."""
    seen = look(BADS["pressure"], firmware, 6, seed=seed)
    assert seen.before_told is not None
    assert seen.before_told <= 2
    assert {hole for _, code, hole in seen.told if code == SLOW_SENSOR} == set(range(HOLES))
    assert seen.trusted == 0


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_a_pressure_sensor_is_told_by_name_in_the_third_change_at_the_latest(firmware, seed):
    """Where the first movement of a hole is too light to reach its level, too little is known of it in the second."""
    seen = look(BADS["pressure"], firmware, 5, seed=seed)
    first_us, code, _ = seen.told[0]
    assert code == SLOW_SENSOR
    assert first_us < 3 * PERIOD_US
    assert seen.before_told is not None
    assert 2 <= seen.before_told <= 3
    assert {hole for _, code, hole in seen.told if code == SLOW_SENSOR} == set(range(HOLES))
    assert seen.trusted == 0


@pytest.mark.parametrize("kind", ["capacitive", "infrared"])
def test_a_slow_hand_is_no_slow_sensor(firmware, kind):
    good = CAPACITIVE if kind == "capacitive" else INFRARED
    hand = Hand(travel_us=(150_000.0, 250_000.0), roll=(0.0, 0.15), apart_us=60_000.0)
    assert look(Bad(good, good), firmware, 16, near_seal(Bad(good, good)), hand=hand).told == ()


def test_a_finger_that_stands_still_half_up_is_no_slow_sensor(firmware):
    """Each time, for up to 60 ms: there its sample is in the upper half of its way, and stands."""
    assert good_ones(firmware, (109,), 40, HESITANT) == []


@pytest.mark.parametrize(("drift", "levels"), [(0.5, (0.55, 0.45)), (-0.5, (0.80, 0.76))])
def test_a_drift_of_half_the_swing_spoils_nothing_where_the_range_has_room_for_it(firmware, drift, levels):
    """In a minute, from 300 to 700 counts."""
    good = replace(CAPACITIVE, low_raw=np.full(HOLES, 300.0), high_raw=np.full(HOLES, 700.0))
    seen = look(Bad(good, spoilt(good, BAD_HOLE, drift=drift)), firmware, 90, levels_at(good, *levels))
    assert (seen.affected_us, seen.false_edges, seen.missed, seen.told) == ((), 0, 0, ())


@pytest.mark.parametrize("name", ["drift up", "drift down"])
def test_a_drift_that_goes_out_of_the_range_is_told_by_the_second_movement_that_it_spoils(firmware, name):
    bad = BADS[name]
    seen = look(bad, firmware, changes=90, levels=near_seal(bad) if name == "drift down" else MIDDLE)
    assert len(seen.affected_us) > 10
    assert seen.before_told is not None
    assert seen.before_told <= 2
    assert (seen.others_named, seen.trusted) == (0, 0)


@pytest.mark.parametrize("hz", [100.0, 120.0])
def test_lamps_that_are_switched_take_the_light_of_a_room_away(build, storage, hz):
    """Light of half the swing, read again a tenth of a millisecond later with the lamps off."""
    bad = Bad(INFRARED, spoilt(INFRARED, BAD_HOLE, light=0.5, light_hz=hz))
    # With the lamps off there are 100 counts; of the difference a 16th of the range is zero.
    levels = tuple((cover_at - 37, uncover_at - 37) for cover_at, uncover_at in near_seal(bad))
    seen = look(bad, Firmware(build / "chanter_lamps", storage, lamps=True), 16, levels)
    assert (seen.movements, seen.affected_us, seen.false_edges, seen.missed) == (16, (), 0, 0)
    assert seen.told == ()


@pytest.mark.parametrize("hz", [100.0, 120.0])
@pytest.mark.parametrize("levels", ["middle", "near the seal"])
def test_light_of_a_quarter_of_the_swing_is_taken_off_and_no_edge_waits_for_it(firmware, levels, hz):
    lit = spoilt(INFRARED, BAD_HOLE, light=0.25, light_hz=hz)
    where = MIDDLE if levels == "middle" else near_seal(Bad(INFRARED, INFRARED))
    hand = replace(PLAIN_HAND, apart_us=30_000.0)
    with_it, without = (edges_of(firmware, each, where, hand) for each in (lit, INFRARED))
    assert [up for _, up in with_it] == [up for _, up in without]
    later_us = np.subtract([t_us for t_us, _ in with_it], [t_us for t_us, _ in without])
    lift = np.array([up for _, up in without])
    # The first movements show the light. What is left of it is a part that does not flicker: it moves all alike.
    assert later_us[~lift][4:].mean() < 0
    assert later_us[lift][4:].std() < 500
    assert later_us[~lift][4:].std() < 500


def edges_of(firmware, sensors, levels, hand):
    """(time, whether it opens) of each edge of the bad hole."""
    played = play(back_and_forth("E", "D", 24), sensors, hand, np.random.default_rng(3))
    data = bytes_by_firmware(firmware, played, sensors, levels, np.random.default_rng(3))
    messages = [decode(item) for item in StreamReader().feed(data)]
    holes = [message for message in messages if isinstance(message, Holes)]
    return [
        (after.ticks32, not after.covered_mask >> BAD_HOLE & 1)
        for before, after in pairwise(holes)
        if (before.covered_mask ^ after.covered_mask) >> BAD_HOLE & 1
    ]


def test_good_chanters_are_called_good(firmware):
    # A slow hand, and a room with nearly as much light as counts.
    assert good_ones(firmware, (21, 28), changes=103) == []
