"""The spectra: band-limited, odd harmonics on the cylinder, all on the cone, and a page's voice that is complete."""

from __future__ import annotations

import json

import numpy as np
import pytest

from fingering.notes import SOUNDING
from fingerlead.sound import voices as drones
from fingerlead.sound.tuning import Tuning
from fingerlead.sound.voices import VOICES, phases, spectra, voice_json, voice_named, wave
from tests.sound.ears import RATE_HZ, TABLE, steady


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
@pytest.mark.parametrize("voice", VOICES)
def test_nothing_but_harmonics_below_the_band_edge(voice: str, rate_hz: int) -> None:
    """Whatever folded back at the sample rate, or came of reading the wave, would lie between the harmonics."""
    for note in (0, 3, 8):
        tuning = Tuning(VOICES[voice].low_a_hz)
        samples = steady(TABLE.standard[note], 1_000_000, voice, rate_hz=rate_hz)
        power = np.abs(np.fft.rfft(samples * np.blackman(len(samples)))) ** 2
        hz = np.fft.rfftfreq(len(samples), 1 / rate_hz)
        harmonic = hz / tuning.note_hz()[note]
        beside = (np.abs(harmonic - np.round(harmonic)) * tuning.note_hz()[note] > 5) | (harmonic < 0.5)
        assert 10 * np.log10(power[beside].sum() / power.sum()) < -85
        assert 10 * np.log10(power[hz > 0.451 * rate_hz].sum() / power.sum()) < -95


@pytest.mark.parametrize("rate_hz", [16_000, 48_000, 192_000])
@pytest.mark.parametrize("voice", VOICES)
def test_harmonics_end_below_the_band_edge_for_the_sharpest_mask(voice: str, rate_hz: int) -> None:
    tuning = Tuning(490.0, false_cents=100.0)
    by_mask = tuning.hz(TABLE)
    sharpest = [max(by_mask[mask] for mask in range(256) if SOUNDING[mask] == note) for note in range(9)]
    for hz, amplitudes in zip(sharpest, spectra(voice, tuning, TABLE, rate_hz), strict=True):
        assert len(amplitudes) >= 1
        assert len(amplitudes) * hz <= 0.45 * rate_hz * (1 + 1e-9)
        assert (amplitudes > 0).all()


def test_odd_harmonics_are_strong_on_the_cylinder_and_all_on_the_cone() -> None:
    practice = spectra("practice", Tuning(240.0), TABLE, RATE_HZ)[1]
    pipe = spectra("pipe", Tuning(480.0), TABLE, RATE_HZ)[1]
    assert practice[0] > 3 * practice[1]
    assert practice[2] > 2 * practice[1]
    assert practice[2] > 2 * practice[3]
    assert (np.diff(pipe[:8]) < 0).all()
    assert pipe[1] > pipe[0] / 2


def test_a_wave_is_the_sum_of_its_harmonics() -> None:
    amplitudes = np.array([1.0, 0.25, 0.0, 0.125])
    turn = np.arange(8_193) / 8_192
    plain = sum(a * np.sin(2 * np.pi * k * turn + phases(4)[k - 1]) for k, a in enumerate(amplitudes, 1))
    np.testing.assert_allclose(wave(amplitudes), plain, atol=1e-6)


@pytest.mark.parametrize("voice", VOICES)
def test_a_page_can_make_the_same_sound_from_its_voice_alone(voice: str) -> None:
    tuning = Tuning(VOICES[voice].low_a_hz)
    told = json.loads(json.dumps(voice_json(voice, tuning, TABLE)))
    assert {len(told[name]) for name in ("hz", "spectrum_of")} == {256}
    assert len(told["spectra"]) == 9
    assert told["crossfade_us"] <= 1_000
    for mask in (TABLE.standard[0], TABLE.standard[6], 0b1010_1010):
        samples = steady(mask, 60_000, voice, tuning, rate_hz=44_100).astype(np.float64)
        # The take starts its phase one frame before its first sample; its first twentieth of a second was cut off.
        turn = told["hz"][mask] / 44_100 * (44_100 // 20 + 1 + np.arange(len(samples)))
        amplitudes = told["spectra"][told["spectrum_of"][mask]]
        page = told["gain"] * sum(
            a * np.sin(2 * np.pi * k * turn + told["phases"][k - 1]) for k, a in enumerate(amplitudes, 1)
        )
        # The phase at the start is the engine's own affair, so the page's tone is fitted in time first.
        spectrum, own = (
            np.abs(np.fft.rfft(page * np.hanning(len(page)))),
            np.abs(np.fft.rfft(samples * np.hanning(len(samples)))),
        )
        np.testing.assert_allclose(spectrum, own, atol=2e-3 * own.max())


def test_drones_and_reed_together_are_never_above_the_reed_alone() -> None:
    for voice in VOICES:
        for tuning in (Tuning(220.0), Tuning(480.0, "Lenihan and MacNeill 1954")):
            gain = drones.mixed_gain(tuning, spectra(voice, tuning, TABLE, RATE_HZ), RATE_HZ)
            assert 0.5 < gain < 1


def test_an_unknown_voice_is_refused() -> None:
    with pytest.raises(ValueError, match="expected a voice, one of practice, pipe; got 'flute'"):
        voice_named("flute")
