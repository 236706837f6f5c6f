"""The days of sessions, which say when they began in UTC, by the calendar of the teacher's own place."""

from __future__ import annotations

import time
from datetime import date

import pytest

from fingerlead.faces.report.learner import day_of
from fingerlead.store.session_reading import begin_utc, day_here
from fingerlead.studio import homework
from fingerlead.studio.needs import needs
from fingerlead.studio.outcomes import practised_by
from fingerlead.studio.overview import glances
from fingerlead.studio.studio import Studio
from tests.studio.studios import playing, write

pytestmark = pytest.mark.skipif(not hasattr(time, "tzset"), reason="a zone cannot be set here")
FIRST, SECOND = "2026-09-01", "2026-09-02"


@pytest.fixture
def zone(monkeypatch):
    def set_zone(name):
        monkeypatch.setenv("TZ", name)
        time.tzset()

    yield set_zone
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    ("zone_name", "hours", "day"),
    [("WEST8", 9, FIRST), ("WEST8", 15, SECOND), ("EAST-13", -8, FIRST), ("EAST-13", 3, SECOND), ("UTC0", 5, FIRST)],
)
def test_what_was_played_on_a_day_counts_on_that_day(tmp_path, zone, zone_name, hours, day):
    # Written with 18:00 UTC on the first day as its beginning, and so many hours.
    zone(zone_name)
    with Studio(tmp_path / "studio") as studio:
        pupil = studio.add("Ailsa")
        file = write(tmp_path / "sent.session", playing(), hours / 24, {"rungs": ["low-a-b"]})
        studio.take_in(pupil.key, file)
        (session,) = studio.index.sessions(pupil.key)
        assert (session.day, day_of(file)) == (day, day)
        assert studio.index.played_days() == {pupil.key: (day, day)}
        studio.change(pupil.key, lesson=day)
        # On the very day, after the lesson: what is played then is neither still to come nor of an earlier day.
        (glance,) = glances(studio.index, studio.pupils(), date.fromisoformat(day))
        assert (glance.sessions, glance.days) == (1, 1)
        folder = studio.of(pupil.key)
        homework.give(folder, ["low-a-b"], date.fromisoformat(day), due=day)
        (need,) = needs(studio, date.fromisoformat(day))
        assert (need.reason != "untouched", need.last) == (True, day)
        (piece,) = homework.pieces(folder)[0]
        assert practised_by(folder, [session], date.fromisoformat(day)).outcome(piece).came == "tried"


@pytest.mark.parametrize("zone_name", ["WEST8", "EAST-13", "UTC0"])
def test_two_halves_of_an_evening_are_one_evening(tmp_path, zone, zone_name):
    # Around midnight in UTC it is the afternoon of one day, or the middle of another, but in Greenwich itself.
    zone(zone_name)
    with Studio(tmp_path / "studio") as studio:
        pupil = studio.add("Ailsa")
        for number, hours in enumerate((5.5, 6.5)):
            studio.take_in(pupil.key, write(tmp_path / f"{number}.session", playing(number), hours / 24))
        (glance,) = glances(studio.index, studio.pupils(), date.fromisoformat(SECOND), FIRST)
        assert (glance.sessions, glance.days) == (2, 2 if zone_name == "UTC0" else 1)


@pytest.mark.parametrize("zone_name", ["WEST8", "EAST-13", "UTC0"])
def test_a_day_begins_where_its_first_moment_is_told_as_of_that_day(zone, zone_name):
    zone(zone_name)
    assert day_here(begin_utc(SECOND) + "+00:00") == SECOND
    for text in ("", "~", "0001-01-01T00:00:00+00:00", "9999-12-31T23:59:59+00:00"):
        assert day_here(text)[:10] in {text[:10], "9999-12-31", "0001-01-01"}
    assert (begin_utc(""), begin_utc("~")) == ("", "~")
    assert begin_utc("0001-01-01")[:4] == "0001"
