"""What the tests hear with: steady notes, a pitch by FFT, loudness and true peak by outside libraries."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import scipy

from fingering.table import standard_table
from fingerlead.sound.takes import render_take
from fingerlead.sound.tuning import Tuning

TABLE = standard_table()
RATE_HZ = 48_000
Samples = npt.NDArray[np.float32]


def steady(
    covered_mask: int, us: int, voice: str, tuning: Tuning | None = None, drones: bool = False, rate_hz: int = RATE_HZ
) -> Samples:
    """A mask that sounds on, without its start and end."""
    edge = rate_hz // 20
    whole = render_take([(0, covered_mask)], us + 100_000, 1, TABLE, voice, tuning, drones, rate_hz)
    return whole[edge : len(whole) - edge]


def fft_hz(samples: Samples, near_hz: float, rate_hz: int = RATE_HZ) -> float:
    """The fundamental, from the strongest of harmonics 1 to 8 near multiples of `near_hz`, to within 60 cents of it.

    A Gaussian window makes a peak a parabola on a log scale, so that three bins give its place exactly.
    """
    count = len(samples)
    window = np.exp(-0.5 * ((np.arange(count) - (count - 1) / 2) / (count / 10)) ** 2)
    power = np.log(np.abs(np.fft.rfft(samples * window, 4 * count)) + 1e-30)
    best = (-np.inf, 0.0)
    for harmonic in range(1, 9):
        low, high = (int(near_hz * harmonic * 2 ** (cents / 1200) * 4 * count / rate_hz) for cents in (-60, 60))
        if high + 1 >= len(power):
            break
        top = low + int(np.argmax(power[low : high + 1]))
        left, middle, right = power[top - 1 : top + 2]
        place = top + (left - right) / (2 * (left - 2 * middle + right))
        best = max(best, (float(middle), place * rate_hz / (4 * count) / harmonic))
    return best[1]


def cents(hz: float, from_hz: float) -> float:
    return float(1200 * np.log2(hz / from_hz))


def lufs(samples: Samples, rate_hz: int = RATE_HZ) -> float:
    """ITU-R BS.1770 integrated loudness as pyloudnorm has it, with the one channel in both ears."""
    import pyloudnorm  # dear, and every worker imports this module

    return float(pyloudnorm.Meter(rate_hz).integrated_loudness(np.stack([samples, samples], axis=1)))


def true_peak_db(samples: Samples) -> float:
    """dBTP by eightfold oversampling with scipy's own filter, twice as fine as BS.1770 asks for.

    Where the samples are cut off the filter would ring: 16 at either end are only listened to as they are.
    """
    between = scipy.signal.resample_poly(samples.astype(np.float64), 8, 1)[128:-128]
    peak = max(np.abs(between).max(), np.abs(samples).max())
    return float(20 * np.log10(peak + 1e-12))
