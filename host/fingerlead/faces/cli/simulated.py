"""`fingerlead demo`: an invented evening that plays by itself, from the chanter's bytes to the report.

The simulated chanter runs in a process of its own and is recorded through its port like any other: on a pseudo-terminal
where the system has them, on a TCP port elsewhere.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import date
from enum import StrEnum
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from fingerlead.faces.cli import options
from fingerlead.faces.cli.options import Problem

if TYPE_CHECKING:
    from fingerlead.simulated.performance import Performance


# --- `fingerlead simulate`: a simulated chanter with a pupil's fingers on it, for trying everything without hardware.


def simulate(
    on: Annotated[str, typer.Option("--on", metavar="PLACE", help="Where: pty, tcp:PORT (0 for any) or midi:NAME.")],
    pupil: Annotated[
        str | None,
        typer.Option(
            help="Who plays: clean, early-little-finger, heavy-crossing, mixed (unless told; clean for a tune), "
            "trembling, or a pupil's TOML file.",
            show_default=False,
        ),
    ] = None,
    tune: Annotated[
        str | None,
        typer.Option(
            metavar="FILE.abc|RUNG",
            help="Play this, once: ABC, a rung or an easy tune of the ladder.",
            show_default=False,
        ),
    ] = None,
    fault: Annotated[
        Literal["early", "slow", "wrong", "restart", "slip"] | None,
        typer.Option(help="Play the tune cleanly but for one fault, told in the truth file.", show_default=False),
    ] = None,
    changes: Annotated[
        int | None, typer.Option(min=1, max=1_000_000, help="How many changes to play; else the pupil's own number.")
    ] = None,
    seconds: Annotated[
        float | None, typer.Option("--for", min=0.001, max=1_000_000, metavar="SECONDS", help="How long to play.")
    ] = None,
    seed: Annotated[int | None, typer.Option(min=0, help="The same seed plays the same, to the microsecond.")] = None,
    speed: Annotated[
        str, typer.Option(metavar="N", help="Times as fast as real time; 0 or max for as fast as the reader takes it.")
    ] = "1",
    truth: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write what the fingers did, before any sensor saw it.")
    ] = None,
    sensors: Annotated[
        Literal["ideal", "usual", "noisy"], typer.Option(help="What sits over the holes; ideal has no noise or lag.")
    ] = "usual",
    scan_us: Annotated[int, typer.Option("--scan-us", min=100, max=20_000, help="The chanter's scan period.")] = 1_000,
    ticks: Annotated[
        int | None, typer.Option(min=0, max=2**32 - 1, help="What the chanter's clock shows at power-up, in µs.")
    ] = None,
    midi_plain: Annotated[bool, typer.Option("--midi-plain", help="On a MIDI port, send plain notes only.")] = False,
) -> None:
    """Play on a simulated chanter that speaks the real protocol.

    The first line of output says where it listens. It comes to life when somebody opens that port (on MIDI: at the
    first request, or after three seconds), plays, and ends by itself.
    """
    import os
    from dataclasses import replace

    from fingerlead.simulated.chanter import Chanter, setup_for
    from fingerlead.simulated.outlets import OutletError, open_outlet
    from fingerlead.simulated.sensing import sensors as make_sensors
    from fingerlead.simulated.serve import serve
    from fingerlead.simulated.truth import write_truth

    times = _speed(speed)
    if seconds is not None and isnan(seconds):
        raise typer.BadParameter("expected a number of seconds", param_hint="--for")
    if tune is None:
        if fault is not None:
            raise typer.BadParameter("expected a tune to plant it in: --tune FILE.abc|RUNG", param_hint="--fault")
        performance = _session(pupil or "mixed", seed, changes, seconds)
    else:
        if changes is not None or seconds is not None:
            raise typer.BadParameter("a tune is played once, to its end", param_hint="--changes, --for")
        if fault is not None and pupil is not None:
            raise typer.BadParameter("a fault is planted in clean playing: leave the pupil out", param_hint="--pupil")
        performance = _tune(tune, pupil or "clean", fault, seed)
    seed = performance.seed
    # The one thing that no seed decides: every start has a boot number of its own.
    setup = replace(setup_for(seed, scan_us, ticks), boot=int.from_bytes(os.urandom(2), "little"))
    if truth is not None:
        try:
            write_truth(truth, performance, setup)
        except OSError as error:
            raise Problem(f"the truth could not be written to {truth}: {error.strerror}; name another file") from None
    try:
        outlet = open_outlet(on, midi_plain)
    except OutletError as error:
        raise Problem(str(error)) from None
    try:
        print(f"listening on {outlet.listening_on}", flush=True)
        serve(Chanter(performance, setup, make_sensors(sensors), outlet.carrier), outlet, times)
    except KeyboardInterrupt:
        typer.echo("stopped", err=True)
    finally:
        outlet.close()


def _session(name: str, seed: int | None, changes: int | None, seconds: float | None) -> Performance:
    from fingerlead.simulated.play import perform
    from fingerlead.simulated.scenario import PupilError, load_scenario
    from fingerlead.simulated.script import write_script

    try:
        scenario = load_scenario(name)
    except PupilError as error:
        raise Problem(str(error)) from None
    if changes is None and seconds is None:
        changes = scenario.changes
    seed = scenario.seed if seed is None else seed
    script = write_script(scenario.pupil, seed, changes, None if seconds is None else round(seconds * 1_000_000))
    return perform(scenario.pupil, script, seed)


def _tune(
    what: str, name: str, fault: Literal["early", "slow", "wrong", "restart", "slip"] | None, seed: int | None
) -> Performance:
    from fingerlead.faces.cli.options import tune_of
    from fingerlead.practice.pupil_port import TEMPO, written_notes
    from fingerlead.simulated.planting import NotPlantableError, plant_one
    from fingerlead.simulated.play import perform
    from fingerlead.simulated.scenario import PupilError, load_scenario
    from fingerlead.simulated.script import tune_script

    tune = tune_of(what)
    notes = written_notes(tune)
    if not notes:
        raise Problem(f"{what}: expected a tune with notes to play; this one has none")
    script = tune_script(notes, round(4 * 60_000_000 / (tune.tempo or TEMPO)))
    try:
        if fault is not None:
            return plant_one(fault, script, 1 if seed is None else seed)[0]
        scenario = load_scenario(name)
    except (NotPlantableError, PupilError) as error:
        raise Problem(str(error)) from None
    return perform(scenario.pupil, script, scenario.seed if seed is None else seed)


def _speed(text: str) -> float | None:
    if text == "max":
        return None
    try:
        speed = float(text)
    except ValueError:
        speed = -1.0
    if not 0 <= speed <= 10_000:
        raise typer.BadParameter(f"expected a number from 0 to 10000, or max; got {text!r}", param_hint="--speed")
    return speed or None


# ---


class DemoScene(StrEnum):
    """What the demonstration plays."""

    evening = "evening"
    studio = "studio"


def demo(
    what: Annotated[
        DemoScene,
        typer.Argument(help="One evening and its report, or a teacher's studio of a dozen over three months."),
    ] = DemoScene.evening,
    folder: Annotated[
        Path, typer.Option("--folder", help="Where the session, the truth and the report are put.")
    ] = Path("out"),
    speed: Annotated[float, typer.Option(min=1, max=100, help="Times as fast as real time.")] = 8.0,
    browser: options.Browser = True,
) -> None:
    """Play an invented evening on a simulated chanter, record it, and write its report; or open an invented studio."""
    if what is DemoScene.studio:
        open_studio(folder / "studio", browser, typer.echo)
    else:
        play_evening(folder, speed, typer.echo)


def open_studio(folder: Path, browser: bool, say: Callable[[str], None]) -> None:
    """Make the invented studio, where it is not there yet, and open its page. Raises Problem."""
    from fingerlead.faces.cli.options import Problem
    from fingerlead.faces.cli.pages import serve_studio
    from fingerlead.studio.invented import make_studio
    from fingerlead.studio.pupils import StudioError

    if not (folder / "pupils").is_dir():
        # Made beside, then put in place: one that was cut off would be taken for the whole.
        begun = folder.with_name(f".{folder.name}-begun")
        try:
            if folder.exists() and any(folder.iterdir()):
                raise StudioError(f"{folder}: expected a new or an empty folder for the invented studio. Name another")
            shutil.rmtree(begun, ignore_errors=True)
            make_studio(begun, date.today(), say)
            begun.replace(folder)
        except StudioError as error:
            raise Problem(str(error)) from None
        except OSError as error:
            raise Problem(f"{folder}: the invented studio cannot be made there: {error.strerror or error}") from None
    serve_studio(folder, None, browser, "127.0.0.1", None)


def play_evening(folder: Path, speed: float, say: Callable[[str], None]) -> Path:
    """Play, record, analyse and report; returns the report's path. Raises Problem."""
    import subprocess
    import sys

    from fingering.table import standard_table
    from fingerlead.faces.cli.analyse import text_lines
    from fingerlead.faces.cli.options import Problem, analysed
    from fingerlead.faces.report.page import played, render
    from fingerlead.listening.reader import Reader
    from fingerlead.listening.recording import Recording, record
    from fingerlead.listening.sources import open_source
    from fingerlead.simulated.scenario import load_scenario
    from fingerlead.store.files import demo_folder
    from fingerlead.store.session_file import SessionWriter

    source = demo_folder() / "evening.toml"
    say(" ".join(load_scenario(str(source)).about.split()))
    folder.mkdir(parents=True, exist_ok=True)
    session, truth, page = (folder / name for name in ("evening.session", "evening.truth", "evening.html"))
    for old in (session, truth, page):
        old.unlink(missing_ok=True)
    place = "pty" if sys.platform != "win32" else "tcp:0"
    command = [
        sys.executable, "-m", "fingerlead.faces.cli.main", "simulate", "--on", place, "--pupil", str(source),
        "--truth", str(truth), "--speed", str(speed),
    ]  # fmt: skip
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as simulator:
        try:
            assert simulator.stdout is not None
            port = simulator.stdout.readline().removeprefix("listening on ").strip()
            if not port:
                raise Problem("the simulated chanter did not start; try: fingerlead simulate --on pty")
            say(f"\nA simulated chanter plays on {port}, {speed:g} times as fast as life; recording {session} ...")
            reader = Reader(lambda: open_source(port)).start()
            kept = Recording(SessionWriter(session, "stream", port))
            record(reader, kept, lambda _: None, lambda: simulator.poll() is not None)
        finally:
            simulator.terminate()
    loaded, analysis = analysed(session, standard_table())
    say("")
    for line in text_lines(loaded, analysis):
        say(line)
    page.write_text(render(played([(session, analysis)]), date.today()), encoding="utf-8")
    say(f"\nThe report for the teacher: {page.resolve()}")
    say(f"What the simulated fingers truly did: {truth}")
    return page
