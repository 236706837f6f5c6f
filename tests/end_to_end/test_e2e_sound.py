"""The sound as it leaves the program, captured sample by sample at a real JACK server with its dummy driver."""

from __future__ import annotations

import shutil
from contextlib import ExitStack

import numpy as np
import pytest

from fingering.notes import scale
from fingering.table import standard_table
from fingerlead.ports.base import now_us
from fingerlead.ports.sound_port import list_outputs
from fingerlead.practice.sounding import Sounding, SoundSettings
from fingerlead.sound.metronome import Metronome
from tests.end_to_end.capture import JackServer, changes, taken
from tests.waiting import wait_for

TABLE = standard_table()
LOW_A, E, HIGH_A = (TABLE.standard[note] for note in (1, 5, 8))
# Low A, E and high A repeat themselves after so many frames at 48 kHz.
LOW_A_HZ, PERIOD = 240.0, 400
SOON_US = 60_000


@pytest.fixture(scope="module")
def sound_server():
    if shutil.which("jackd") is None:
        pytest.skip("needs the Debian package jackd2")
    pytest.importorskip("jack", reason="needs the PyPI package JACK-Client")
    with JackServer() as server:
        found, why = list_outputs()
        if "PortAudio" in why:
            pytest.skip("needs the Debian package libportaudio2")
        assert "sound:system" in [one.spec for one in found]
        yield server


@pytest.fixture(scope="module")
def start(sound_server):
    """Starts a sounding; all of them are closed at the end."""
    with ExitStack() as ends:

        def begin(**more):
            made = Sounding(TABLE, SoundSettings(low_a_hz=LOW_A_HZ), **more).start()
            ends.callback(made.close)
            assert made.health().state == "sounding", made.health().sentence
            return made

        yield begin


def wait_until(host_us):
    wait_for(lambda: now_us() > host_us)


def pitch_hz(samples, rate_hz, near_hz):
    """The fundamental by the phase's advance between two windowed spectra: needs no grid of frequencies."""
    step, size = 4_096, 16_384
    window = np.hanning(size)
    place = round(near_hz * size / rate_hz)
    first, second = (np.fft.rfft(samples[at : at + size] * window)[place] for at in (0, step))
    turns = np.angle(second / first) / (2 * np.pi)
    whole = round(near_hz * step / rate_hz - turns)
    return float((whole + turns) * rate_hz / step)


@pytest.fixture(scope="module")
def scale_played(start, tmp_path_factory):
    """The nine notes of one take: when each began, and the capture."""
    sounding = start()

    def play():
        began_us = []
        for mask in TABLE.standard:
            sounding.cover(mask, now_us())
            began_us.append(now_us())
            wait_until(began_us[-1] + 700_000)
        return began_us

    scale = taken(tmp_path_factory.mktemp("scale"), play)
    sounding.close()
    return scale


@pytest.mark.parametrize("note", range(9))
def test_a_captured_note_has_the_published_pitch(scale_played, note):
    began_us, captured = scale_played
    # The ratios and their source are those of fingering.scale.
    hz = LOW_A_HZ * float(scale(SoundSettings().scale).ratios[note])
    at = captured.near(began_us[note] + 150_000)
    got_hz = pitch_hz(captured.samples[at:], captured.rate_hz, hz)
    assert abs(1_200 * np.log2(got_hz / hz)) < 0.5


@pytest.fixture
def sounding(start):
    made = start()
    yield made
    made.close()


def test_states_sound_as_far_apart_as_they_arrived_to_the_sample(sounding, tmp_path):
    steps_us = (31_234, 20_001, 57_777, 25_500, 44_449)

    def play():
        sounding.cover(LOW_A, now_us())
        wait_until(now_us() + 800_000)
        # Told ahead of their time, so that being late here moves none of them.
        arrive_us = [now_us() + SOON_US]
        for step_us in steps_us:
            arrive_us.append(arrive_us[-1] + step_us)
        for mask, host_us in zip((E, HIGH_A, LOW_A, HIGH_A, E, LOW_A), arrive_us, strict=True):
            sounding.cover(mask, host_us)
        wait_until(arrive_us[-1] + 100_000)
        return arrive_us

    arrive_us, captured = taken(tmp_path, play)
    begun = changes(captured.samples, PERIOD)
    begun = begun[begun > captured.near(arrive_us[0] - 1_000)]
    assert len(begun) == 6
    apart_us = np.diff(begun) * 1e6 / captured.rate_hz
    # A frame is 21 µs; the first sample of a crossfade may be too small to see, and the clock moves by microseconds.
    assert np.abs(apart_us - steps_us).max() < 100
    # As long after their arrival as is said; the captured cycles' times are those of calls, which come a little late.
    late_us = captured.host_us(begun) - arrive_us
    assert np.abs(np.median(late_us) - sounding.health().latency_us) < 1_000


