"""`fingerlead export` and the MIDI options as their users meet them."""

from __future__ import annotations

import json

import mido
import pytest
import typer
from typer.testing import CliRunner

from fingerlead.faces.cli.analyse import analyse, export
from fingerlead.faces.cli.listen import live
from fingerlead.faces.cli.problem import Problem
from fingerlead.sound.tuning import tuning_word

ROWS = ("0,xxxxxxxx", "500000,xxxxxxxo", "900000,xxxxxxoo", "1200000,oooooooo", "3000000,xxxxxxxo", "3500000,xxxxxxxo")
LISTED = "\n".join(("time_us,holes", *ROWS, ""))


@pytest.fixture
def app():
    app = typer.Typer()
    for command in (export, analyse, live):
        app.command()(command)
    return app


@pytest.fixture
def listed(tmp_path):
    path = tmp_path / "listed.csv"
    path.write_text(LISTED)
    return path


def run(app, *words):
    return CliRunner().invoke(app, [str(word) for word in words])


def problem(app, *words) -> str:
    ran = run(app, *words)
    assert isinstance(ran.exception, Problem), ran.output
    assert "\n" not in str(ran.exception)
    return str(ran.exception)


def notes(path) -> list[tuple[float, int]]:
    at, found = 0.0, []
    for message in mido.MidiFile(path):
        at += message.time
        if message.type == "note_on":
            found.append((round(at, 3), message.note))
    return found


def test_it_says_what_it_wrote_and_what_the_file_cannot_tell(app, listed, tmp_path):
    out = tmp_path / "x.mid"
    ran = run(app, "export", listed, "-o", out)
    assert ran.exit_code == 0
    first, remark, last = ran.stdout.splitlines()
    assert first == f"{out}: 4 notes in 0:03, for any player of MIDI files."
    assert remark.startswith("A list of times has neither frames nor a scan")
    assert last == f"The holes are in it too. Next: fingerlead analyse {out}"
    # Hands off is silence.
    assert notes(out) == [(0.0, 67), (0.5, 69), (0.9, 71), (3.0, 69)]
    found = [json.loads(run(app, "analyse", path, "--format", "json").stdout) for path in (listed, out)]
    assert [[change["start_us"] for change in each["changes"]] for each in found] == [[500_000, 900_000]] * 2


def test_pitch_and_scale_are_settings(app, listed, tmp_path):
    out = tmp_path / "x.mid"
    run(app, "export", listed, "-o", out, "--low-a", "466.1638", "--scale", "lenihan and macneill 1954")
    tuned = next(
        m.data for track in mido.MidiFile(out).tracks for m in track if m.type == "sysex" and m.data[0] == 0x7F
    )
    # Low G 9/10 at 466.1638 Hz: 44 16 43.
    assert tuned[6:14] == (67, 0x44, 0x16, 0x43, 69, *tuning_word(466.1638))
    run(app, "export", listed, "-o", out, "--low-a", "240")
    assert notes(out)[0] == (0.0, 55)
    run(app, "export", listed, "-o", out, "--bend")
    assert [m.type for track in mido.MidiFile(out).tracks for m in track].count("pitchwheel") == 4


def test_bad_settings_and_files_are_one_sentence(app, listed, tmp_path):
    out = tmp_path / "x.mid"
    assert "expected low A between 220 and 490 Hz; got 100.0" in problem(
        app, "export", listed, "-o", out, "--low-a", 100
    )
    assert "expected low A between" in problem(app, "export", listed, "-o", out, "--low-a", "nan")
    assert "expected one of harmonic;" in problem(app, "export", listed, "-o", out, "--scale", "equal")
    assert "something else is there" in problem(app, "export", listed, "-o", listed)
    assert "expected a session" in problem(app, "export", tmp_path, "-o", out)
    assert "expected low A between" in problem(app, "live", "sim", "--midi-out", "own", "--low-a", 1000)
    assert not out.exists()


def test_without_midi_live_is_refused_before_it_listens(app, monkeypatch, tmp_path):
    class NoMidi:
        def load(self):
            raise ImportError("No module named 'rtmidi'")

    monkeypatch.setattr(mido, "backend", NoMidi())
    said = problem(app, "live", "sim", "--midi-out", "own", "-o", tmp_path / "kept.session")
    assert "MIDI needs the package python-rtmidi" in said
    assert list(tmp_path.iterdir()) == []
