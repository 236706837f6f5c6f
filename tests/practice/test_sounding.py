from __future__ import annotations

import pickle
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.table import standard_table
from fingerlead.ports.sound_device import SoundRefused
from fingerlead.ports.sound_port import Beat, SoundHealth
from fingerlead.practice.sounding import SWITCH_US, Sounding, SoundSettings
from fingerlead.sound.engine import AHEAD_FRAMES
from fingerlead.sound.metronome import Metronome

TABLE = standard_table()


class Out:
    """An output that writes down what it is told."""

    def __init__(self, make_engine, device=None, ahead_frames=0, on_change=None):
        self.make_engine, self.device, self.ahead_frames, self.on_change = make_engine, device, ahead_frames, on_change
        self.told, self.closed = [], 0
        self.says = SoundHealth("sounding", device or "Speakers", 2, 3.0, "", 4_000)

    def start(self):
        return self

    def close(self):
        self.closed += 1

    def cover(self, covered_mask, host_us):
        self.told.append(("cover", covered_mask, host_us))

    def tell(self, method, *arguments):
        self.told.append((method, *arguments))

    def beats(self):
        return [Beat(1_000_000, 0, True), Beat(2_000_000, 1, False)]

    def health(self):
        return self.says


class Nothing(Out):
    def start(self):
        raise SoundRefused("", "there is no sound output at all", "plug in headphones")


@pytest.fixture
def made():
    """A Sounding that has started, and the outputs it opened."""
    opened = []

    def open_out(*arguments, **named):
        opened.append(Out(*arguments, **named))
        return opened[-1]

    sounding = Sounding(TABLE, open_out=open_out).start()
    yield sounding, opened
    sounding.close()


def test_states_go_through_at_once_and_only_when_they_differ(made):
    sounding, [out] = made
    for mask, host_us in ((127, 10), (127, 20), (255, 30), (255, 40), (127, 50)):
        sounding.cover(mask, host_us)
    assert out.told == [("cover", 127, 10), ("cover", 255, 30), ("cover", 127, 50)]


def test_a_chanter_that_goes_away_falls_silent_and_the_same_state_sounds_when_it_is_back(made):
    sounding, [out] = made
    sounding.cover(127, 10)
    sounding.away()
    sounding.cover(127, 30)
    assert [(what, mask) for what, mask, _ in out.told] == [("cover", 127), ("cover", None), ("cover", 127)]


def test_the_engine_hears_ahead_and_can_go_to_another_process(made):
    sounding, [out] = made
    assert out.ahead_frames == AHEAD_FRAMES
    engine = pickle.loads(pickle.dumps(out.make_engine))(48_000)
    assert (engine.setting.voice, engine.setting.tuning) == ("practice", sounding.settings.tuning())


CHANGES = st.lists(
    st.fixed_dictionaries(
        {},
        optional={
            "voice": st.sampled_from(["practice", "pipe"]),
            "low_a_hz": st.floats(220, 490),
            "false_cents": st.floats(-100, 100),
            "drones": st.booleans(),
            "level_db": st.floats(-60, 0),
        },
    ),
    max_size=4,
)


@given(CHANGES)
def test_an_engine_that_was_told_is_the_same_as_one_made_anew(changes):
    """What a lost output is replaced by sounds as the lost one did."""
    sounding = Sounding(TABLE, open_out=Out).start()
    out = sounding._out
    told = out.make_engine(48_000)
    for change in changes:
        sounding.set(**change)
    for method, *arguments in out.told:
        getattr(told, method)(*arguments)
    anew = out.make_engine(48_000)
    for name in ("setting", "level_db"):
        assert getattr(told, name) == getattr(anew, name)
    sounding.close()


def test_another_voice_brings_its_usual_low_a_unless_one_comes_too(made):
    sounding, _ = made
    sounding.set(low_a_hz=250.0)
    sounding.set(voice="pipe")
    assert sounding.settings.tuning().low_a_hz > 400
    sounding.set(voice="practice", low_a_hz=245.0)
    assert sounding.settings.tuning().low_a_hz == 245


