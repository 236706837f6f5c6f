"""What a session says of the rungs and tunes that were practised: by its settings, and by its music."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from fingerlead.studio.homework import give
from fingerlead.studio.outcomes import current, practised_by
from fingerlead.studio.practised import MOST_RUNGS
from fingerlead.studio.studio import Studio
from tests.reading.players import run_player
from tests.store.playing import music_of, write_playing
from tests.studio.studios import playing, write

TODAY = date(2026, 9, 1)


@pytest.fixture
def studio(tmp_path):
    with Studio(tmp_path / "studio") as studio:
        yield studio


def taken(studio, path):
    key = studio.add("Ailsa").key
    assert studio.take_in(key, path).outcome == "new"
    (session,) = studio.index.sessions(key)
    return key, session


def test_music_to_which_something_was_played_was_practised(studio, tmp_path):
    played = run_player(0, 3, 20_000, 1)
    named = [replace(music_of([0, 3]), name=name) for name in ("low G and C", "heron", "My own", "D and E")]
    middle_us = played.end_us // 2
    # The last comes when all is over: it was looked at.
    times = (0, middle_us, middle_us + 1_000_000, played.end_us + 1)
    _, session = taken(studio, write_playing(tmp_path / "a.session", played, *zip(times, named, strict=True)))
    assert session.rungs == ("low-g-c", "heron")


def test_what_became_clean_is_told_by_a_session_that_a_pupil_sent(studio, tmp_path):
    settings = {"rungs": ["low-g-b", "c-d"], "passed": ["low-g-b"]}
    key, session = taken(studio, write(tmp_path / "a.session", playing(), 4, settings))
    assert (session.rungs, session.passed) == (("low-g-b", "c-d"), ("low-g-b",))
    folder = studio.of(key)
    give(folder, ["low-g-b", "c-d", "heron"], TODAY)
    outcomes = current(folder, practised_by(folder, [session]), "")
    assert [(each.came, each.clean) for each in outcomes] == [("done", session.day), ("tried", ""), ("untouched", "")]


@pytest.mark.parametrize("told", [None, 7, {"a": 1}, "low-g-b", [None, {}, ["x"]], ["\u202e", "x" * 900] * 30])
def test_settings_of_a_stranger_say_little_and_break_nothing(studio, tmp_path, told):
    _, session = taken(studio, write(tmp_path / "a.session", playing(), 0, {"rungs": told, "passed": told}))
    assert session.rungs == session.passed
    assert len(session.passed) <= min(MOST_RUNGS, 1 if isinstance(told, list) and told[0] else 0)
