"""The drones under the pipe chanter: two tenors an octave below low A, the bass two octaves below.

Source: the Stanford bagpipe FAQ, section 2.1; D. Keenan 2001. They stand in exact tune, so all three are one periodic
sound on the bass's fundamental, and the tenors are one. The spectra are our own choice, as in `reed`.
"""

from __future__ import annotations

import numpy as np

from host.sound.loudness import gain_of
from host.sound.reed import Floats, Voice, at_zero_lufs

FUNDAMENTAL = 1 / 4
# How loud the drones together are beside the reed: our own choice.
_BESIDE_REED = gain_of(-3.0)
# Harmonics of a just scale fall upon the drones', and may add up; no phase makes more than the sum of the two.
MIXED_GAIN = 1 / (1 + _BESIDE_REED)

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
