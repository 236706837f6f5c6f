"""`fingerlead devices` and `fingerlead check`: what is plugged in and who it says it is; a chanter's self-test."""

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Annotated, Literal

import typer
from rich.table import Table
from rich.text import Text

from fingering.holes import FINGERS
from fingerlead.faces.cli.console import PlainConsole
from fingerlead.faces.cli.options import PortName
from fingerlead.faces.cli.problem import Problem, problem_from, writing
from fingerlead.faces.cli.running import until_interrupted
from fingerlead.listening.sources import Met, meet_at, open_source
from fingerlead.plain_text import plain_line
from fingerlead.ports import catalogue, midi_out, sound_port
from fingerlead.ports.base import SIMULATED, Found, Port, PortEnded, PortLost, PortRefused, now_us
from fingerlead.ports.simulated_port import HandsPort
from fingerlead.store.files import write_output
from fingerlead.wire.errors import NotAChanter
from fingerlead.workbench.bring_up import PATIENCE_US, BringUp
from fingerlead.workbench.selftest import SelfTest, Trial
from fingerlead.workbench.workbench import converse, words_of

NOTES_OUT = "an output for fingerlead live --midi-out"
SOUND_OUT = "an output for the sound of fingerlead practice"
SIMULATED_ROW = (SIMULATED, "the simulated chanter in this program, always here", "")
MARKS = {"good": "good", "bad": "BAD", "not able": "–", "not seen": "?"}
BAR = 40


def devices(
    ports: Annotated[
        list[str] | None,
        typer.Argument(help="Ask here too: PTYs and network ports are in no list.", metavar="[PORT]..."),
    ] = None,
    format: Annotated[Literal["text", "json"], typer.Option("--format", help="For people, or for programs.")] = "text",
) -> None:
    """Find what is plugged in, ask who it is, and name it; and the outputs for notes and sound."""
    midi, no_midi = catalogue.midi_ports()
    notes_out, no_notes = midi_out.list_outputs()
    sound_out, no_sound = sound_port.list_outputs()
    outputs = [(each, NOTES_OUT) for each in notes_out] + [(each, SOUND_OUT) for each in sound_out]
    found = [Found(spec, "named by you") for spec in ports or []] + catalogue.serial_ports() + midi
    # All at once: each may be waited for three seconds.
    with ThreadPoolExecutor(max_workers=max(1, len(found))) as pool:
        met = list(pool.map(meet_at, (each.spec for each in found)))
    if format == "json":
        _as_json(list(zip(found, met, strict=True)), outputs)
        return
    rows = [(each.spec, who.sentence, each.description) for each, who in zip(found, met, strict=True)]
    rows += [SIMULATED_ROW, *((each.spec, use, each.description) for each, use in outputs)]
    if sys.stdout.isatty():
        table = Table("port", "who is there", "what the system calls it", box=None, pad_edge=False)
        for row in rows:
            table.add_row(*map(Text, map(plain_line, row)))
        PlainConsole().print(table)
    else:
        for row in rows:
            typer.echo("\t".join(map(plain_line, row)).rstrip())
    for why in dict.fromkeys((no_midi, no_notes, no_sound)):
        if why:
            typer.echo(why, err=True)


def _as_json(rows: list[tuple[Found, Met]], outputs: list[tuple[Found, str]]) -> None:
    listed = [
        {
            "port": each.spec,
            "kind": who.kind,
            "says": who.sentence,
            "description": each.description,
            "name": who.hello and who.hello.name,
            "device_id": who.hello and who.hello.device_id.hex(),
        }
        for each, who in rows
    ]
    listed.append(
        {
            "port": SIMULATED,
            "kind": "simulated",
            "says": SIMULATED_ROW[1],
            "description": "",
            "name": None,
            "device_id": None,
        }
    )
    out = [{"output": each.spec, "use": use, "description": each.description} for each, use in outputs]
    typer.echo(json.dumps({"schema": "fingerlead-devices-1", "devices": listed, "outputs": out}, indent=2))


