from __future__ import annotations

import os

import pytest
import typer
from typer.testing import CliRunner

from fingerlead.faces.cli.problem import Problem
from fingerlead.faces.cli.sheet import sheet
from fingerlead.simulated.play import perform
from fingerlead.simulated.scenario import load_scenario
from fingerlead.simulated.script import write_script
from fingerlead.simulated.serve import wire_bytes
from tests.faces.sheet_tools import elements, needs_lilypond, words

app = typer.Typer()
app.command()(sheet)


def run(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def problem(*arguments) -> str:
    done = run(*arguments)
    assert isinstance(done.exception, Problem), done.exception
    return str(done.exception)


def session(tmp_path, name: str, changes: int):
    pupil = load_scenario(name).pupil
    path = tmp_path / f"{name}.bin"
    path.write_bytes(wire_bytes(perform(pupil, write_script(pupil, 5, changes=changes), 5)))
    return path


@pytest.mark.parametrize(
    ("what", "found"),
    [("low-a-e", "Low A and E"), ("2", ""), ("chart", "The nine notes"), ("nine-stiles", "")],
)
def test_what_can_be_printed(tmp_path, what, found):
    needs_lilypond()
    done = run(what, "-o", tmp_path / "out.svg", "--paper", "letter", "--letters", "short")
    assert done.exit_code == 0, done.exception
    assert found in words((tmp_path / "out.svg").read_bytes())


def test_a_file_of_tunes_and_one_of_them(tmp_path):
    needs_lilypond()
    tunes = tmp_path / "tunes.abc"
    tunes.write_bytes(
        "X:1\r\nT:Ceòl\r\nM:4/4\r\nL:1/4\r\nK:HP\r\nAAAA|\r\n\r\nX:2\r\nT:Other\r\nK:HP\r\n!trill!B4|\r\n".encode(
            "latin-1"
        )
    )
    assert run(tunes, "-o", tmp_path / "both.svg").exit_code == 0
    both = words((tmp_path / "both.svg").read_bytes())
    assert "Ceòl" in both
    assert "Other" in both
    done = run(tunes, "--number", 2, "-o", tmp_path / "one.pdf")
    assert done.exit_code == 0
    assert "passed over" in done.output
    assert (tmp_path / "one.pdf").read_bytes().startswith(b"%PDF-")
    assert "expected a tune with the number 3; there are 1, 2" in problem(
        tunes, "--number", 3, "-o", tmp_path / "x.pdf"
    )


def test_several_pages_are_several_pictures(tmp_path):
    needs_lilypond()
    tunes = tmp_path / "long.abc"
    tunes.write_text("X:1\nT:Long\nM:4/4\nL:1/4\nK:HP\n" + "A B c d|\n" * 30)
    done = run(tunes, "-o", tmp_path / "long.svg")
    made = sorted(tmp_path.glob("long-*.svg"))
    assert len(made) > 1
    assert all(str(path) in done.output for path in made)
    assert all(elements(path.read_bytes()) for path in made)


def test_homework_from_playing(tmp_path):
    needs_lilypond()
    done = run(
        "--homework", session(tmp_path, "early-little-finger", 400), "--pupil", "Ailsa #(x)", "-o", tmp_path / "h.svg"
    )
    assert done.exit_code == 0, done.exception
    text = words(next(iter(sorted(tmp_path.glob("h*.svg")))).read_bytes())
    assert "Homework" in text
    assert "Ailsa" in text
    assert "To work on" in text.replace("  ", " ")


def test_no_homework_where_nothing_stands_out(tmp_path):
    told = problem("--homework", session(tmp_path, "clean", 100), "-o", tmp_path / "h.pdf")
    assert told.startswith("no homework was found in the playing.")
    assert not (tmp_path / "h.pdf").exists()


def test_what_cannot_be_printed(tmp_path):
    assert "ends in .pdf, .svg or .png" in problem("chart", "-o", tmp_path / "out.doc")
    assert "no-such-rung" in problem("no-such-rung", "-o", tmp_path / "x.pdf")
    assert "gone.abc" in problem(tmp_path / "gone.abc", "-o", tmp_path / "x.pdf")
    os.mkfifo(tmp_path / "pipe.abc")
    assert "this is a pipe" in problem(tmp_path / "pipe.abc", "-o", tmp_path / "x.pdf")
    bad = tmp_path / "bad.abc"
    bad.write_text("X:1\nT:x\nK:HP\nA B C D|\n")
    assert "line 4, column 5" in problem(bad, "-o", tmp_path / "x.pdf")
    bad.write_text("X:1\nT:x\nK:HP\nz4|\n")
    assert "expected notes to print" in problem(bad, "-o", tmp_path / "x.pdf")
    assert run("-o", tmp_path / "x.pdf").exit_code == 2
    assert run("chart", "--homework", bad, "-o", tmp_path / "x.pdf").exit_code == 2


def test_a_place_that_cannot_be_written_is_named(tmp_path):
    needs_lilypond()
    assert "name another file" in problem("chart", "-o", tmp_path / "no" / "such" / "folder.pdf")


def test_a_missing_lilypond_is_told_in_a_sentence(tmp_path, monkeypatch):
    import sys

    from fingerlead.faces.sheet import lilypond

    monkeypatch.setitem(sys.modules, "lilypond", None)
    monkeypatch.setattr(lilypond.shutil, "which", lambda name: None)
    assert "pip install 'fingerlead[sheet]'" in problem("chart", "-o", tmp_path / "x.pdf")
