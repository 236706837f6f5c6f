"""The firmware on the judge's sensors (tests/sensors): the same edges as a plain scan of the same samples."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from fingerlead.wire.carriers import StreamReader
from fingerlead.wire.messages import Holes, Slope, decode
from tests.sensors.bad import BADS, NEAR_SEAL, good_ones, look, near_seal
from tests.sensors.carried import MIDDLE, by_firmware, script, slopes_of, states_of
from tests.sensors.holes import draw
from tests.sensors.judged import SCAN_US, Firmware
from tests.sensors.playing import Hand, crossings, play, windows


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


NEAR = {f"{name}, levels near the seal": bad for name, bad in NEAR_SEAL.items() if name in ("water film", "drift down")}
TOLD = {**{name: BADS[name] for name in ("drift up", "water film", "noise at the levels")}, **NEAR}


@pytest.mark.parametrize("name", TOLD)
def test_a_bad_sensor_is_told_by_the_second_movement_that_it_spoils(firmware, name):
    bad = TOLD[name]
    seen = look(bad, firmware, changes=45 if "drift" in name else 12, levels=near_seal(bad) if name in NEAR else MIDDLE)
    assert seen.before_told is not None
    assert seen.before_told <= 2
    assert seen.others_named == 0
    # From then on the program trusts none of them.
    assert seen.trusted == 0


def test_good_chanters_are_called_good(firmware):
    # A slow hand, and a room with nearly as much light as counts.
    assert good_ones(firmware, (21, 28), changes=103) == []
