from __future__ import annotations

import re
import shlex
from io import StringIO

import pytest
import typer
from rich.console import Console
from typer.testing import CliRunner

from fingering.holes import FINGERS
from fingerlead.faces.cli import calibrate as calibrate_command
from fingerlead.faces.cli import calibrate_screen
from fingerlead.faces.cli.problem import Problem
from fingerlead.simulated.chanter import Setup
from fingerlead.simulated.sensing import sensors
from fingerlead.store import chanters as files
from fingerlead.store.skews import measured_skew_us
from fingerlead.workbench.guidance import Guidance
from tests.workbench.workbench_chanters import QUICK, hands_port

DEVICE = Setup().device_id.hex()


@pytest.fixture
def run(monkeypatch, tmp_path):
    """The command on a simulated chanter under simulated hands, in simulated time."""
    app = typer.Typer(pretty_exceptions_enable=False)
    app.command()(calibrate_command.calibrate)
    app.command("other")(lambda: None)
    made = {}

    def open_port(spec):
        return hands_port(seed=2, **{"setup": QUICK, **made["how"]})

    monkeypatch.setattr(calibrate_command, "open_port", open_port)

    def go(*args, **how):
        made["how"] = how
        return CliRunner().invoke(app, ["calibrate", "sim", "--folder", str(tmp_path), *map(str, args)])

    go.folder = tmp_path
    return go


def test_calibrate_keeps_what_it_found_and_undo_takes_it_back(run):
    done = run()
    assert done.exit_code == 0, done.output
    assert "20 of 20  Take all fingers off." in done.stdout
    assert sum(line.rstrip().endswith(" good") for line in done.stdout.splitlines()) == 8
    assert "All eight holes are good." in done.stdout
    kept = files.find_calibration(run.folder, DEVICE, files.ANYONE)
    assert kept is not None
    assert kept.device == DEVICE
    before = tuple((sensor.cover_at, sensor.uncover_at) for sensor in sensors())
    assert kept.levels != before
    assert files.load_earlier(run.folder, DEVICE, files.ANYONE).levels == before
    undone = run("--undo")
    assert undone.exit_code == 0, undone.output
    assert files.find_calibration(run.folder, DEVICE, files.ANYONE).levels == before


def test_every_pupil_has_their_own(run):
    run("--pupil", "Ann")
    assert files.find_calibration(run.folder, DEVICE, "Ann") is not None
    assert files.find_calibration(run.folder, DEVICE, files.ANYONE) is None
    assert isinstance(run("--undo").exception, Problem)


def test_what_it_says_to_run_is_for_the_same_pupil_and_folder(run):
    refused = run("--seal", "--pupil", "Ann  B")
    said = re.search(r"comes first: fingerlead (calibrate .+)", str(refused.exception))[1]
    assert shlex.split(said) == ["calibrate", "sim", "--pupil", "Ann B", "--folder", str(run.folder)]
    done = run("--pupil", "Ann  B")
    said = re.search(r"To go back: fingerlead (calibrate .+)", done.stdout)[1]
    assert shlex.split(said) == ["calibrate", "sim", "--pupil", "Ann B", "--folder", str(run.folder), "--undo"]


def test_skew_is_measured_and_found_by_the_device(run):
    done = run("--skew", setup=Setup())
    assert done.exit_code == 0, done.output
    assert "The thumb's hole is not measured." in done.stdout
    skew_us = measured_skew_us(Setup().device_id, run.folder)
    assert skew_us is not None
    assert 500 < skew_us < 4_000


def test_seal_needs_a_calibration_and_then_tells(run):
    refused = run("--seal")
    assert isinstance(refused.exception, Problem)
    assert "comes first: fingerlead calibrate sim" in str(refused.exception)
    run()
    done = run("--seal")
    assert done.exit_code == 0, done.output
    assert "All holes stayed closed while 8 of 8 fingers moved." in done.stdout


