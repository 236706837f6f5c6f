"""Takes slowed down: the holes slow down, the tone does not."""

from __future__ import annotations

import io

import numpy as np
import pytest
import scipy
from hypothesis import given, settings
from hypothesis import strategies as st

from fingerlead.sound.takes import SPEEDS, render_take, wav_bytes
from fingerlead.sound.tuning import Tuning
from fingerlead.sound.voices import VOICES
from tests.sound.ears import RATE_HZ, TABLE, cents, fft_hz, true_peak_db

LOW_G, LOW_A, E = TABLE.standard[0], TABLE.standard[1], TABLE.standard[5]


@pytest.mark.parametrize("voice", VOICES)
@pytest.mark.parametrize("speed", SPEEDS)
def test_pitch_is_unchanged_by_speed_and_edges_are_spread(voice: str, speed: float) -> None:
    tuning = Tuning(VOICES[voice].low_a_hz)
    slowed = round(1 / speed)
    edges = [(7_000_000, LOW_A), (7_200_000, E), (7_215_000, LOW_G)]
    samples = render_take(edges, 7_400_000, speed, TABLE, voice, tuning)
    assert len(samples) == 19_200 * slowed
    for note, begin, end in ((1, 0, 9_600), (5, 9_600, 10_320), (0, 10_320, 19_200)):
        heard = samples[begin * slowed : end * slowed]
        inner = heard[len(heard) // 8 : -len(heard) // 8 or None]
        hz = tuning.note_hz()[note]
        # The stray of 15 ms is too short at full speed for a pitch; slowed down it is a note.
        if len(inner) * hz / RATE_HZ > 12:
            assert abs(cents(fft_hz(inner, hz), hz)) < (0.2 if len(inner) > 9_000 else 8), (note, speed)


@settings(deadline=None, max_examples=30)
@given(st.sampled_from(SPEEDS), st.lists(st.integers(1, 40_000), min_size=1, max_size=8))
def test_each_edge_is_at_the_nearest_frame(speed: float, gaps: list[int]) -> None:
    """With the same take less its last edge: they differ from that edge's frame on."""
    times = [1_000]
    for gap in gaps:
        times.append(times[-1] + gap)
    masks = [(LOW_A, LOW_G, E)[number % 3] for number in range(len(times))]
    edges = list(zip(times, masks, strict=True))
    end_us = times[-1] + 40_000
    differ = np.flatnonzero(render_take(edges, end_us, speed, TABLE) != render_take(edges[:-1], end_us, speed, TABLE))
    frame = round((times[-1] - times[0]) * RATE_HZ / (1e6 * speed))
    assert frame <= differ[0] <= frame + 2


def test_it_fades_at_both_ends() -> None:
    samples = render_take([(0, LOW_A)], 300_000, 1, TABLE)
    assert samples[0] == 0
    assert abs(samples[-1]) < 1e-3
    middle = np.abs(samples[4_800:-4_800]).max()
    assert np.abs(samples[:100]).max() < middle / 2
    assert np.abs(samples[-100:]).max() < middle / 2
    assert np.abs(np.diff(samples)).max() <= 1.05 * np.abs(np.diff(samples[4_800:-4_800])).max()


def test_hands_off_counts_by_the_playing_not_by_the_listening() -> None:
    slow = render_take([(0, LOW_A), (100_000, 0), (400_000, LOW_A)], 500_000, 0.1, TABLE)
    assert min(np.abs(part).max() for part in np.split(slow[4_800:-4_800], 10)) > 0.05
    still = render_take([(0, LOW_A), (100_000, 0)], 2_000_000, 1, TABLE)
    assert not still[-20_000:].any()


def test_thousands_of_edges_are_all_sounded() -> None:
    edges = [(500 * number, LOW_A) for number in range(9_000)]
    edges[1] = (500, E)
    edges[2:] = [(t_us, E) for t_us, _ in edges[2:]]
    samples = render_take(edges, edges[-1][0] + 10_000, 1, TABLE)
    hz = Tuning(240.0).note_hz()[5]
    assert abs(cents(fft_hz(samples[48_000:96_000], hz), hz)) < 0.1


def test_the_wav_is_read_by_others() -> None:
    samples = render_take([(0, LOW_A)], 300_000, 0.25, TABLE, "pipe", drones=True)
    rate_hz, heard = scipy.io.wavfile.read(io.BytesIO(wav_bytes(samples, 44_100)))
    assert rate_hz == 44_100
    assert heard.dtype == np.int16
    np.testing.assert_allclose(heard / 32_767, samples, atol=1 / 32_767)
    assert true_peak_db(samples) <= -1


@pytest.mark.parametrize(
    ("edges", "end_us", "speed", "sentence"),
    [
        ([], 10, 1, "expected edges in order of time and an end after the last; got 0 edges"),
        ([(5, 1), (4, 2)], 10, 1, "expected edges in order of time"),
        ([(5, 1)], 5, 1, "expected edges in order of time"),
        ([(0, 1)], 10, 0, "expected a speed from 0.01 to 1, such as 0.1 for a tenth; got 0"),
        ([(0, 1)], 10, float("nan"), "expected a speed from 0.01 to 1"),
        ([(0, 1)], 60_000_000, 0.05, "expected at most 600 seconds of sound; got 1200; try a shorter phrase"),
        ([(0, 300)], 10_000, 1, "expected a mask from 0 to 255"),
    ],
)
def test_what_makes_no_sense_is_refused(edges: list[tuple[int, int]], end_us: int, speed: float, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        render_take(edges, end_us, speed, TABLE)
