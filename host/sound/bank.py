"""All that the engine needs for one setting of voice, tuning and drones, made ready before it is handed over."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from fingering.notes import SOUNDING
from host.sound import drones
from host.sound.reed import spectra, voice_named, wave
from host.sound.tuning import Tuning

if TYPE_CHECKING:
    from fingering.table import Table

Wave = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Setting:
    """What can be chosen: a voice by name, its tuning, whether the drones sound."""

    voice: str
    tuning: Tuning
    drones: bool


def setting(voice: str = "practice", tuning: Tuning | None = None, with_drones: bool = False) -> Setting:
    """A setting; without a tuning, the voice's usual low A (ValueError for an unknown voice)."""
    usual_hz = voice_named(voice).low_a_hz
    return Setting(voice, tuning if tuning is not None else Tuning(usual_hz), with_drones)


def changed(
    now: Setting,
    voice: str | None = None,
    tuning: Tuning | None = None,
    with_drones: bool | None = None,
    false_cents: float | None = None,
) -> Setting:
    """`now` with what is given; another voice without a tuning brings its usual low A. ValueError, one sentence."""
    new = now.tuning if tuning is None else tuning
    if voice is not None and voice != now.voice and tuning is None:
        new = replace(new, low_a_hz=voice_named(voice).low_a_hz)
    if false_cents is not None:
        new = replace(new, false_cents=false_cents)
    chosen = now.voice if voice is None else voice_named(voice).name
    return Setting(chosen, new, now.drones if with_drones is None else with_drones)


@dataclass(frozen=True, slots=True)
class Bank:
    """Pitches in cycles per frame by mask, and one period of each note (`reed.wave`) and of the drones."""

    setting: Setting
    steps: tuple[float, ...]
    waves: tuple[Wave, ...]
    drone_step: float
    drone_wave: Wave
    mixed_gain: float

    @property
    def gains(self) -> tuple[float, float]:
        """Of the reed and of the drones."""
        return (self.mixed_gain, self.mixed_gain) if self.setting.drones else (1.0, 0.0)

    def wave_of(self, covered_mask: int) -> Wave:
        """The period of the note that a mask sounds."""
        return self.waves[SOUNDING[covered_mask]]


def bank(chosen: Setting, table: Table, rate_hz: int) -> Bank:
    """Reckon everything; some milliseconds of work, so never in the thread that renders."""
    tuning = chosen.tuning
    notes = spectra(chosen.voice, tuning, table, rate_hz)
    return Bank(
        chosen,
        tuple((tuning.hz(table) / rate_hz).tolist()),
        tuple(wave(amplitudes) for amplitudes in notes),
        tuning.low_a_hz * drones.FUNDAMENTAL / rate_hz,
        wave(drones.amplitudes(tuning.low_a_hz, rate_hz)),
        drones.mixed_gain(tuning, notes, rate_hz),
    )
