"""Voices: what the reed and the drones sound like, and all that the engine needs for one setting, made ready ahead.

The spectra are our own choice, made to be plausible and easy on the ear, and measured on no instrument: *practice*, a
reed on a narrow cylinder: odd harmonics strong, even ones weak until they pass the open holes above about 1.5 kHz;
*pipe*, a reed on a cone: all harmonics, brighter. A note's harmonics end below 0.45 of the sample rate, so nothing
folds back. All notes share one set of phases, so that one spectrum fades into another without its harmonics cancelling;
Schroeder's phases keep the peaks low. Amplitudes are scaled to 0 LUFS in both ears; the engine's gain brings that down.

The drones stand under the pipe chanter: two tenors an octave below low A, the bass two octaves below (Stanford bagpipe
FAQ, section 2.1; D. Keenan 2001). They stand in exact tune, so all three are one periodic sound on the bass's
fundamental, and the tenors are one.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fingering.notes import SOUNDING, scale
from fingering.table import Table
from fingerlead.sound.loudness import MOST_LUFS, START_DB, Floats, Samples, gain_of, loudness
from fingerlead.sound.tuning import Tuning

# Half a loudness unit is left for the metronome's clicks.
CLICKS_LU = 0.5
CROSSFADE_US = 1_000
TABLE_FRAMES = 8_192
MOST_HARMONICS = 180
HIGHEST_PART_OF_RATE = 0.45
# Of low A: the drones' fundamental.
FUNDAMENTAL = 1 / 4
# How loud the drones together are beside the reed: our own choice.
_BESIDE_REED = gain_of(-3.0)


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
_TENORS = Voice("tenors", 240.0, slope_db=3.0, corner_hz=1_500.0, even=0.6, even_hz=1_500.0)
_BASS = Voice("bass", 120.0, slope_db=2.0, corner_hz=1_000.0, even=0.5, even_hz=1_000.0)


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


def wave(amplitudes: Floats) -> Samples:
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
            "hz": tuning.low_a_hz * FUNDAMENTAL,
            "amplitudes": _rounded(drone_amplitudes(tuning.low_a_hz, rate_hz)),
            "mixed_gain": mixed_gain(tuning, found, rate_hz),
        },
    }


def _rounded(values: Floats) -> list[float]:
    return [round(float(value), 5) for value in values]


def drone_amplitudes(low_a_hz: float, rate_hz: int) -> Floats:
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
    drones = drone_amplitudes(tuning.low_a_hz, rate_hz)
    loudest = -np.inf
    for ratio, reed in zip(scale(tuning.scale).ratios, spectra, strict=True):
        # Both are harmonics of the drones' fundamental over the ratio's denominator.
        reed_at, drones_at = ratio.numerator * round(1 / FUNDAMENTAL), ratio.denominator
        both = np.zeros(max(len(reed) * reed_at, len(drones) * drones_at))
        both[reed_at - 1 : len(reed) * reed_at : reed_at] += reed
        both[drones_at - 1 : len(drones) * drones_at : drones_at] += drones
        loudest = max(loudest, loudness(tuning.low_a_hz * FUNDAMENTAL / drones_at, both))
    return gain_of(-loudest)


@dataclass(frozen=True, slots=True)
class VoiceSetting:
    """What can be chosen: a voice by name, its tuning, whether the drones sound."""

    voice: str
    tuning: Tuning
    drones: bool


def make_setting(voice: str = "practice", tuning: Tuning | None = None, with_drones: bool = False) -> VoiceSetting:
    """A setting; without a tuning, the voice's usual low A (ValueError for an unknown voice)."""
    return VoiceSetting(voice, tuning or Tuning(voice_named(voice).low_a_hz), with_drones)


def changed(
    now: VoiceSetting,
    voice: str | None = None,
    tuning: Tuning | None = None,
    with_drones: bool | None = None,
    false_cents: float | None = None,
) -> VoiceSetting:
    """`now` with what is given; another voice without a tuning brings its usual low A. ValueError, one sentence."""
    chosen = voice_named(now.voice if voice is None else voice)
    if tuning is None:
        tuning = now.tuning if chosen.name == now.voice else replace(now.tuning, low_a_hz=chosen.low_a_hz)
    if false_cents is not None:
        tuning = replace(tuning, false_cents=false_cents)
    return VoiceSetting(chosen.name, tuning, now.drones if with_drones is None else with_drones)


@dataclass(frozen=True, slots=True)
class Bank:
    """Pitches in cycles per frame by mask, and one period of each note (`wave`) and of the drones."""

    setting: VoiceSetting
    steps: tuple[float, ...]
    waves: tuple[Samples, ...]
    drone_step: float
    drone_wave: Samples
    mixed_gain: float

    @property
    def gains(self) -> tuple[float, float]:
        """Of the reed and of the drones."""
        return (self.mixed_gain, self.mixed_gain) if self.setting.drones else (1.0, 0.0)

    def wave_of(self, covered_mask: int) -> Samples:
        """The period of the note that a mask sounds."""
        return self.waves[SOUNDING[covered_mask]]


def make_bank(chosen: VoiceSetting, table: Table, rate_hz: int) -> Bank:
    """All that sounds in a setting; some milliseconds of work, so never done in the thread that renders."""
    tuning = chosen.tuning
    notes = spectra(chosen.voice, tuning, table, rate_hz)
    return Bank(
        chosen,
        tuple((tuning.hz(table) / rate_hz).tolist()),
        tuple(wave(amplitudes) for amplitudes in notes),
        tuning.low_a_hz * FUNDAMENTAL / rate_hz,
        wave(drone_amplitudes(tuning.low_a_hz, rate_hz)),
        mixed_gain(tuning, notes, rate_hz),
    )
