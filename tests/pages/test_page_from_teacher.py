from __future__ import annotations

from datetime import date

import pytest
from typer.testing import CliRunner

from fingerlead.faces.cli.main import app
from fingerlead.faces.cli.problem import Problem
from fingerlead.faces.pages.practice.teacher import bring_home, from_teacher, practice_folder, pupil_named
from fingerlead.store.practice_log import open_progress
from fingerlead.store.session_file import SessionWriter
from fingerlead.studio import pupils as folders
from fingerlead.studio.homework import give
from fingerlead.studio.pupils import StudioError
from fingerlead.studio.studio import Studio
from tests.studio.studios import playing, write

TODAY = date(2026, 9, 20)


@pytest.fixture
def studio(tmp_path):
    with Studio(tmp_path / "studio") as studio:
        yield studio


def test_the_homework_and_the_remarks_reach_the_pupil(studio, tmp_path):
    key = studio.add("Ailsa").key
    taken = studio.take_in(key, write(tmp_path / "a.session", playing()))
    folder = studio.of(key)
    give(folder, ("c-d",), date(2026, 9, 1), note="both hands")
    give(folder, ("low-g-b", "no such rung", "heron"), date(2026, 9, 2), "2026-09-09", "slowly")
    folders.add_remark(folder, taken.digest, 61_500_000, "hear this", date(2026, 9, 2))
    given = from_teacher(studio, key, TODAY)
    assert (given["day"], given["note"]) == ("2026-09-02", "slowly\nboth hands")
    due = "9 September 2026"
    assert [(item["key"], item["due"]) for item in given["items"]] == [("low-g-b", due), ("heron", due), ("c-d", "")]
    assert given["remarks"] == [{"day": "2026-09-01", "at": "1:01.5", "text": "hear this"}]
    assert from_teacher(studio, studio.add("Bea").key, TODAY) == {"day": "", "note": "", "items": [], "remarks": []}


def test_homework_that_is_done_leaves_the_pupil_with_the_next_that_is_set(studio):
    key = studio.add("Ailsa").key
    folder = studio.of(key)
    give(folder, ("low-g-b", "c-d"), date(2026, 9, 1))
    progress = open_progress(practice_folder(studio, key))
    progress.rung_passed(date(2026, 9, 3), "c-d")
    progress.keep()
    assert [item["key"] for item in from_teacher(studio, key, TODAY)["items"]] == ["low-g-b", "c-d"]
    give(folder, ("d-e",), date(2026, 9, 8))
    assert [item["key"] for item in from_teacher(studio, key, TODAY)["items"]] == ["d-e", "low-g-b"]


def test_what_was_played_goes_home_once(studio, tmp_path):
    key = studio.add("Ailsa").key
    sessions = practice_folder(studio, key) / "sessions"
    assert bring_home(studio, key) == 0
    sessions.mkdir(parents=True)
    write(sessions / "one.session", playing(1))
    write(sessions / "two.session", playing(1))
    (sessions / "three.session").write_bytes(b"rot")
    assert bring_home(studio, key) == 1
    assert [path.name for path in sessions.iterdir()] == ["three.session"]
    assert len(studio.index.sessions(key)) == 1


def test_pupils_are_found_by_name_and_told_apart_by_key(studio):
    first, second = studio.add("Ailsa"), studio.add("Bea")
    assert pupil_named(studio, " ailsa ") == first
    assert pupil_named(studio, second.key) == second
    with pytest.raises(StudioError, match="There are: Ailsa, Bea"):
        pupil_named(studio, "Catriona")
    twin = studio.add("Bea", "right")
    with pytest.raises(StudioError, match=rf"{twin.key} \(right hand on top\)"):
        pupil_named(studio, "Bea")


def test_a_pupil_who_is_not_there_is_one_sentence(studio):
    done = CliRunner().invoke(app, ["practice", "--no-browser", "--studio", str(studio.folder), "--pupil", "Unknown"])
    assert isinstance(done.exception, Problem)
    assert "expected a pupil of this studio" in str(done.exception)
    assert CliRunner().invoke(app, ["practice", "--studio", str(studio.folder)]).exit_code == 2


def test_a_session_that_another_program_is_playing_is_left_alone(studio):
    key = studio.add("Ailsa").key
    sessions = practice_folder(studio, key) / "sessions"
    sessions.mkdir(parents=True)
    live = SessionWriter(sessions / "live.session", "stream", "fed")
    live.append(playing(1), 0)
    live.tick(1_000_000)
    assert bring_home(studio, key) == 0
    live.close()
    assert bring_home(studio, key) == 1
    assert list(sessions.iterdir()) == []
