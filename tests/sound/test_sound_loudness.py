"""Loudness against pyloudnorm (ITU-R BS.1770), true peaks against scipy's resampling: in the file, not at the ear."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from fingerlead.sound.engine import Engine
from fingerlead.sound.loudness import DELAY_FRAMES, START_DB, Limiter, loudness
from fingerlead.sound.metronome import Metronome
from fingerlead.sound.tuning import Tuning
from fingerlead.sound.voices import VOICES
from tests.sound.ears import RATE_HZ, TABLE, lufs, steady, true_peak_db


@pytest.mark.parametrize("voice", VOICES)
@pytest.mark.parametrize("note", range(9))
def test_every_note_is_within_half_a_unit_below_minus_23(voice: str, note: int) -> None:
    assert -23.6 < lufs(steady(TABLE.standard[note], 1_500_000, voice)) <= -23.4


@pytest.mark.parametrize("low_a_hz", [220.0, 490.0])
@pytest.mark.parametrize("voice", VOICES)
def test_at_any_low_a_and_rate(voice: str, low_a_hz: float) -> None:
    for rate_hz in (44_100, 48_000):
        samples = steady(TABLE.standard[4], 1_000_000, voice, Tuning(low_a_hz), rate_hz=rate_hz)
        assert -23.7 < lufs(samples, rate_hz) <= -23.3


@settings(deadline=None, max_examples=20)
@given(st.floats(30, 8_000), st.lists(st.floats(0.001, 1), min_size=1, max_size=4))
def test_calculated_loudness_is_what_pyloudnorm_measures(hz: float, amplitudes: list[float]) -> None:
    amplitudes = [a for k, a in enumerate(amplitudes, 1) if k * hz < 20_000]
    seconds = np.arange(RATE_HZ) / RATE_HZ
    tone = sum(a * np.sin(2 * np.pi * k * hz * seconds) for k, a in enumerate(amplitudes, 1))
    assert abs(loudness(hz, np.array(amplitudes)) - lufs(np.asarray(tone, dtype=np.float32))) < 0.2


@pytest.mark.parametrize("voice", VOICES)
@pytest.mark.parametrize("start_us", [0, 1_234, 3_333])
def test_with_drones_no_note_is_above_minus_23(voice: str, start_us: int) -> None:
    """Just harmonics fall upon each other: the sum depends on how the phases stand when the note comes."""
    for note in range(9):
        engine = Engine(RATE_HZ, TABLE, voice, drones=True)
        engine.start_at_level(0)
        engine.cover(TABLE.standard[2], 0)
        engine.cover(TABLE.standard[note], 480 + start_us * RATE_HZ // 1_000_000)
        assert -26 < lufs(engine.render(60_000)[2_400:]) <= -23.4


@pytest.mark.parametrize("metronome", [Metronome(60), Metronome(240, 1, 4), Metronome(240, 4, 4), Metronome(120)])
@pytest.mark.parametrize("voice", VOICES)
def test_everything_on_is_at_most_minus_23(voice: str, metronome: Metronome) -> None:
    for with_drones in (False, True):
        engine = Engine(RATE_HZ, TABLE, voice, drones=with_drones)
        engine.start_at_level(0)
        engine.cover(TABLE.standard[1], 0)
        engine.start_metronome(metronome)
        assert lufs(engine.render(6 * RATE_HZ)) <= -23.0


def test_it_starts_quiet_and_rises_only_when_told() -> None:
    engine = Engine(RATE_HZ, TABLE)
    engine.cover(TABLE.standard[1], 0)
    engine.render(RATE_HZ)
    quiet = lufs(engine.render(20 * RATE_HZ))
    assert abs(quiet - (-23.5 + START_DB)) < 0.1
    engine.level(0)
    rising = engine.render(2 * RATE_HZ)
    assert abs(lufs(engine.render(RATE_HZ)) - -23.5) < 0.1
    # Smoothly: no tenth of a second is more than 3 dB above the one before.
    parts = 20 * np.log10([np.sqrt(np.mean(part**2)) for part in np.split(rising, 20)])
    assert (np.diff(parts) < 3).all()


def test_never_above_the_default_and_never_more_than_is_kind() -> None:
    engine = Engine(RATE_HZ, TABLE)
    engine.level(40)
    assert engine.level_db == 0
    with pytest.raises(ValueError, match=r"expected a loudness of at most -12 LUFS; got 0; -23 is kind to the ears"):
        Engine(RATE_HZ, TABLE, level_lufs=0)
    with pytest.raises(ValueError, match="expected a level in decibels, -60 to 0; got nan"):
        engine.level(float("nan"))


@pytest.mark.parametrize("voice", VOICES)
def test_true_peaks_with_everything_on_at_the_highest_level_there_is(voice: str) -> None:
    engine = Engine(RATE_HZ, TABLE, voice, level_lufs=-12.0, drones=True)
    engine.start_at_level(0)
    engine.start_metronome(Metronome(240, 2, 4, accents=(0, 1)))
    random = np.random.default_rng(4)
    for frame in range(0, 4 * RATE_HZ, 997):
        engine.cover(int(random.integers(1, 256)), frame)
    assert true_peak_db(engine.render(4 * RATE_HZ)) <= -1.0


LOUD = hnp.arrays(np.float32, 40, elements=st.floats(-4, 4, width=32))


@settings(deadline=None, max_examples=60)
@given(LOUD, st.integers(3, 40))
def test_whatever_comes_in_the_true_peak_stays_below(noise: np.ndarray, every: int) -> None:
    """Any band-limited signal: random points, 60 dB down above 0.45 of the rate as all that the engine makes."""
    from scipy.signal import firwin, lfilter

    points = np.zeros(len(noise) * every)
    points[::every] = noise * every**0.5
    samples = lfilter(firwin(129, 0.84), 1.0, np.pad(points, (0, 400))).astype(np.float32)
    limited = Limiter(RATE_HZ).process(samples)
    assert true_peak_db(limited) <= -1.0


@pytest.mark.parametrize("hz", [997.0, 5_999.0, 12_000.0, 15_999.0, 20_000.0])
def test_peaks_between_samples_are_seen(hz: float) -> None:
    """A sine at a quarter of the rate, 45° off, has true peaks 3 dB above its samples."""
    turn = 2 * np.pi * hz * np.arange(9_600) / RATE_HZ + np.pi / 4
    swell = np.minimum(1, np.arange(9_600) / 2_400)
    samples = (1.9 * swell * np.sin(turn)).astype(np.float32)
    assert true_peak_db(samples) > 5
    limited = Limiter(RATE_HZ).process(samples)
    assert -2.5 < true_peak_db(limited[4_800:]) <= -1.0


@settings(deadline=None)
@given(hnp.arrays(np.float32, 300, elements=st.floats(-0.4375, 0.4375, width=32)))
def test_what_is_below_the_ceiling_is_not_touched(samples: np.ndarray) -> None:
    limited = Limiter(RATE_HZ).process(np.pad(samples, (0, DELAY_FRAMES)))
    np.testing.assert_array_equal(limited[DELAY_FRAMES:], samples)


@settings(deadline=None)
@given(hnp.arrays(np.float32, 300, elements=st.floats(-3, 3, width=32)), st.lists(st.integers(0, 300), max_size=8))
def test_pieces_of_any_length_are_limited_alike(samples: np.ndarray, cuts: list[int]) -> None:
    limiter = Limiter(RATE_HZ)
    pieces = [limiter.process(piece) for piece in np.split(samples, sorted(cuts))]
    np.testing.assert_allclose(np.concatenate(pieces), Limiter(RATE_HZ).process(samples), atol=1e-6)
