"""What was chosen once: kept, read back, quiet again; and a file that is damaged does no harm."""

from __future__ import annotations

import json

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fingerlead.practice.choices import NAME, Choices
from fingerlead.practice.sounding import SoundSettings
from fingerlead.sound.loudness import START_DB


def test_choices_are_there_the_next_time_but_every_session_starts_quiet(tmp_path):
    first = Choices(tmp_path / "new")
    assert (first.hand_on_top, first.sound()) == ("left", SoundSettings())
    first.choose_hand("right")
    first.choose_order("taught")
    loud = SoundSettings(voice="pipe", low_a_hz=472.0, drones=True, false_cents=20.0, delay_ms=150.0, level_db=0.0)
    first.choose_sound(loud)
    again = Choices(tmp_path / "new")
    assert (again.hand_on_top, again.order) == ("right", "taught")
    assert again.sound().level_db == START_DB < 0
    assert (again.sound().voice, again.sound().low_a_hz, again.sound().drones) == ("pipe", 472.0, True)
    assert (again.sound().false_cents, again.sound().delay_ms) == (20.0, 150.0)


def test_without_a_folder_they_last_as_long_as_the_session(tmp_path):
    choices = Choices(None)
    choices.choose_hand("right")
    assert choices.hand_on_top == "right"


def test_a_folder_that_cannot_be_written_keeps_nothing_and_ends_nothing(tmp_path):
    (tmp_path / "file").write_text("")
    choices = Choices(tmp_path / "file")
    choices.choose_hand("right")
    assert choices.hand_on_top == "right"
    assert Choices(tmp_path / "file").hand_on_top == "left"


junk = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
)
fields = [
    "hand_on_top",
    "order",
    "voice",
    "low_a_hz",
    "scale",
    "false_cents",
    "drones",
    "device",
    "delay_ms",
    "level_db",
]


@given(st.binary(max_size=60) | st.dictionaries(st.sampled_from(fields), junk).map(lambda d: json.dumps(d).encode()))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_spoilt_file_is_no_choice(tmp_path, data):
    (tmp_path / NAME).write_bytes(data)
    choices = Choices(tmp_path)
    assert choices.hand_on_top in ("left", "right")
    assert choices.order in ("derived", "taught")
    assert isinstance(choices.sound(), SoundSettings)
    assert choices.sound().level_db == START_DB
