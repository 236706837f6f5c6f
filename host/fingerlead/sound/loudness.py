"""How loud a steady tone is by ITU-R BS.1770, known before a sample is rendered; and a limiter for what is rendered.

A tone's partials are known, so its K-weighted loudness in LUFS is a sum over them. Sounds are one channel; headphones
give it to both ears, so it counts as two equal channels, 3 LU more than the one channel alone.

The limiter is the last thing before the ear: no true peak above -1 dBTP, whatever comes in. The peak between samples is
estimated by fourfold oversampling (annex 2; the interpolating filter is a windowed sinc of our own). The limiter hears
`DELAY_FRAMES` ahead, so that its gain has come down before the peak is there; the engine renders as far ahead, so that
nothing sounds late. Nothing is touched below the ceiling.

All this is a level *in the file*. How loud it is at the ear is up to the device and its volume: nothing here can know.
Source: Recommendation ITU-R BS.1770, annex 1, the two filters' coefficients at 48 kHz.
"""

import math

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

Floats = npt.NDArray[np.float64]
Samples = npt.NDArray[np.float32]

MOST_LUFS = -23.0
# Where a listener's level starts, below the loudest.
START_DB = -20.0
CHANNELS = 2
_TABLE_RATE_HZ = 48_000
_SHELF_B = (1.53512485958697, -2.69169618940638, 1.19839281085285)
_SHELF_A = (1.0, -1.69065929318241, 0.73248077421585)
_HIGH_PASS_B = (1.0, -2.0, 1.0)
_HIGH_PASS_A = (1.0, -1.99004745483398, 0.99007225036621)

CEILING_DBTP = -1.0
# The estimate may fall short by this much, and so may a gain that moves.
_MARGIN_DB = 0.4
_TAPS = 12
_LOOK_AHEAD = 18
DELAY_FRAMES = _LOOK_AHEAD + _TAPS // 2
_RELEASE_DB_PER_S = 60.0


def weight(hz: npt.ArrayLike) -> Floats:
    """The K-weighting of power at each frequency; frequencies above 24 kHz count as 24 kHz."""
    of_rate = np.minimum(np.asarray(hz, dtype=np.float64), _TABLE_RATE_HZ / 2) / _TABLE_RATE_HZ
    delay: npt.NDArray[np.complex128] = np.exp(-2j * np.pi * of_rate)

    def response(b: tuple[float, ...], a: tuple[float, ...]) -> npt.NDArray[np.complex128]:
        return (b[0] + delay * (b[1] + delay * b[2])) / (a[0] + delay * (a[1] + delay * a[2]))

    both = response(_SHELF_B, _SHELF_A) * response(_HIGH_PASS_B, _HIGH_PASS_A)
    power: Floats = np.abs(both) ** 2
    return power


def loudness(fundamental_hz: float, amplitudes: Floats) -> float:
    """LUFS, in both ears, of the tone Σ amplitudes[k - 1] · sin(2π k fundamental_hz t); -inf for silence."""
    harmonics = np.arange(1, len(amplitudes) + 1)
    power = CHANNELS * float(np.sum(weight(harmonics * fundamental_hz) * amplitudes**2) / 2)
    return -0.691 + 10 * math.log10(power) if power > 0 else -math.inf


def gain_of(db: float) -> float:
    """Decibels as a factor of amplitude."""
    return float(10 ** (db / 20))


def _between_samples() -> Samples:
    """Three filters, shape (_TAPS, 3): what lies a quarter, a half, three quarters of the way between two samples."""
    place = np.arange(_TAPS)[:, None] - (_TAPS // 2 - 1) - np.array([0.25, 0.5, 0.75])
    window = np.i0(6.0 * np.sqrt(np.maximum(0, 1 - (place / (_TAPS / 2)) ** 2))) / np.i0(6.0)
    taps = np.sinc(place) * window
    scaled: Samples = (taps / taps.sum(axis=0)).astype(np.float32)
    return scaled


class Limiter:
    """Takes a signal in pieces of any length and gives it back DELAY_FRAMES late."""

    def __init__(self, rate_hz: int) -> None:
        self._ceiling = gain_of(CEILING_DBTP - _MARGIN_DB)
        self._filters = _between_samples()
        # Samples below this cannot make a peak above the ceiling, not even between them.
        self._harmless = self._ceiling / float(np.abs(self._filters).sum(axis=0).max())
        self._release_db = _RELEASE_DB_PER_S / rate_hz
        self._before: Samples = np.zeros(DELAY_FRAMES, dtype=np.float32)
        self._reductions_db: Floats = np.zeros(2 * _LOOK_AHEAD)
        self._at_rest = True
        self._harmless_before = True

    def process(self, samples: Samples) -> Samples:
        """The next piece, same length, delayed."""
        frames = len(samples)
        if not frames:
            return samples
        known = np.concatenate((self._before, samples))
        self._before = known[frames:].copy()
        harmless = float(samples.max()) <= self._harmless and float(samples.min()) >= -self._harmless
        if self._at_rest and harmless and self._harmless_before:
            return known[:frames]
        self._harmless_before = bool(np.abs(self._before).max() <= self._harmless)
        reductions = np.concatenate((self._reductions_db, self._wanted_db(known[DELAY_FRAMES - _TAPS + 1 :])))
        self._reductions_db = reductions[frames:].copy()
        self._at_rest = not self._reductions_db.any()
        # The deepest reduction that is wanted soon, come to in a straight line.
        deepest = sliding_window_view(reductions, _LOOK_AHEAD + 1).max(axis=1)
        gain_db = sliding_window_view(deepest, _LOOK_AHEAD + 1).mean(axis=1)
        limited: Samples = (known[:frames] * 10 ** (gain_db / -20)).astype(np.float32)
        return limited

    def _wanted_db(self, samples: Samples) -> Floats:
        """The reduction for each interval between two samples, never let go faster than the release."""
        inside = _TAPS // 2 - 1
        around = sliding_window_view(samples, _TAPS)
        peaks = np.abs(around @ self._filters).max(axis=1)
        at = np.abs(samples)
        frames = len(peaks)
        peaks = np.maximum(peaks, np.maximum(at[inside : inside + frames], at[inside + 1 : inside + 1 + frames]))
        wanted = 20 * np.log10(np.maximum(peaks, self._ceiling) / self._ceiling)
        risen = self._release_db * np.arange(1, frames + 1)
        held = np.maximum.accumulate(np.maximum(wanted + risen, self._reductions_db[-1]))
        let_go: Floats = np.maximum(held - risen, 0.0)
        return let_go
