"""The metronome: clicks on the grid of samples, exact and without drift."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingerlead.sound.engine import AHEAD_FRAMES, Engine
from fingerlead.sound.metronome import Metronome
from tests.sound.ears import RATE_HZ, TABLE

TEMPI = st.integers(20, 240) | st.fractions(20, 240, max_denominator=1_000)


def beating(metronome: Metronome, at_frame: int | None) -> Engine:
    engine = Engine(RATE_HZ, TABLE)
    engine.start_at_level(0)
    engine.start_metronome(metronome, at_frame)
    return engine


def onsets(samples: np.ndarray) -> list[int]:
    """The first sample of every sound that follows upon at least a hundred samples of silence."""
    sounding = np.flatnonzero(samples)
    return [int(frame) for frame, before in zip(sounding, [-200, *sounding], strict=False) if frame - before > 100]


@pytest.mark.slow
@settings(deadline=None, max_examples=25)
@given(TEMPI, st.integers(1, 7), st.integers(1, 4), st.integers(0, 2), st.integers(30, 5_000), st.integers(32, 500))
def test_every_click_is_heard_at_its_very_sample(
    bpm: int | Fraction, beats: int, subdivision: int, count_in: int, at_frame: int, block: int
) -> None:
    engine = beating(Metronome(bpm, beats, subdivision, count_in_bars=count_in), at_frame)
    samples = np.concatenate([engine.render(block) for _ in range(6 * RATE_HZ // block)])
    expected = []
    for part in range(count_in * beats * subdivision):
        if part % subdivision == 0:
            expected.append(part)
    expected += range(count_in * beats * subdivision, 10_000)
    # The grid said once more, in exact fractions: the nearest sample to each subdivision.
    frames = [at_frame + round(Fraction(60 * RATE_HZ * part) / (Fraction(bpm) * subdivision)) for part in expected]
    assert onsets(samples) == [frame for frame in frames if frame < len(samples)]


@given(TEMPI, st.integers(1, 4), st.integers(0, 3), st.integers(0, 10_000_000), st.sampled_from([44_100, 48_000]))
def test_never_a_sample_off_after_any_time(
    bpm: int | Fraction, subdivision: int, count_in: int, number: int, rate_hz: int
) -> None:
    metronome = Metronome(bpm, 4, subdivision, count_in_bars=count_in)
    tick = metronome.tick(number, rate_hz)
    before = count_in * 4
    parts = number * subdivision if number < before else number - before + before * subdivision
    exact = Fraction(60 * rate_hz * parts) / (Fraction(bpm) * subdivision)
    assert abs(tick.after_frames - exact) <= Fraction(1, 2)


@pytest.mark.slow
def test_ten_minutes_rendered_do_not_drift() -> None:
    """At 97 a minute a beat is 29 690.72… samples: rounded once and added up it would be 272 samples off by then."""
    engine = beating(Metronome(97), 480)
    for _ in range(600):
        engine.render(RATE_HZ)
    for click in engine.clicks:
        assert click.frame == 480 + round(Fraction(60 * RATE_HZ, 97) * click.beat)
    assert engine.clicks[-1].beat == 969


def test_clicks_tell_beats_accents_and_the_count_in() -> None:
    engine = beating(Metronome(120, 3, 2, accents=(0, 2), count_in_bars=1), 100)
    engine.render(4 * RATE_HZ)
    assert engine.clicks == [(100 + 24_000 * number, number - 3, number % 3 != 1) for number in range(8)]


def test_accents_are_louder_and_subdivisions_softer() -> None:
    samples = beating(Metronome(60, 2, 2), 100).render(2 * RATE_HZ)
    accent, between, beat = (np.abs(samples[100 + 24_000 * part :][:2_000]).max() for part in range(3))
    assert accent > 1.2 * beat > 2 * between


def test_it_starts_at_once_stops_and_gives_way() -> None:
    engine = beating(Metronome(60), None)
    assert onsets(engine.render(1_000)) == [AHEAD_FRAMES]
    engine.start_metronome(Metronome(240), 5_000)
    engine.render(4_000)
    assert onsets(engine.render(20_000)) == [0, 12_000]
    engine.stop_metronome()
    engine.render(4_000)
    assert not engine.render(2 * RATE_HZ).any()


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"bpm": 0}, "expected 20 to 240 beats per minute; got 0"),
        ({"bpm": float("nan")}, "expected 20 to 240 beats per minute; got nan"),
        ({"bpm": "fast"}, "expected 20 to 240 beats per minute; got 'fast'"),
        ({"beats": 0}, "expected 1 to 16 beats in a bar; got 0"),
        ({"beats": 2.5}, "expected 1 to 16 beats in a bar; got 2.5"),
        ({"subdivision": 5}, "expected 1 to 4 clicks in a beat; got 5"),
        ({"count_in_bars": -1}, "expected 0 to 4 bars of count-in; got -1"),
        ({"accents": (4,)}, "expected accents from 0 to 3, counted in the bar; got 4"),
    ],
)
def test_what_makes_no_sense_is_refused(wrong: dict[str, object], sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        Metronome(**wrong)  # type: ignore[arg-type]
