"""The rig end to end: the firmware's pins beside the truth of the judge's finger, and what the rig makes of both."""

from __future__ import annotations

import io
import subprocess
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from fingerlead.wire.carriers import StreamReader
from fingerlead.wire.messages import Holes, decode
from fingerlead.workbench.rig import measure
from fingerlead.workbench.rig_log import Line, Log, read_log
from tests.firmware.firmware_tools import made, needs
from tests.sensors.carried import MIDDLE, script
from tests.sensors.holes import HOLES, Sensors
from tests.sensors.judged import SCAN_US, raw_of
from tests.sensors.playing import PLAIN_HAND, back_and_forth, play

LITTLE = 7


@pytest.fixture(scope="module")
def with_pins(tmp_path_factory):
    needs("make", "gcc")
    folder = tmp_path_factory.mktemp("pins")
    made(folder, f"{folder}/chanter", "RIG=1")
    return folder / "chanter"


def test_the_rig_measures_what_the_wire_is_late(with_pins, storage):
    chance = np.random.default_rng(3)
    # The contact at the rim is the truth, so that the hole seals where it touches.
    sensors = Sensors(seal_mm=np.zeros(HOLES))
    hand = replace(PLAIN_HAND, press_mm=(0.0, 0.0))
    played = play(back_and_forth("low G", "low A", 32), sensors, hand, chance)
    raw = raw_of(played, sensors, chance, SCAN_US)
    text = script(iter([(0, raw)]), MIDDLE, played.end_us, SCAN_US)
    done = subprocess.run([with_pins, storage], input=text, capture_output=True, timeout=120, check=True)
    # The contact comes from the truth; until then a column holds its place.
    header, *rows = done.stderr.splitlines()
    log = read_log(io.BytesIO(b"\n".join([header + b",contact", *(row + b",0" for row in rows)])))
    truth_us = np.rint(played.moves.truth_us).astype(np.int64)
    # A log begins with its first row.
    log = Log({**log.lines, "contact": Line(True, truth_us - int(rows[0].split(b",")[0]))}, log.end_us)

    found = {row.motion: row for row in measure([log]).rows}
    late_us: dict[str, list[float]] = {"lift": [], "cover": []}
    frames = [decode(item) for item in StreamReader().feed(done.stdout) if isinstance(item, bytes)]
    holes = [frame for frame in frames if isinstance(frame, Holes)]
    edges = [now.ticks32 for before, now in pairwise(holes) if now.covered_mask != before.covered_mask]
    for at_us, true_us, lift in zip(edges, truth_us, played.moves.lift, strict=True):
        late_us["lift" if lift else "cover"].append(at_us - true_us)
    for motion, row in found.items():
        assert (row.hole, row.moves, row.missed, row.extra) == (LITTLE, 16, 0, 0)
        assert row.bias_us.value == pytest.approx(np.mean(late_us[motion]), abs=1)
    assert found["lift"].bias_us.value > 5_000
    assert found["cover"].bias_us.value < -3_000
