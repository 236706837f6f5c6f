"""No clicks: a change makes no step that a steady tone does not have, and little sound above the chanter's own."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingerlead.sound.engine import Engine
from fingerlead.sound.tuning import Tuning
from fingerlead.sound.voices import VOICES, wave
from tests.sound.ears import RATE_HZ, TABLE, steady

# A change may make a step this many times the largest that a steady standard note of the voice has. The crossing of two
# waves adds a 48th of the difference between them.
MARGIN = 1.1
# Changes nearer than a crossing (1 ms), faster than a chanter scans, leave a blend behind; its older part jumps.
HURRIED_MARGIN = 2.0


def steepest(samples: np.ndarray) -> float:
    return float(np.abs(np.diff(samples)).max())


STEADY_STEP = {voice: max(steepest(steady(mask, 50_000, voice)) for mask in TABLE.standard) for voice in VOICES}


@settings(deadline=None, max_examples=60)
@given(
    st.sampled_from(list(VOICES)),
    st.lists(st.tuples(st.integers(1, 255), st.integers(48, 3_000)), min_size=2, max_size=12),
    st.booleans(),
)
def test_no_step_is_larger_than_a_steady_tone_has(voice: str, changes: list[tuple[int, int]], hurried: bool) -> None:
    """Every mask to every mask; fades at the ends too. Hurried: as near as one frame to each other."""
    engine = Engine(RATE_HZ, TABLE, voice)
    engine.start_at_level(0)
    frame = 100
    for mask, after in changes:
        engine.cover(mask, frame)
        frame += after // 48 if hurried else after
    engine.cover(None, frame)
    limit = (HURRIED_MARGIN if hurried else MARGIN) * STEADY_STEP[voice]
    assert steepest(engine.render(frame + 12_000)) <= limit


@settings(deadline=None, max_examples=25)
@given(st.booleans(), st.integers(1, 255), st.integers(0, 1_000), st.sampled_from(["voice", "tuning", "drones"]))
def test_another_voice_or_tuning_makes_no_step_either(drones: bool, mask: int, frames: int, what: str) -> None:
    engine = Engine(RATE_HZ, TABLE, "pipe", drones=drones)
    engine.start_at_level(0)
    engine.cover(mask, 0)
    before = engine.render(2_400 + frames)
    if what == "voice":
        engine.set(voice="practice", tuning=Tuning(300.0))
    elif what == "tuning":
        engine.set(tuning=Tuning(430.0, "Lenihan and MacNeill 1954"))
    else:
        engine.set(drones=not drones)
    after = engine.render(14_400)
    limit = MARGIN * max(steepest(before[600:]), steepest(after[12_000:]))
    assert steepest(np.concatenate((before, after))) <= limit


def high_part_db(samples: np.ndarray, at: int) -> float:
    """What lies above 12 kHz in the 10 ms around a change, beside all that sounds there, in dB."""
    around = samples[at - 240 : at + 240].astype(np.float64)
    power = np.abs(np.fft.rfft(around * np.blackman(len(around)))) ** 2
    hz = np.fft.rfftfreq(len(around), 1 / RATE_HZ)
    return float(10 * np.log10(power[hz > 12_000].sum() / power.sum()))


PAIRS = [(a, b) for a in range(9) for b in range(9) if a != b]


@pytest.mark.parametrize("voice", VOICES)
def test_a_change_sounds_little_above_the_voice(voice: str) -> None:
    """All 72 changes: at most 3 dB more above 12 kHz than the brighter of the two notes has there anyway.

    Beside it the same changes cut hard, at another phase, which this would catch.
    """
    worst, hard = [], []
    for a, b in PAIRS:
        engine = Engine(RATE_HZ, TABLE, voice)
        engine.start_at_level(0)
        engine.cover(TABLE.standard[a], 0)
        engine.cover(TABLE.standard[b], 4_801)
        samples = engine.render(9_600)
        own = max(high_part_db(samples, 3_600), high_part_db(samples, 8_400))
        worst.append(high_part_db(samples, 4_801) - own)
        cut = np.concatenate((samples[:4_801], samples[-2_341:]))
        hard.append(high_part_db(cut, 4_801) - own)
    assert max(worst) < 3
    assert max(hard) > 6


def test_the_spectrum_has_crossed_over_within_a_millisecond() -> None:
    """48 frames after the change the new note's wave alone sounds: it repeats itself from there on."""
    engine = Engine(RATE_HZ, TABLE, "practice", Tuning(240.0))
    engine.start_at_level(0)
    engine.cover(TABLE.standard[8], 0)
    engine.cover(TABLE.standard[1], 4_800)
    samples = engine.render(9_600)[4_848:]
    # Low A at 240 Hz is 200 frames at this rate.
    np.testing.assert_allclose(samples[:2_000], samples[200:2_200], atol=1e-4)
    assert not np.allclose(wave(np.array([1.0])), 0)