def test_a_chanter_that_goes_away_is_silent_200_ms_later(sounding, tmp_path):
    def play():
        sounding.cover(LOW_A, now_us())
        wait_until(now_us() + 300_000)
        sounding.away()
        away_us = now_us()
        wait_until(away_us + 400_000)
        return away_us

    away_us, captured = taken(tmp_path, play)
    before = captured.samples[captured.near(away_us - 100_000) : captured.near(away_us)]
    fading = captured.samples[captured.near(away_us + 80_000) : captured.near(away_us + 100_000)]
    after = captured.samples[captured.near(away_us + 215_000) :]
    assert 0 < np.abs(fading).max() < np.abs(before).max()
    assert np.abs(before).max() > 0.001
    assert not after.any()
    # No click: nowhere a step that the steady note does not have.
    around = captured.samples[captured.near(away_us - 100_000) :]
    assert np.abs(np.diff(around)).max() <= 1.1 * np.abs(np.diff(before)).max()


def test_closing_fades_instead_of_cutting_off(start, tmp_path):
    def play():
        sounding = start()
        sounding.cover(LOW_A, now_us())
        wait_until(now_us() + 600_000)
        closed_us = now_us()
        sounding.close()
        return closed_us

    closed_us, captured = taken(tmp_path, play)
    steady = captured.samples[captured.near(closed_us - 100_000) : captured.near(closed_us)]
    rest = captured.samples[captured.near(closed_us) :]
    assert np.abs(np.diff(rest)).max() <= 1.1 * np.abs(np.diff(steady)).max()
    assert not captured.samples[-captured.period :].any()


def test_beats_are_told_when_they_are_captured(sounding, tmp_path):
    def play():
        # A level at which clicks stand out, and the ramp to it over.
        sounding.set(level_db=0.0)
        wait_until(now_us() + 1_200_000)
        sounding.beats()  # those of a take before this one
        sounding.start_metronome(Metronome(bpm=240))
        wait_until(now_us() + 1_100_000)
        sounding.stop_metronome()
        wait_until(now_us() + 300_000)
        return sounding.beats()

    beats, captured = taken(tmp_path, play)
    assert [beat.beat for beat in beats] == list(range(len(beats)))
    assert 4 <= len(beats) <= 5
    sounds = np.flatnonzero(captured.samples)
    first = sounds[np.diff(sounds, prepend=-10_000) > 4_800]
    assert len(first) == len(beats)
    # To the sample of each other; the device's own delay lies between capture and air.
    told_us = np.array([beat.host_us for beat in beats])
    assert np.abs(np.diff(first) - 12_000).max() == 0
    in_air_us = captured.host_us(first) + 1_000 * sounding.health().delay_ms
    assert np.abs(np.median(in_air_us - told_us)) < 1_000


def test_a_device_that_is_pulled_out_is_told_and_sounds_again_by_itself(sound_server, start, tmp_path):
    told = []
    sounding = start(on_change=lambda: told.append(sounding.health()))
    sounding.cover(LOW_A, now_us())
    sound_server.stop()
    wait_for(lambda: told, "the loss of the device")
    assert told[0].state == "lost"
    assert told[0].sentence.startswith("The sound stopped: system: ")
    assert told[0].sentence.endswith("It goes on by itself when the output is back.")
    # A state that comes meanwhile is the one that sounds afterwards.
    sounding.cover(HIGH_A, now_us())
    sound_server.start()
    wait_for(lambda: len(told) >= 2, "the device's return")
    assert sounding.health().state == "sounding"
    assert sounding.health().sentence == ""
    began_us, captured = taken(tmp_path, lambda: (wait_until(now_us() + 700_000), now_us())[1])
    at = captured.near(began_us - 500_000)
    assert pitch_hz(captured.samples[at:], captured.rate_hz, 2 * LOW_A_HZ) == pytest.approx(2 * LOW_A_HZ, abs=0.1)
    sounding.close()
