"""The drones under the pipe chanter: two tenors an octave below low A, the bass two octaves below.

Source: the Stanford bagpipe FAQ, section 2.1; D. Keenan 2001. They stand in exact tune, so all three are one periodic
sound on the bass's fundamental, and the tenors are one. The spectra are our own choice, as in `reed`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fingering.scale import scale
from host.sound.loudness import gain_of, loudness
from host.sound.reed import Floats, Voice, at_zero_lufs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from host.sound.tuning import Tuning

FUNDAMENTAL = 1 / 4
# How loud the drones together are beside the reed: our own choice.
_BESIDE_REED = gain_of(-3.0)

_TENORS = Voice("tenors", 240.0, slope_db=3.0, corner_hz=1_500.0, even=0.6, even_hz=1_500.0)
_BASS = Voice("bass", 120.0, slope_db=2.0, corner_hz=1_000.0, even=0.5, even_hz=1_000.0)


def amplitudes(low_a_hz: float, rate_hz: int) -> Floats:
    """Of the harmonics of low_a_hz / 4; -3 dB beside a reed at 0 LUFS."""
    bass = _BASS.amplitudes(low_a_hz * FUNDAMENTAL, rate_hz)
    tenors = _TENORS.amplitudes(low_a_hz / 2, rate_hz)[: len(bass) // 2]
    both = bass.copy()
    # Tenors and bass share every second harmonic; as if out of step, their powers add.
    both[1 : 2 * len(tenors) : 2] = np.hypot(both[1 : 2 * len(tenors) : 2], tenors)
    return at_zero_lufs(low_a_hz * FUNDAMENTAL, both) * _BESIDE_REED


def mixed_gain(tuning: Tuning, spectra: Sequence[Floats], rate_hz: int) -> float:
    """The gain for reed (`spectra`, by note) and drones while both sound: at most 0 LUFS on any note, in any phase.

    In a just scale harmonics of the two fall upon each other; at the worst their amplitudes add.
    """
    drones = amplitudes(tuning.low_a_hz, rate_hz)
    loudest = -np.inf
    for ratio, reed in zip(scale(tuning.scale).ratios, spectra, strict=True):
        # Both are harmonics of the drones' fundamental over the ratio's denominator.
        reed_at, drones_at = ratio.numerator * round(1 / FUNDAMENTAL), ratio.denominator
        both = np.zeros(max(len(reed) * reed_at, len(drones) * drones_at))
        both[reed_at - 1 : len(reed) * reed_at : reed_at] += reed
        both[drones_at - 1 : len(drones) * drones_at : drones_at] += drones
        loudest = max(loudest, loudness(tuning.low_a_hz * FUNDAMENTAL / drones_at, both))
    return gain_of(-loudest)
