"""How loud a steady tone is by ITU-R BS.1770: K-weighted, in LUFS, reckoned before a sample is rendered.

A tone's partials are known, so its loudness is a sum over them. Sounds are one channel; headphones give it to both
ears, so it is reckoned as two equal channels, 3 LU more than the one channel alone.

All this is a level *in the file*. How loud it is at the ear is up to the device and its volume: nothing here can know.
Source: Recommendation ITU-R BS.1770, annex 1, the two filters' coefficients at 48 kHz.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MOST_LUFS = -23.0
# Where a listener's level starts, below the loudest.
START_DB = -20.0
CHANNELS = 2
_TABLE_RATE_HZ = 48_000
_SHELF_B = (1.53512485958697, -2.69169618940638, 1.19839281085285)
_SHELF_A = (1.0, -1.69065929318241, 0.73248077421585)
_HIGH_PASS_B = (1.0, -2.0, 1.0)
_HIGH_PASS_A = (1.0, -1.99004745483398, 0.99007225036621)


def weight(hz: npt.ArrayLike) -> Floats:
    """The K-weighting of power at each frequency; frequencies above 24 kHz count as 24 kHz."""
    turn = np.exp(-2j * np.pi * np.minimum(np.asarray(hz, dtype=np.float64), _TABLE_RATE_HZ / 2) / _TABLE_RATE_HZ)

    def response(b: tuple[float, ...], a: tuple[float, ...]) -> npt.NDArray[np.complex128]:
        powers = turn[..., None] ** np.arange(3)
        ratio: npt.NDArray[np.complex128] = (powers @ np.array(b)) / (powers @ np.array(a))
        return ratio

    both = response(_SHELF_B, _SHELF_A) * response(_HIGH_PASS_B, _HIGH_PASS_A)
    power: Floats = np.abs(both) ** 2
    return power


def loudness(fundamental_hz: float, amplitudes: npt.NDArray[np.float64]) -> float:
    """LUFS, in both ears, of the tone Σ amplitudes[k - 1] · sin(2π k fundamental_hz t); -inf for silence."""
    harmonics = np.arange(1, len(amplitudes) + 1)
    power = CHANNELS * float(np.sum(weight(harmonics * fundamental_hz) * amplitudes**2) / 2)
    return -0.691 + 10 * math.log10(power) if power > 0 else -math.inf


def gain_of(db: float) -> float:
    """Decibels as a factor of amplitude."""
    return float(10 ** (db / 20))