def check(
    port: PortName,
    watch: Annotated[
        float, typer.Option("--for", min=1, max=5_000, help="Watch scans, loss, latency and clock for so many seconds.")
    ] = 10.0,
    holes: Annotated[
        bool, typer.Option("--holes", help="Hole by hole first: cover each one alone, to find wires that are swapped.")
    ] = False,
    restart: Annotated[bool, typer.Option("--restart", help="Try a restart too.")] = False,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", help="Write the report into this file too.", show_default=False),
    ] = None,
) -> None:
    """Try everything that a chanter says it can do, bad requests too, and watch its scans, its link and its clock."""
    with problem_from(PortRefused, PortLost, PortEnded, NotAChanter, words=words_of):
        hands = HandsPort() if holes and port == SIMULATED else None
        with hands or open_source(port) as opened, until_interrupted() as interrupted:
            if opened.carrier == "plain":
                raise Problem(
                    "expected a chanter that speaks the wire; one that plays plain notes can be asked nothing. "
                    "Listen to it with: fingerlead live " + port
                )
            found = _hole_by_hole(opened, interrupted) if holes else []
            test = SelfTest(opened.carrier, round(watch * 1_000_000), restart)
            converse(test, opened, now_us, interrupted)
    lines = list(report_lines(test, port, found))
    if not test.done:
        lines[-1] = "The check was cut short: what is not above was not tried."
    for line in lines:
        typer.echo(line)
    if output is not None:
        with writing("the report", output):
            write_output(output, "\n".join(lines) + "\n")
    if not test.good or not test.done or any(trial.verdict == "bad" for trial in found):
        raise typer.Exit(1)


def _hole_by_hole(port: Port, interrupted: Callable[[], bool]) -> list[Trial]:
    """Ask for each hole alone, and say which one answered."""
    bring_up = BringUp(port.carrier if port.carrier != "plain" else "stream")
    typer.echo(f"Each hole is waited for, at most {PATIENCE_US // 1_000_000} s.")
    shown = -1

    def show() -> None:
        nonlocal shown
        if bring_up.hole is not None and bring_up.hole != shown:
            for trial in bring_up.trials()[max(shown, 0) :]:
                typer.echo(f"{MARKS[trial.verdict]:>5}  {trial.sentence}")
            shown = bring_up.hole
            typer.echo(f"Cover the hole of the {FINGERS[shown]} alone, then open it.")

    show()
    converse(bring_up, port, now_us, interrupted, show)
    typer.echo("")
    return bring_up.trials()


def report_lines(test: SelfTest, port: str, holes: Sequence[Trial] = ()) -> Iterator[str]:
    """The report, to read and to attach to a question; `holes` is what was found hole by hole."""
    yield f"fingerlead check of {port}"
    yield ""
    found = [*holes, *test.trials]
    width = max((len(trial.what) for trial in found), default=0)
    for trial in found:
        yield f"{MARKS[trial.verdict]:>5}  {trial.what:<{width}}  {trial.sentence}"
    if test.trips is not None:
        trips = test.trips
        yield ""
        yield (
            f"Round trip of {trips.count} clock requests: {trips.shortest_us / 1_000:.2f} to "
            f"{trips.longest_us / 1_000:.2f} ms, middle {trips.median_us / 1_000:.2f}, 99 of 100 within "
            f"{trips.p99_us / 1_000:.2f}."
        )
    if test.fit is not None:
        yield (
            f"Clock: {test.fit.drift_ppm:+.1f} ppm against this computer's; the chanter's times are placed to within "
            f"{test.fit.uncertainty_us / 1_000:.2f} ms."
        )
    if test.scans is not None:
        scans = test.scans
        rate_hz = 0 if test.link.hello is None else test.link.hello.scan_rate_hz
        scans_each = round(scans.usual_us * rate_hz / 1_000_000)
        each = f", one in {scans_each} scans" if scans_each > 1 else ""
        steps = f"{scans.shortest_us} to {scans.longest_us} µs, usually {scans.usual_us}{each}"
        yield f"Steps between raw samples: {steps}."
        most = max(count for _, count in scans.histogram)
        for step_us, count in scans.histogram:
            yield f"{step_us:>8} µs {count:>7} {'█' * max(1, round(BAR * count / most))}"
    bad = [trial.what for trial in found if trial.verdict == "bad"]
    yield ""
    yield f"Not as the wire asks: {', '.join(bad)}." if bad else "Everything tried is as the wire asks."
