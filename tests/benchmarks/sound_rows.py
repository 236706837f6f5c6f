"""Rows of `make bench` for the sound: how long a block of 128 frames takes to make, beside how long it lasts."""

from __future__ import annotations

import time

import numpy as np

Row = tuple[str, str, str]
_BLOCK, _RATE_HZ, _BLOCKS = 128, 48_000, 8_000


def sound_rows() -> list[Row]:
    """The practice chanter alone, and everything at once; a change of mask inside every third block."""
    return [
        _row("the practice chanter", "practice", False, -23.0),
        _row("pipe chanter, drones and metronome", "pipe", True, -23.0),
        _row("the same so loud that it is limited", "pipe", True, -12.0),
    ]


def _row(name: str, voice: str, everything: bool, level_lufs: float) -> Row:
    from fingering.table import standard_table
    from fingerlead.sound.engine import Engine
    from fingerlead.sound.metronome import Metronome

    engine = Engine(_RATE_HZ, standard_table(), voice, level_lufs=level_lufs, drones=everything)
    engine.start_at_level(0)
    if everything:
        engine.start_metronome(Metronome(240, 4, 4))
    random = np.random.default_rng(1)
    took_ms = []
    for number in range(_BLOCKS):
        if number % 3 == 0:
            engine.cover(int(random.integers(1, 256)), engine.frame + int(random.integers(24, 152)))
        begin = time.perf_counter()
        engine.render(_BLOCK)
        took_ms.append((time.perf_counter() - begin) * 1e3)
    median_ms, late_ms = np.percentile(took_ms, [50, 99])
    lasts_ms = 1e3 * _BLOCK / _RATE_HZ
    return (
        f"{_BLOCK} frames of sound: {name}",
        f"{median_ms:.3f} ms, 99th percentile {late_ms:.3f} ms",
        f"{lasts_ms / median_ms:.0f} × faster than they last",
    )
