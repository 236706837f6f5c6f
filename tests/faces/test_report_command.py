"""`fingerlead report`: what it writes, and what it refuses in one sentence."""

from __future__ import annotations

import os

import pytest
from typer.testing import CliRunner

from fingerlead.faces.cli.main import app
from fingerlead.faces.cli.problem import Problem

CSV = "time_us,holes\n0,xxxxxxxx\n1000000,xxxxxxxo\n1018000,xxxxxxoo\n2000000,xxxxxxoo\n"


def report(*args):
    return CliRunner().invoke(app, ["report", *map(str, args)])


@pytest.fixture
def playing(tmp_path):
    path = tmp_path / "playing.csv"
    path.write_text(CSV)
    return path


def test_a_page_is_written_and_its_place_is_told(playing, tmp_path):
    page = tmp_path / "page.html"
    done = report(playing, "-o", page)
    assert done.exit_code == 0
    assert done.stdout == f"{page}: open it in a browser, or print it.\n"
    html = page.read_text(encoding="utf-8")
    assert "<title>Finger timing: playing.csv</title>" in html
    assert "a low A sounded for 18 ms" in html


def test_settings_reach_the_page(playing, tmp_path):
    page = tmp_path / "page.html"
    assert report(playing, "-o", page, "--heard-us", 19_000, "--stage-us", 15_000, "--skew-us", 2_000).exit_code == 0
    html = page.read_text(encoding="utf-8")
    assert "heard from 19 ms" in html
    assert "too short to be heard" in html
    assert "together within 15 ms" in html
    assert "The fingers were not together" in html
    assert "as you gave it" in html


def test_the_playing_is_never_overwritten_by_its_page(playing):
    done = report(playing, "-o", playing)
    assert isinstance(done.exception, Problem)
    assert "written over" in str(done.exception)
    assert playing.read_text() == CSV


def test_a_page_that_cannot_be_written_is_named(playing, tmp_path):
    for page in (tmp_path / "nowhere" / "page.html", tmp_path):
        done = report(playing, "-o", page)
        assert isinstance(done.exception, Problem)
        assert str(page) in str(done.exception)
        assert "name another file" in str(done.exception)


def test_a_file_that_is_missing_or_of_no_known_kind_is_named(playing, tmp_path):
    strange = tmp_path / "strange"
    strange.write_bytes(bytes(range(1, 200)))
    for file in (tmp_path / "missing", strange):
        done = report(playing, file, "-o", tmp_path / "page.html")
        assert isinstance(done.exception, Problem)
        assert str(file) in str(done.exception)
        assert not (tmp_path / "page.html").exists()


@pytest.mark.skipif(os.name == "nt", reason="file names are no bytes there")
def test_names_that_are_no_utf_8_are_told_all_the_same(playing, tmp_path):
    named = os.fsencode(tmp_path) + b"/\xff.csv"
    os.rename(playing, named)
    page = os.fsdecode(os.fsencode(tmp_path) + b"/\xfe.html")
    done = report(os.fsdecode(named), "-o", page)
    assert done.exit_code == 0, done.exception
    assert os.path.exists(page)