def test_a_calibration_of_another_chanter_is_refused_unless_told(run):
    run()
    path = files.calibration_path(run.folder, DEVICE, files.ANYONE)
    other = dict(setup=Setup(device_id=b"another!"))
    refused = run("--use", path, **other)
    assert isinstance(refused.exception, Problem)
    assert "add --anyway" in str(refused.exception)
    done = run("--use", path, "--anyway", **other)
    assert done.exit_code == 0, done.output
    given = files.find_calibration(run.folder, b"another!".hex(), files.ANYONE)
    assert given.levels == files.load_calibration(path).levels


def test_a_bad_hole_stops_it_and_anyway_keeps_the_old_level_of_that_hole(run):
    bad = list(sensors())
    # A sensor that is not there.
    bad[2] = type(bad[2])(540, 460, 0.0, 3, 5)
    how = dict(sensors_=tuple(bad))
    refused = run(**how)
    assert isinstance(refused.exception, Problem)
    assert f"the {FINGERS[2]}" in str(refused.exception)
    assert "BAD" in refused.output
    assert files.find_calibration(run.folder, DEVICE, files.ANYONE) is None
    done = run("--anyway", **how)
    assert done.exit_code == 0, done.output
    assert files.find_calibration(run.folder, DEVICE, files.ANYONE).levels[2] == (540, 460)


@pytest.mark.parametrize("args", [("--pupil", ""), ("--pupil", "x" * 81), ("--pupil", "a\x07"), ("--use", "no.toml")])
def test_refusals_are_one_sentence(run, args):
    done = run(*args)
    assert isinstance(done.exception, Problem)
    assert "\n" not in str(done.exception)


def test_two_ways_at_once_are_wrong_usage(run):
    assert run("--skew", "--seal").exit_code == 2


@pytest.mark.parametrize("port", ["/dev/nothing-of-the-kind", ""])
def test_a_port_that_is_none_is_one_sentence(port):
    app = typer.Typer(pretty_exceptions_enable=False)
    app.command()(calibrate_command.calibrate)
    app.command("other")(lambda: None)
    done = CliRunner().invoke(app, ["calibrate", port])
    assert isinstance(done.exception, Problem)


def test_the_bar_shows_both_levels_and_where_the_sample_is():
    low, high = calibrate_screen.bar(0, 600, 400, 1_000), calibrate_screen.bar(1_000, 600, 400, 1_000)
    assert len(low) == len(high) == calibrate_screen.BAR
    assert low.count("╎") == low.count("│") == 1
    assert low.index("╎") < low.index("│")
    assert high.count("▓") == 2
    assert calibrate_screen.history([0, 500, 1_000], 1_000) == "▁▄█"


def picture(steps):
    out = StringIO()
    Console(file=out, width=80).print(calibrate_screen.Screen().picture(((600, 400),) * 8, steps, (500,) * 8))
    return out.getvalue().splitlines()


def test_the_picture_fits_eighty_columns():
    lines = picture(Guidance(1_000))
    assert max(map(len, lines)) <= 80
    assert "Take all fingers off." in lines[0]
    assert sum(name in line for line in lines for name in FINGERS) == 8


def test_hold_still_moves_nothing_else():
    steps = Guidance(1_000)
    told = []
    for held in (None, 0):
        steps._held = held
        told.append(picture(steps))
    moved = [number for number, lines in enumerate(zip(*told, strict=True)) if lines[0] != lines[1]]
    assert [told[1][number].strip() for number in moved] == ["Hold still."]


def test_each_pupil_has_levels_of_their_own_and_gets_them_again(run):
    uncalibrated = run("--pupil", "Ailsa", "--kept")
    assert "this chanter has not been calibrated by Ailsa yet" in str(uncalibrated.exception)
    assert run("--pupil", "Ailsa").exit_code == run("--pupil", "Rory").exit_code == 0
    again = run("--pupil", "Ailsa", "--kept")
    assert again.exit_code == 0, again.output
    hers = files.find_calibration(run.folder, DEVICE, "Ailsa")
    assert hers.levels != files.load_earlier(run.folder, DEVICE, "Ailsa").levels  # those of a chanter switched on anew
    assert str(files.calibration_path(run.folder, DEVICE, "Ailsa")) in again.output
