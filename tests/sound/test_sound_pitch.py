"""Pitch of rendered sound against published ratios, by FFT and, as a second method, librosa's yin and pyin."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.notes import SOUNDING
from fingerlead.sound.tuning import Tuning
from fingerlead.sound.voices import VOICES
from tests.sound.ears import RATE_HZ, TABLE, cents, fft_hz, steady

# Copied from the papers, not taken from the program. "harmonic": E. Macpherson 1998, "The Pitch and Scale of the Great
# Highland Bagpipe"; the other: Lenihan & MacNeill, Acustica 4 (1954), low G an octave below high G.
PUBLISHED = {
    "harmonic": "7/8 1 9/8 5/4 4/3 3/2 5/3 7/4 2",
    "Lenihan and MacNeill 1954": "9/10 1 9/8 5/4 27/20 3/2 5/3 9/5 2",
}
NOTES = [
    (voice, low_a_hz, scale, note, low_a_hz * float(Fraction(ratio)))
    for voice, low_a_hz in (("practice", 240.0), ("practice", 233.08), ("pipe", 480.0), ("pipe", 466.16))
    for scale, ratios in PUBLISHED.items()
    for note, ratio in enumerate(ratios.split())
]


@pytest.mark.parametrize(("voice", "low_a_hz", "scale", "note", "hz"), NOTES)
def test_every_note_is_the_published_ratio_by_fft(
    voice: str, low_a_hz: float, scale: str, note: int, hz: float
) -> None:
    heard = fft_hz(steady(TABLE.standard[note], 500_000, voice, Tuning(low_a_hz, scale)), hz)
    assert abs(cents(heard, hz)) < 0.1


@pytest.mark.slow  # librosa compiles itself at its first use on a machine
@pytest.mark.parametrize(("voice", "low_a_hz", "scale", "note", "hz"), NOTES[::2])
def test_every_note_is_the_published_ratio_by_librosa(
    voice: str, low_a_hz: float, scale: str, note: int, hz: float
) -> None:
    """yin's parabola costs up to half a cent at these pitches; pyin reads on a grid of one cent, laid from A 440."""
    import librosa

    samples = steady(TABLE.standard[note], 400_000, voice, Tuning(low_a_hz, scale)).astype(np.float64)
    below_hz = 440 * 2 ** (np.floor(12 * np.log2(hz / 440) - 1) / 12)
    span = {"fmin": below_hz, "fmax": below_hz * 2 ** (3 / 12), "sr": RATE_HZ, "frame_length": 4_096}
    by_yin = np.median(librosa.yin(samples, **span))
    by_pyin = np.nanmedian(librosa.pyin(samples, resolution=0.01, max_transition_rate=2.0, **span)[0])
    assert abs(cents(by_yin, hz)) < 1
    assert abs(cents(by_pyin, hz)) < 1


@pytest.mark.slow
@pytest.mark.parametrize("voice", VOICES)
def test_all_256_masks_sound_and_false_ones_are_off(voice: str) -> None:
    """Mask 0 too, for the second until it counts as hands off."""
    tuning = Tuning(VOICES[voice].low_a_hz, false_cents=-35.0)
    seen = set()
    for mask in range(256):
        hz = tuning.note_hz()[SOUNDING[mask]]
        samples = steady(mask, 150_000, voice, tuning) if mask else after_low_g(voice, tuning)
        assert np.sqrt(np.mean(samples**2)) > 0.01
        off = cents(fft_hz(samples, hz * 2 ** (-17 / 1200)), hz)
        fingering = TABLE.verdict(mask).fingering
        seen.add(fingering)
        assert abs(off - (-35.0 if fingering == "false" else 0.0)) < 0.5, mask
    assert {"standard", "grace", "false"} <= seen


def after_low_g(voice: str, tuning: Tuning) -> np.ndarray:
    from fingerlead.sound.takes import render_take

    return render_take([(0, 255), (50_000, 0)], 250_000, 1, TABLE, voice, tuning)[4_800:9_600]


@settings(deadline=None, max_examples=15)
@given(st.sampled_from(list(VOICES)), st.integers(1, 255), st.floats(220, 490), st.floats(-100, 100))
def test_any_low_a_and_any_false_cents(voice: str, mask: int, low_a_hz: float, false_cents: float) -> None:
    tuning = Tuning(low_a_hz, false_cents=false_cents)
    off = false_cents if TABLE.verdict(mask).fingering == "false" else 0.0
    hz = Tuning(low_a_hz).note_hz()[SOUNDING[mask]] * 2 ** (off / 1200)
    assert abs(cents(fft_hz(steady(mask, 150_000, voice, tuning), hz), hz)) < 0.5


@pytest.mark.parametrize("rate_hz", [16_000, 44_100, 96_000])
def test_the_pitch_is_the_same_at_any_rate(rate_hz: int) -> None:
    heard = fft_hz(steady(TABLE.standard[5], 500_000, "pipe", rate_hz=rate_hz), 720, rate_hz)
    assert abs(cents(heard, 720)) < 0.1


def test_drones_stand_one_and_two_octaves_below_low_a() -> None:
    """Ratios 1/2 and 1/4: Stanford bagpipe FAQ, section 2.1."""
    samples = steady(TABLE.standard[8], 1_000_000, "pipe", drones=True) - 0
    without = steady(TABLE.standard[8], 1_000_000, "pipe", drones=False)
    for hz in (120.0, 240.0):
        place = round(hz * len(samples) / RATE_HZ)
        level = [np.abs(np.fft.rfft(each * np.hanning(len(each))))[place] for each in (samples, without)]
        assert level[0] > 100 * level[1]
        assert abs(cents(fft_hz(samples, hz), hz)) < 0.1