@pytest.mark.parametrize(
    "change",
    [
        {"voice": "trumpet"},
        {"voice": ["pipe"]},
        {"scale": {}},
        {"low_a_hz": 1_000.0},
        {"low_a_hz": float("nan")},
        {"scale": "none such"},
        {"level_db": 3.0},
        {"level_db": float("nan")},
        {"level_db": "loud"},
        {"drones": "yes"},
        {"device": 7},
        {"delay_ms": -1.0},
        {"delay_ms": float("inf")},
        {"delay_ms": "long"},
        {"false_cents": 500.0},
    ],
)
def test_a_setting_that_makes_no_sense_changes_nothing(made, change):
    sounding, [out] = made
    before = sounding.settings
    with pytest.raises(ValueError, match="expected") as refused:
        sounding.set(**change)
    assert "\n" not in str(refused.value)
    assert (sounding.settings, out.told) == (before, [])


def test_another_device_is_opened_and_the_note_goes_on(made):
    sounding, opened = made
    sounding.cover(127, 10)
    sounding.set(device="USB")
    assert opened[0].closed == 1
    assert opened[1].device == "USB"
    assert opened[1].told[0][:2] == ("cover", 127)


def test_after_closing_nothing_sounds_until_it_is_started_again(made):
    sounding, opened = made
    sounding.close()
    sounding.cover(127, 10)
    sounding.set(level_db=-3.0)
    sounding.set(device="USB")
    assert opened[0].told == []
    assert sounding.health().state == "silent"
    sounding.start()
    assert opened[1].device == "USB"
    assert opened[1].make_engine(48_000).level_db == -3


def test_where_there_is_no_sound_everything_does_nothing_and_says_why():
    sounding = Sounding(TABLE, open_out=Nothing).start()
    sounding.cover(127, 10)
    sounding.away()
    sounding.set(voice="pipe", level_db=-1.0)
    sounding.start_metronome(Metronome())
    sounding.stop_metronome()
    assert sounding.beats() == []
    assert sounding.health() == SoundHealth("none", "", sentence="There is no sound output at all; plug in headphones.")
    sounding.close()


def test_a_long_delay_is_said_once_it_is_measured_or_told(made):
    sounding, [out] = made
    assert sounding.health().sentence == ""
    out.says = SoundHealth("sounding", "Buds", 0, 180.0, "")
    late = "Buds sounds 180 ms late: you hear your fingers after they moved. Headphones with a wire are quicker."
    assert sounding.health().sentence == late
    out.says = SoundHealth("sounding", "Buds", 0, 12.0, "Buds plays 44100 samples a second, not 48000.")
    sounding.set(delay_ms=180.0)
    assert sounding.health().delay_ms == 180
    assert sounding.health().sentence == f"Buds plays 44100 samples a second, not 48000. {late}"
    sounding.set(delay_ms=None)
    assert sounding.health().delay_ms == 12


def test_beats_are_in_the_air_by_the_delay_that_the_player_told(made):
    sounding, _ = made
    assert [beat.host_us for beat in sounding.beats()] == [1_000_000, 2_000_000]
    sounding.set(delay_ms=103.0)
    # The device says 3 ms, which its beats have already.
    assert [beat.host_us for beat in sounding.beats()] == [1_100_000, 2_100_000]


def test_the_metronome_is_passed_on(made):
    sounding, [out] = made
    sounding.start_metronome(Metronome(bpm=80))
    sounding.stop_metronome()
    assert out.told == [("start_metronome", Metronome(bpm=80)), ("stop_metronome",)]


def test_threads_take_turns_quickly_only_while_it_sounds():
    usual_s = sys.getswitchinterval()
    sounding = Sounding(TABLE, open_out=Out).start()
    assert sys.getswitchinterval() == pytest.approx(SWITCH_US / 1e6)
    sounding.start()
    sounding.close()
    assert sys.getswitchinterval() == usual_s


def test_settings_are_told_by_name_alone():
    with pytest.raises(TypeError):
        Sounding(TABLE, open_out=Out).set(loudness=1)
    assert SoundSettings() == SoundSettings(voice="practice")
