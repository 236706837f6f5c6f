"""Where it sounds: a page that plays sounds itself, a chanter from this computer where it can, and choices stay."""

from __future__ import annotations

import pytest

from fingerlead.ports.base import Found
from fingerlead.ports.sound_port import Beat, SoundHealth
from fingerlead.practice.inbox import SetMetronome, SetSound
from fingerlead.practice.sound_place import MOST_CLICKS, SoundPlace
from tests.practice.session_tools import Heard

OUTPUTS = ([Found("sound:loud one", "through this"), Found("sound:soft one", "through that")], "")


def place(health: SoundHealth = SoundHealth("silent"), host: bool = True) -> tuple[SoundPlace, Heard]:
    heard = Heard(health)
    return SoundPlace(heard, lambda: OUTPUTS, host), heard  # type: ignore[arg-type]


@pytest.mark.parametrize(("origin", "where"), [("port", "host"), ("simulated", "host"), ("page", "page")])
def test_it_sounds_where_it_is_quickest(origin, where):
    sound, heard = place()
    sound.follow(origin)
    assert sound.where == where
    assert ("start" in heard.calls) == (where == "host")


def test_without_an_output_the_page_sounds():
    sound, _ = place(SoundHealth("none", "out", sentence="There is no output."))
    sound.follow("port")
    assert sound.where == "page"
    assert sound.settings()["sentence"] == "There is no output."


def test_a_computer_that_is_to_be_silent_says_so():
    sound, heard = place(host=False)
    sound.follow("port")
    assert sound.where == "page"
    with pytest.raises(ValueError, match="silent"):
        sound.set(SetSound(where="host"))
    assert "start" not in heard.calls


def test_what_the_player_chose_stays_chosen():
    sound, heard = place()
    sound.follow("port")
    sound.set(SetSound(where="nowhere"))
    assert heard.calls[-1] == "close"
    sound.follow("page")
    sound.follow("port")
    assert sound.where == "nowhere"
    sound.cover(255, 1)
    assert 255 not in heard.calls
    sound.set(SetSound(where="host"))
    sound.cover(127, 1)
    assert heard.calls[-1] == 127


def test_settings_tell_what_was_set_and_the_outputs_by_their_names():
    sound, _ = place()
    sound.follow("port")
    sound.set(SetSound(voice="pipe", low_a_hz=470.0, drones=True, device="soft one", level_db=-30.0))
    told = sound.settings()
    assert (told["voice"], told["low_a_hz"], told["drones"], told["device"]) == ("pipe", 470.0, True, "soft one")
    assert [device["spec"] for device in told["devices"]] == ["loud one", "soft one"]
    sound.set(SetSound(device=""))
    assert sound.settings()["device"] == ""


def test_the_beat_begins_ends_and_changes_its_pace_only_when_told():
    sound, heard = place()
    sound.follow("port")
    assert sound.bpm is None
    sound.set_metronome(SetMetronome(bpm=72))
    assert sound.bpm is None
    assert heard.calls == ["start"]
    sound.set_metronome(SetMetronome(on=True))
    assert (sound.bpm, heard.calls[-1].bpm) == (72, 72)
    count = len(heard.calls)
    sound.set_metronome(SetMetronome(on=True))
    assert len(heard.calls) == count
    sound.set_metronome(SetMetronome(bpm=80, beats=3))
    assert (heard.calls[-1].bpm, heard.calls[-1].beats) == (80, 3)
    sound.set_metronome(SetMetronome(on=False))
    assert (sound.bpm, heard.calls[-1]) == (None, "stop beat")


def test_a_beat_that_makes_no_sense_is_refused_and_nothing_changes():
    sound, _ = place()
    with pytest.raises(ValueError, match="beats per minute"):
        sound.set_metronome(SetMetronome(on=True, bpm=999))
    assert not sound.beat()["on"]


def test_the_clicks_are_given_once_and_only_the_latest_wait():
    there, heard = place(SoundHealth("sounding", "x"))
    there.set_metronome(SetMetronome(on=True, bpm=120))
    heard.ticks = [Beat(1_000_000 + 500_000 * number, number, number % 4 == 0) for number in range(100)]
    there.tap(3)  # measures the loop by the same beats
    assert there.clicks() == [1_000_000 + 500_000 * number for number in range(100 - MOST_CLICKS, 100)]
    assert there.clicks() == []
