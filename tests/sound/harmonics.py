"""How loud a note is within a sound: a measure that shares nothing with what makes the sound but the notes' pitches."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fingerlead.sound.tuning import Tuning

HARMONICS = range(1, 6)
HZ_OF = Tuning().note_hz()


def loudness_of(samples: npt.NDArray[np.float64], note: int, rate_hz: float) -> float:
    """How much of a note there is: its first harmonics in a windowed spectrum."""
    t = np.arange(len(samples)) / rate_hz
    windowed = samples * np.hanning(len(samples))
    return sum(abs(np.sum(windowed * np.exp(-2j * np.pi * n * HZ_OF[note] * t))) for n in HARMONICS)
