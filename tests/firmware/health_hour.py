"""An hour of play on good sensors, for which the firmware must tell no trouble: python -m tests.firmware.health_hour

Capacitive and reflective sensors, fingers from quick to slow, noise up to 12 counts of 800, levels 80 counts apart, at
half the finger's way, near the rim and at the seal. Exit code 1 where a trouble is told. Needs gcc and make.
"""

from __future__ import annotations

import ctypes
import sys
import tempfile
from itertools import product
from pathlib import Path

import numpy as np

from fingerlead.wire import messages as m
from tests.firmware.firmware_tools import made
from tests.firmware.sensor_signals import HOLES, Fingers, capacitive, played, raw, reflective, times_s

TRAVELS_MS = ((12, 60), (12, 250), (200, 250))
LEVELS = ((540, 460), (700, 620), (756, 676))
NOISE_RAW = (2.0, 4.0, 8.0, 12.0)
SECONDS = 200


def main() -> None:
    """Play the hour; a line for each part of it."""
    with tempfile.TemporaryDirectory() as folder:
        made(Path(folder), "host")
        bridge = ctypes.CDLL(str(Path(folder) / "bridge.so"))
    bad = 0
    for seed, (model, travel_ms, level) in enumerate(product((capacitive, reflective), TRAVELS_MS, LEVELS)):
        fingers, rng, t_s = Fingers(SECONDS, seed, travel_ms), np.random.default_rng(seed), times_s(SECONDS)
        columns = [raw(model(fingers.heights(hole, t_s)), NOISE_RAW[hole % 4], rng) for hole in range(HOLES)]
        messages = list(played(bridge, np.stack(columns, axis=1), (level,) * HOLES))
        told = [message for message in messages if isinstance(message, m.Trouble)]
        moves = sum(map(len, fingers.moves))
        print(f"{model.__name__}, {travel_ms} ms, levels {level}: {moves} movements, {len(told)} troubles told")
        bad += len(told)
    if bad:
        sys.exit(f"expected no trouble in an hour of good sensors; {bad} were told")


if __name__ == "__main__":
    main()
