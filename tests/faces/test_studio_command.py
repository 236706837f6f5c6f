"""The studio's commands: an index made anew however damaged it is, a page since a day, a demonstration cut off."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from typer.testing import CliRunner

from fingerlead.faces.cli import demo as demo_command
from fingerlead.faces.cli import pages as studio_command
from fingerlead.faces.cli.main import app
from fingerlead.faces.cli.problem import Problem
from fingerlead.faces.report.numbers import COLUMNS, as_csv
from fingerlead.studio.pupils import StudioError
from fingerlead.studio.studio import Studio
from tests.studio.studios import playing, write


def run(*args):
    return CliRunner().invoke(app, [str(arg) for arg in args])


@pytest.fixture
def served(monkeypatch):
    """The folders that would have been served."""
    folders = []
    for command in (studio_command, demo_command):
        monkeypatch.setattr(command, "serve_studio", lambda folder, *more: folders.append(folder))
    return folders


@pytest.fixture
def folder(tmp_path):
    with Studio(tmp_path / "studio") as studio:
        key = studio.add("Ailsa").key
        studio.change(key, lesson="2026-09-08")
        for day in (0, 20):
            studio.take_in(key, write(tmp_path / f"{day}.session", playing(day, 30), day))
    return tmp_path / "studio"


@pytest.mark.parametrize("damage", [b"no database", b"SQLite format 3\0" + bytes(5_000)])
def test_an_index_is_made_anew_however_damaged_it_is(folder, served, damage):
    (folder / "index.sqlite").write_bytes(damage)
    with pytest.raises(StudioError):
        Studio(folder)
    assert "2 sessions are in the index" in run("studio", folder, "--rebuild").stdout
    assert served == [folder]


def test_no_index_is_made_anew_where_no_studio_is(tmp_path, served):
    (tmp_path / "index.sqlite").write_bytes(b"another program's")
    done = run("studio", tmp_path, "--rebuild")
    assert isinstance(done.exception, Problem)
    assert (tmp_path / "index.sqlite").read_bytes() == b"another program's"
    assert served == []


def test_a_studio_is_reported_since_a_day(folder, tmp_path):
    page = tmp_path / "page.html"
    for since, told in (
        ((), "Since 8 September 2026: 1 day"),
        (("--since", "2026-08-31"), "Since 31 August 2026: 2 da"),
    ):
        assert run("report", folder, "-o", page, *since).exit_code == 0
        assert told in page.read_text(encoding="utf-8")
    done = run("report", folder, "-o", tmp_path / "n.csv", "--since", "2026-08-31")
    assert isinstance(done.exception, Problem)
    assert "leave it out" in str(done.exception)


def test_a_demonstration_that_was_cut_off_begins_again(tmp_path, monkeypatch, served):
    made = []

    def make(folder: Path, today: date, say) -> Path:
        with Studio(folder) as studio:
            studio.add(f"pupil {len(made)}")
        made.append(folder)
        if len(made) == 1:
            raise KeyboardInterrupt
        return folder

    monkeypatch.setattr(demo_command, "make_studio", make)
    with pytest.raises(KeyboardInterrupt):
        demo_command.open_studio(tmp_path / "studio", False)
    assert not (tmp_path / "studio").exists()
    for _ in range(2):
        demo_command.open_studio(tmp_path / "studio", False)
    with Studio(tmp_path / "studio") as studio:
        assert [pupil.name for pupil in studio.pupils()] == ["pupil 1"]
    assert len(made) == 2
    assert served == [tmp_path / "studio"] * 2
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "file").write_bytes(b"")
    for place in ("other", "other/file"):
        with pytest.raises(Problem, match=r"empty folder|cannot be made"):
            demo_command.open_studio(tmp_path / place, False)


@pytest.mark.parametrize("name", ["=1+2", "+1", "-1", "@x", "\t=1", "\r=1", "\n=1"])
def test_a_name_that_a_spreadsheet_would_run_is_quoted(name):
    row = dict.fromkeys(COLUMNS, 0) | {"who": name}
    assert ("'" + name) in as_csv([row])


def test_a_check_that_is_cut_short_says_so_and_is_not_good(monkeypatch):
    monkeypatch.setattr("fingerlead.faces.cli.devices.converse", lambda *_: None)
    done = run("check", "sim")
    assert done.exit_code == 1
    assert "cut short" in done.stdout
    assert "Everything tried" not in done.stdout


def test_how_far_many_sessions_are_read_is_said_and_of_few_nothing(folder, served, monkeypatch):
    assert "are read" not in run("studio", folder, "--rebuild").stdout
    monkeypatch.setattr(studio_command, "MANY_READ", 1)
    monkeypatch.setattr("fingerlead.studio.studio.BATCH", 1)
    said = run("studio", folder, "--rebuild").stdout.splitlines()
    assert said[0].startswith("2 sessions are read into the index, which takes a while.")
    assert said[1:] == ["1 of 2 sessions are read.", "2 sessions are in the index."]
    with Studio(folder, lambda done, of: pytest.fail("all of them are read already")):
        pass
