"""The voices: which harmonics a note of the practice chanter or the pipe chanter has, and how strong they are.

The spectra are our own choice, made to be plausible and easy on the ear, and measured on no instrument:
*practice*, a reed on a narrow cylinder: odd harmonics strong, even ones weak until they pass the open holes above about
1.5 kHz; *pipe*, a reed on a cone: all harmonics, brighter. The drones stand in `drones`.

A note's harmonics end below 0.45 of the sample rate, so nothing folds back. All notes share one set of phases, so that
one spectrum fades into another without its harmonics cancelling; Schroeder's phases keep the peaks low.
Amplitudes are scaled to 0 LUFS in both ears (`loudness`); the engine's gain brings that down.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from fingering.notes import SOUNDING
from host.sound.loudness import MOST_LUFS, START_DB, gain_of, loudness

if TYPE_CHECKING:
    from fingering.table import Table
    from host.sound.tuning import Tuning

Floats = npt.NDArray[np.float64]

# Half a loudness unit is left for the metronome's clicks.
CLICKS_LU = 0.5
CROSSFADE_US = 1_000
TABLE_FRAMES = 8_192
MOST_HARMONICS = 180
HIGHEST_PART_OF_RATE = 0.45


@dataclass(frozen=True, slots=True)
class Voice:
    """A reed on a bore. Harmonics fall by `slope` per doubling up to `corner_hz`, and by 12 dB more above it.

    Even harmonics are weaker by `even` (1 = not at all) up to `even_hz`, from where on the holes let them out.
    """

    name: str
    low_a_hz: float
    slope_db: float
    corner_hz: float
    even: float
    even_hz: float

    def amplitudes(self, hz: float, rate_hz: int) -> Floats:
        """Of harmonics 1, 2, …, scaled to 0 LUFS in both ears. At least one, at most MOST_HARMONICS."""
        harmonic = np.arange(1, 1 + max(1, min(MOST_HARMONICS, int(HIGHEST_PART_OF_RATE * rate_hz / hz))))
        part_hz = harmonic * hz
        strength = gain_of(-self.slope_db) ** np.log2(harmonic) / np.sqrt(1 + (part_hz / self.corner_hz) ** 4)
        through = 1 / (1 + (part_hz / self.even_hz) ** 4)
        strength[1::2] *= (self.even * through + (1 - through))[1::2]
        return at_zero_lufs(hz, strength)


VOICES = {
    "practice": Voice("practice", 240.0, slope_db=2.0, corner_hz=2_000.0, even=0.2, even_hz=1_500.0),
    "pipe": Voice("pipe", 480.0, slope_db=1.5, corner_hz=3_000.0, even=1.0, even_hz=1_500.0),
}


def voice_named(name: str) -> Voice:
    """A voice by its name; ValueError says which there are."""
    if name not in VOICES:
        raise ValueError(f"expected a voice, one of {', '.join(VOICES)}; got {name!r}")
    return VOICES[name]


def at_zero_lufs(hz: float, amplitudes: Floats) -> Floats:
    """The same spectrum at 0 LUFS in both ears."""
    return amplitudes * gain_of(-loudness(hz, amplitudes))


def phases(harmonics: int) -> Floats:
    """Schroeder's phases in radians for harmonics 1, 2, …: the same for every note."""
    harmonic = np.arange(1, harmonics + 1)
    return np.pi * harmonic * (harmonic - 1) / 64


def spectra(voice: str, tuning: Tuning, table: Table, rate_hz: int) -> list[Floats]:
    """Amplitudes for each of the nine notes, ending where the note's sharpest mask has to end."""
    hz = tuning.hz(table)
    shape = voice_named(voice)
    sounding = np.frombuffer(SOUNDING, dtype=np.uint8)
    found = []
    for note, note_hz in enumerate(tuning.note_hz()):
        kept = int(HIGHEST_PART_OF_RATE * rate_hz / hz[sounding == note].max())
        found.append(at_zero_lufs(note_hz, shape.amplitudes(note_hz, rate_hz)[: max(1, kept)]))
    return found


def wave(amplitudes: Floats) -> npt.NDArray[np.float32]:
    """One period as TABLE_FRAMES + 1 samples, the last the same as the first."""
    parts = np.zeros(TABLE_FRAMES // 2 + 1, dtype=np.complex128)
    parts[1 : len(amplitudes) + 1] = amplitudes * np.exp(1j * (phases(len(amplitudes)) - np.pi / 2))
    period = np.fft.irfft(parts * (TABLE_FRAMES / 2), TABLE_FRAMES)
    return np.append(period, period[0]).astype(np.float32)


def voice_json(
    voice: str, tuning: Tuning, table: Table, rate_hz: int = 44_100, level_lufs: float = MOST_LUFS
) -> dict[str, Any]:
    """A voice for a page that sounds by itself: all it needs to make one sample after another.

    A sample is gain · Σ spectra[spectrum_of[mask]][k - 1] · sin(2π k phase + phases[k - 1]), phase grows by
    hz[mask] / rate. `gain` is the loudest that is allowed by default; `start_db` (below it) is where to start.
    Harmonics end for `rate_hz` or more; a slower page leaves out those above 0.45 of its rate.
    `drones` are one more such spectrum on `hz`, and `mixed_gain` the factor for reed and drones while both sound.
    """
    from host.sound import drones  # which are made of voices

    found = spectra(voice, tuning, table, rate_hz)
    return {
        "voice": voice,
        "hz": [round(float(hz), 6) for hz in tuning.hz(table)],
        "spectra": [_rounded(amplitudes) for amplitudes in found],
        "spectrum_of": list(SOUNDING),
        "phases": _rounded(phases(MOST_HARMONICS) % (2 * np.pi)),
        "crossfade_us": CROSSFADE_US,
        "gain": gain_of(level_lufs - CLICKS_LU),
        "start_db": START_DB,
        "drones": {
            "hz": tuning.low_a_hz * drones.FUNDAMENTAL,
            "amplitudes": _rounded(drones.amplitudes(tuning.low_a_hz, rate_hz)),
            "mixed_gain": drones.mixed_gain(tuning, found, rate_hz),
        },
    }


def _rounded(values: Floats) -> list[float]:
    return [round(float(value), 5) for value in values]
