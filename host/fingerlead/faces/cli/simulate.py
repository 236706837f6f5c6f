"""`fingerlead simulate`: a simulated chanter with a pupil's fingers on it, for trying everything without hardware."""

import os
from dataclasses import replace
from itertools import pairwise
from math import isnan
from pathlib import Path
from typing import Annotated, Literal

import typer

from fingering.notes import ABC_LETTERS, NOTES
from fingerlead.faces.cli.problem import Problem, problem_from, writing
from fingerlead.faces.cli.tunes import tune_of
from fingerlead.music.tune import Tune
from fingerlead.simulated.chanter import Chanter, setup_for
from fingerlead.simulated.outlets import OutletError, open_outlet
from fingerlead.simulated.performance import Performance
from fingerlead.simulated.planted_movements import MOVEMENT_KINDS, MovementPlant, plant_movements
from fingerlead.simulated.planting import KINDS, NotPlantableError, PlantedKind, plant_one
from fingerlead.simulated.play import perform
from fingerlead.simulated.scenario import PupilError, load_scenario
from fingerlead.simulated.script import tune_script, write_script
from fingerlead.simulated.sensing import sensors as make_sensors
from fingerlead.simulated.serve import serve
from fingerlead.simulated.truth import truth_text
from fingerlead.store.files import write_output

Faults = PlantedKind | list[MovementPlant]


def _hyphened(kind: str) -> str:
    return kind.replace(" ", "-")


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
        list[str] | None,
        typer.Option(
            metavar="KIND|KIND:N",
            help=f"Play the tune cleanly but for a fault, told in the truth file: {', '.join(KINDS)}; or, in movement "
            f"number N (may be repeated), {', '.join(map(_hyphened, MOVEMENT_KINDS))}.",
            show_default=False,
        ),
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

    The first line of output says where it listens. It comes to life when that port is opened (on MIDI: at the
    first request, or after three seconds), plays, and ends by itself.
    """
    times = _speed(speed)
    if seconds is not None and isnan(seconds):
        raise typer.BadParameter("expected a number of seconds", param_hint="--for")
    if tune is None:
        if fault:
            raise typer.BadParameter("expected a tune to plant it in: --tune FILE.abc|RUNG", param_hint="--fault")
        performance = _session(pupil or "mixed", seed, changes, seconds)
    else:
        if changes is not None or seconds is not None:
            raise typer.BadParameter("a tune is played once, to its end", param_hint="--changes, --for")
        if fault and pupil is not None:
            raise typer.BadParameter("a fault is planted in clean playing: leave the pupil out", param_hint="--pupil")
        performance = _tune(tune, pupil or "clean", _asked(fault or []), seed)
    seed = performance.seed
    # The one thing that no seed decides: every start has a boot number of its own.
    setup = replace(setup_for(seed, scan_us, ticks), boot=int.from_bytes(os.urandom(2), "little"))
    if truth is not None:
        with writing("the truth", truth):
            write_output(truth, truth_text(performance, setup))
    with problem_from(OutletError):
        outlet = open_outlet(on, midi_plain)
    try:
        print(f"listening on {outlet.listening_on}", flush=True)
        serve(Chanter(performance, setup, make_sensors(sensors), outlet.carrier), outlet, times)
    except KeyboardInterrupt:
        typer.echo("stopped", err=True)
    finally:
        outlet.close()


def _session(name: str, seed: int | None, changes: int | None, seconds: float | None) -> Performance:
    with problem_from(PupilError):
        scenario = load_scenario(name)
    if changes is None and seconds is None:
        changes = scenario.changes
    seed = scenario.seed if seed is None else seed
    script = write_script(scenario.pupil, seed, changes, None if seconds is None else round(seconds * 1_000_000))
    return perform(scenario.pupil, script, seed)


def _asked(texts: list[str]) -> Faults:
    """One fault of a tune, or some in its movements."""
    plain = next((kind for kind in KINDS if [kind] == texts), None)
    return plain or [_movement_plant(text) for text in texts]


def _movement_plant(text: str) -> MovementPlant:
    name, _, number = text.partition(":")
    kind = next((kind for kind in MOVEMENT_KINDS if _hyphened(kind) == name), None)
    if kind is not None and number.isdecimal() and number.isascii() and len(number) < 7:
        return MovementPlant(kind, int(number))
    kinds = ", ".join(map(_hyphened, MOVEMENT_KINDS))
    raise typer.BadParameter(
        f"expected {', '.join(KINDS)} alone, or the fault and the number of a movement, as crushed:3 (of {kinds}); "
        f"got {text!r}",
        param_hint="--fault",
    )


def _tune(what: str, name: str, faults: Faults, seed: int | None) -> Performance:
    # Only a tune needs it, and it brings all of listening with it.
    from fingerlead.practice.pupil_port import TEMPO, written_notes

    tune = tune_of(what)
    notes = written_notes(tune)
    if not notes:
        raise Problem(f"{what}: expected a tune with notes to play; this one has none")
    _check_movements(what, tune)
    script = tune_script(notes, round(4 * 60_000_000 / (tune.tempo or TEMPO)))
    with problem_from(NotPlantableError, PupilError):
        if isinstance(faults, str):
            return plant_one(faults, script, 1 if seed is None else seed)[0]
        if faults:
            return plant_movements(faults, script, 1 if seed is None else seed)
        scenario = load_scenario(name)
    return perform(scenario.pupil, script, scenario.seed if seed is None else seed)


def _check_movements(what: str, tune: Tune) -> None:
    """Refuse a movement that cannot be played from the note before it."""
    played = tune.played()
    for before, after in pairwise(played):
        row = (before.note, *after.graces, after.note)
        twice = next((a for a, b in pairwise(after.graces) if a == b), None)
        if twice is not None:
            why = f"{NOTES[twice]} stands twice in a row with nothing between to part it"
        elif after.graces and sum(a != b for a, b in pairwise(row)) < 2:
            why = "all of it sounds like the notes around it"
        else:
            continue
        letters = "".join(ABC_LETTERS[note] for note in after.graces)
        bar = after.bar + tune.first_bar_number
        raise Problem(
            f"{what}, bar {bar}: expected a movement that can be played from {NOTES[before.note]} to "
            f"{NOTES[after.note]}; of {{{letters}}} {why}"
        )


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
