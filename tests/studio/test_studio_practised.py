"""What a session says of the rungs and tunes that were practised: by its settings, and by its music."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from fingerlead.faces.pages.desk.teaching import misdated_words
from fingerlead.store.practice_log import open_progress
from fingerlead.store.session_file import SessionWriter
from fingerlead.studio.homework import give
from fingerlead.studio.outcomes import current, practised_by
from fingerlead.studio.practised import MOST_RUNGS
from fingerlead.studio.studio import Studio
from tests.reading.hands import Performance
from tests.reading.players import run_player, together_player
from tests.store.playing import frames, music_of, write_playing
from tests.studio.studios import FIRST_DAY, playing, write
from tests.timing.fingers import STANDARD, Fingers

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


def said(tmp_path, played, passed=("low-g-b",), name="low G and B", day=4):
    """A session whose settings say what was practised and what became clean, with what was played in it."""
    path = tmp_path / "said.session"
    settings = {"skew_us": 1_000, "rungs": list(passed), "passed": list(passed)}
    begun = FIRST_DAY + timedelta(days=day)
    with SessionWriter(path, "stream", "invented", settings, begun) as writer, writer.at_once():
        writer.begin_music(0, replace(music_of([0, 2]), kind="rung", name=name))
        for at_us, data in frames(played.edges, played.end_us):
            writer.append(data, at_us)
    return path


def came_of(studio, path, today=date(2026, 9, 20), piece="low-g-b"):
    key, session = taken(studio, path)
    give(studio.of(key), [piece], TODAY)
    (outcome,) = current(studio.of(key), practised_by(studio.of(key), [session], today), "")
    return outcome.came, outcome.clean, session


CLEAN, RUNS, FEW = (
    together_player([0, 2] * 6, 6_000, 1),
    run_player(0, 2, 30_000, 1),
    together_player([0, 2] * 3, 6_000, 1),
)
APART = together_player([0, 2] * 6, 70_000, 1, 60_000)


def test_a_rung_that_a_sent_session_says_is_clean_is_done_where_its_playing_says_so(studio, tmp_path):
    came, clean, session = came_of(studio, said(tmp_path, CLEAN))
    assert (came, clean, session.passed) == ("done", session.day, ("low-g-b",))


@pytest.mark.parametrize(
    ("played", "name"),
    [(RUNS, "low G and B"), (FEW, "low G and B"), (APART, "low G and B"), (CLEAN, "low G and C")],
    ids=["astray", "few", "apart", "of another rung"],
)
def test_a_rung_that_a_session_only_says_is_clean_is_tried(studio, tmp_path, played, name):
    came, clean, session = came_of(studio, said(tmp_path, played, name=name))
    assert (came, clean, session.passed) == ("tried", "", ())


def test_what_was_practised_and_passed_in_a_year_to_come_counts_for_nothing(studio, tmp_path):
    came, clean, session = came_of(studio, said(tmp_path, CLEAN, day=365 * 900))
    assert (session.passed, session.day[:2]) == (("low-g-b",), "29")
    assert (came, clean) == ("untouched", "")


def test_a_ladder_of_a_year_to_come_is_told_and_counts_for_nothing(studio):
    folder = studio.of(studio.add("Ailsa").key)
    progress = open_progress(folder / "practice")
    for day in (date(2926, 9, 3), TODAY):
        progress.rung_passed(day, "low-g-b" if day > TODAY else "c-d")
    progress.keep()
    give(folder, ["low-g-b", "c-d"], TODAY)
    practised = practised_by(folder, [], TODAY)
    assert [each.came for each in current(folder, practised, "")] == ["untouched", "done"]
    assert practised.misdated == (("low-g-b", "2926-09-03"),)
    assert "noted as clean on 3 September 2926: the clock was wrong" in misdated_words(*practised.misdated[0])


@pytest.mark.parametrize(("seconds", "came"), [(3.3, "done"), (2.0, "tried")])
def test_a_note_alone_is_clean_where_it_was_held_five_times_in_a_row(studio, tmp_path, seconds, came):
    hands = Fingers().to(0)
    for _ in range(6):
        hands.to(STANDARD[0], int(seconds * 1e6)).to(0)
    played = Performance((), tuple(hands.edges), hands.now_us, (), ())
    assert came_of(studio, said(tmp_path, played, ("low-g",), "low G alone"), piece="low-g")[0] == came


@pytest.mark.parametrize("told", [None, 7, {"a": 1}, "low-g-b", [None, {}, ["x"]], ["\u202e", "x" * 900] * 30])
def test_settings_of_a_stranger_say_little_and_break_nothing(studio, tmp_path, told):
    _, session = taken(studio, write(tmp_path / "a.session", playing(), 0, {"rungs": told, "passed": told}))
    assert session.passed == ()
    assert len(session.rungs) <= min(MOST_RUNGS, 1 if isinstance(told, list) and told[0] else 0)
